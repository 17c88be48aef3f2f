// A figure as people read it: value, uncertainty, and how it is known. A figure
// that is not there says why. One component for every page.
import type { BudgetPart, Figure, InstrumentFacts, Narrower } from '../api';
import { showFigure, type UnitSystem } from '../units/units';
import type { Found } from './answer';
import { Num } from './number';

export const atLeast = (f: Figure) => (f.at_least ? 'at least ' : '');

/** at: JSON pointer to the figure in the answer that an ancestor names (data-answer). */
export function Value({ figure, value, at, system }: { figure: Figure; value: number; at: string; system: UnitSystem }) {
  const shown = showFigure(figure.name, value, figure.unit ?? '1', figure.uncertainty, system);
  return (
    <p class="value" data-figure={figure.name}>
      {atLeast(figure) && <span class="at-least">{atLeast(figure)}</span>}
      <strong><Num value={value} at={`${at}/value`}>{shown.value}</Num></strong>
      {shown.uncertainty && figure.uncertainty !== undefined && <span class="pm"> ± <Num value={figure.uncertainty} at={`${at}/uncertainty`}>{shown.uncertainty}</Num></span>}
      {shown.unit && <span class="unit"> {shown.unit}</span>}
    </p>
  );
}

/** Percent of the window that was observed; never rounded up to all of it. */
export function coverageText(coverage: number): string {
  if (coverage >= 1) return 'the whole window was observed';
  return `${(Math.floor(coverage * 1000) / 10).toFixed(1)} % of the window was observed`;
}

/** The inputs by their share of the variance. */
export function budgetText(budget: BudgetPart[]): string {
  return budget.map((p) => `${p.input} ${p.share < 0.01 ? 'under 1' : Math.round(p.share * 100)} %`).join(', ');
}

function narrowerText(figure: Figure, value: number, narrower: Narrower, system: UnitSystem): string {
  const then = showFigure(figure.name, value, figure.unit ?? '1', narrower.uncertainty, system);
  return `It ${narrower.sentence}. It would then be known to ± ${then.uncertainty} ${then.unit}`.trimEnd() + '.';
}

const standings: Partial<Record<NonNullable<InstrumentFacts['standing']>, string>> = {
  expired: 'which has ended', 'in the future': 'a day that is yet to come', 'after the window': 'after this window',
};

/** What an instrument was when the figure was made: its number, and how its calibration stands. */
export function instrumentText(i: InstrumentFacts): string {
  const parts = [i.serial ? `${i.subject} (serial ${i.serial})` : i.subject];
  if (i.calibrated) parts.push(`calibrated ${i.calibrated}`);
  if (i.calibrated_until) parts.push(`calibration until ${i.calibrated_until}`);
  if (!i.calibrated && !i.calibrated_until) parts.push('no calibration date');
  const standing = i.standing && standings[i.standing];
  if (standing) parts.push(standing);
  return parts.join(', ');
}

/** look: the address in Trace of the readings behind the figure; empty: there are none to go to. */
export function HowWeKnow({ title, figure, instruments, system, look }: { title: string; figure: Figure; instruments: InstrumentFacts[]; system: UnitSystem; look: string }) {
  const behind = instruments.filter((i) => i.figures?.includes(figure.name));
  const shown = figure.value === undefined ? undefined : showFigure(figure.name, figure.value, figure.unit ?? '1', figure.uncertainty, system);
  const level = figure.level ? `, at ${Math.round(figure.level * 100)} % confidence` : '';
  return (
    <details>
      <summary>How we know<span class="visually-hidden">: {title}</span></summary>
      <dl>
        {figure.absent && <Row term="Why not">{figure.absent}</Row>}
        {figure.at_least_why && <Row term="At least, since">{figure.at_least_why}</Row>}
        {figure.note && <Row term="To be read with it">{figure.note}</Row>}
        {figure.method && <Row term="Method">{figure.method}</Row>}
        {figure.denominator && <Row term="Over">{figure.denominator}</Row>}
        {figure.inputs && figure.inputs.length > 0 && <Row term="Inputs">{figure.inputs.join(', ')}</Row>}
        {behind.length > 0 && <Row term="Instruments">{behind.map(instrumentText).join('; ')}</Row>}
        {shown && <Row term="Uncertainty">{shown.interval ? `${shown.interval} ${shown.unit}${level}` : 'none is stated'}</Row>}
        {figure.budget && figure.budget.length > 0 && <Row term="It comes from">{budgetText(figure.budget)}</Row>}
        {figure.value !== undefined && figure.narrower && (
          <Row term="What would narrow it">{narrowerText(figure, figure.value, figure.narrower, system)}</Row>
        )}
        {figure.coverage !== undefined && <Row term="Coverage">{coverageText(figure.coverage)}</Row>}
      </dl>
      {look && <p><a href={look}>Look at the readings<span class="visually-hidden"> behind {title}</span></a></p>}
    </details>
  );
}

function Row({ term, children }: { term: string; children: string }) {
  return (
    <div>
      <dt>{term}</dt>
      <dd>{children}</dd>
    </div>
  );
}

/** A figure with its name: the value or why there is none, what is said beside it, and how we know. */
export function FigureEntry({ title, found, instruments, system, look, beside = '' }: {
  title: string; found: Found | undefined; instruments: InstrumentFacts[]; system: UnitSystem; look: string; beside?: string;
}) {
  const figure = found?.figure;
  return (
    <article class="figure">
      <h3>{title}</h3>
      {!found || figure?.value === undefined
        ? <p class="absent">Not known: {figure?.absent || 'loadscribe did not give this figure'}.</p>
        : <Value figure={found.figure} value={figure.value} at={found.at} system={system} />}
      {beside && <p class="aside">{beside}</p>}
      {figure && <HowWeKnow title={title} figure={figure} instruments={instruments} system={system} look={look} />}
    </article>
  );
}
