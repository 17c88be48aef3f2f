// Today in figures, each with its uncertainty and how it is known. A figure
// that is not there says why.
import type { BudgetPart, Figure, InstrumentFacts, Narrower } from '../api';
import type { Today, TodayFigures } from '../live/figures';
import { showFigure, type UnitSystem } from '../units/units';
import { clock } from '../units/words';

interface Wanted {
  title: string;
  /** the first that is present, else the first, absent */
  names: string[];
  /** said beside it: another figure in words */
  beside?: (today: Today, system: UnitSystem) => string;
}

export function wanted(startsLimit: number | undefined): Wanted[] {
  return [
    { title: 'Duty cycle', names: ['duty_cycle', 'mean_load_fraction'] },
    {
      title: 'Starts per hour', names: ['starts_per_hour_mean'],
      beside: (today) => {
        const max = today.figures.get('starts_per_hour_max');
        if (max?.value === undefined) return '';
        const limit = startsLimit === undefined ? '' : `; the motor’s limit is\u00a0${startsLimit}`;
        const most = Math.round(max.value);
        return `${most === 0 ? 'none' : `${atLeast(max)}${most}`} in the busiest 60 minutes${limit}`;
      },
    },
    { title: 'Specific power', names: ['specific_power'] },
  ];
}

const atLeast = (f: Figure) => (f.at_least ? 'at least ' : '');

export function Figures({ source, limit, system, timeZone }: { source: TodayFigures; limit: number | undefined; system: UnitSystem; timeZone: string }) {
  const today = source.today.value;
  const error = source.error.value;
  return (
    <section class="figures" aria-labelledby="figures-title">
      <h2 id="figures-title">Today</h2>
      <p class="aside">
        {today ? `From ${clock(today.from, timeZone)} to ${clock(today.to, timeZone)}` : error ? '' : 'Fetching today’s figures …'}
        {error && <span class="warn">{today ? ' – older than it should be: ' : 'No figures: '}{error}. Trying again.</span>}
      </p>
      {today?.notes.map((n) => <p key={n} class="aside">{n.charAt(0).toUpperCase() + n.slice(1).replace(/\.$/, '')}.</p>)}
      {today && wanted(limit).map((w) => <Entry key={w.title} want={w} today={today} system={system} />)}
    </section>
  );
}

function Entry({ want, today, system }: { want: Wanted; today: Today; system: UnitSystem }) {
  const candidates = want.names.map((n) => today.figures.get(n));
  const figure = candidates.find((f) => f?.value !== undefined) ?? candidates.find((f) => f !== undefined);
  const title = figure?.name === 'mean_load_fraction' && figure.value !== undefined ? 'Mean load' : want.title;
  const beside = want.beside?.(today, system) ?? '';
  return (
    <article class="figure">
      <h3>{title}</h3>
      {figure?.value === undefined
        ? <p class="absent">Not known: {figure?.absent || 'loadscribe did not give this figure'}.</p>
        : <Value figure={figure} value={figure.value} system={system} />}
      {beside && <p class="aside">{beside}</p>}
      {figure && <HowWeKnow title={title} figure={figure} instruments={today.instruments} system={system} />}
    </article>
  );
}

function Value({ figure, value, system }: { figure: Figure; value: number; system: UnitSystem }) {
  const shown = showFigure(figure.name, value, figure.unit ?? '1', figure.uncertainty, system);
  return (
    <p class="value" data-figure={figure.name}>
      {atLeast(figure) && <span class="at-least">{atLeast(figure)}</span>}
      <strong>{shown.value}</strong>
      {shown.uncertainty && <span class="pm"> ± {shown.uncertainty}</span>}
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

function HowWeKnow({ title, figure, instruments, system }: { title: string; figure: Figure; instruments: InstrumentFacts[]; system: UnitSystem }) {
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
