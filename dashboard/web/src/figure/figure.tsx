// A figure as people read it: value, uncertainty, and how it is known. A figure
// that is not there says why. One component for every page.
import { Fragment, type ComponentChildren } from 'preact';
import type { BudgetPart, Figure, InstrumentFacts, Narrower } from '../api';
import { siteZone } from '../settings';
import { showFigure, type UnitSystem } from '../units/units';
import type { Found } from './answer';
import { Known, type Facts } from './known';
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

/** The inputs by their share of the variance. */
function Budget({ parts, at }: { parts: BudgetPart[]; at: string }) {
  return (
    <>
      {parts.map((p, i) => (
        <Fragment key={p.input}>
          {i > 0 && ', '}<span data-words>{p.input}</span> <Num value={p.share} at={`${at}/budget/${i}/share`}>{p.share < 0.01 ? 'under 1' : Math.round(p.share * 100)}</Num> %
        </Fragment>
      ))}
    </>
  );
}

function Narrowed({ figure, value, narrower, at, system }: { figure: Figure; value: number; narrower: Narrower; at: string; system: UnitSystem }) {
  const then = showFigure(figure.name, value, figure.unit ?? '1', narrower.uncertainty, system);
  return <>It <span data-words>{narrower.sentence}</span>. It would then be known to ± <Num value={narrower.uncertainty} at={`${at}/narrower/uncertainty`}>{then.uncertainty}</Num>{then.unit && ` ${then.unit}`}.</>;
}

/** The interval's ends, at which confidence; that none is stated where there is none. */
function Interval({ figure, value, at, system }: { figure: Figure; value: number; at: string; system: UnitSystem }) {
  const shown = showFigure(figure.name, value, figure.unit ?? '1', figure.uncertainty, system);
  const half = `${at}/uncertainty`;
  const unit = shown.unit && ` ${shown.unit}`;
  const level = figure.level ? <>, at <Num value={figure.level} at={`${at}/level`}>{Math.round(figure.level * 100)}</Num> % confidence</> : null;
  if (shown.ends) {
    const [low, high] = shown.ends;
    return <><Num value={value} at={`${at}/value`} less={half}>{low}</Num> to <Num value={value} at={`${at}/value`} plus={half}>{high}</Num>{unit}{level}</>;
  }
  if (shown.uncertainty && figure.uncertainty !== undefined) {
    return <>within <Num value={figure.uncertainty} at={half}>{shown.uncertainty}</Num> of <Num value={value} at={`${at}/value`}>{shown.value}</Num>{unit}{level}</>;
  }
  return <>none is stated</>;
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

function Bound({ figure, value, at, system }: { figure: Figure; value: number; at: string; system: UnitSystem }) {
  const shown = showFigure(figure.name, value, figure.unit ?? '1', undefined, system);
  return <><Num value={value} at={at}>{shown.value}</Num>{shown.unit && ` ${shown.unit}`}</>;
}

/** On which side of its limit a figure may not lie, as summary and report judge it (agent/display, Bounds); empty: it keeps to it, or has none. */
export function breach({ name, value, limit }: Figure): '' | 'under' | 'over' {
  if (value === undefined || limit === undefined || name === 'isentropic_efficiency') return ''; // there it stands beside new machines
  if (name === 'shortest_rest') return value < limit ? 'under' : '';
  return value > limit ? 'over' : '';
}

/** A limit that is not kept is said where the value stands; one that is kept stands in how we know. */
function Beyond({ figure, at, system }: { figure: Figure; at: string; system: UnitSystem }) {
  const side = breach(figure);
  if (!side || figure.limit === undefined) return null;
  return <p class="must">{side === 'under' ? 'Under' : 'Over'} the limit of {Bound({ figure, value: figure.limit, at: `${at}/limit`, system })}.</p>;
}

/**
 * look: the address in Trace of the readings behind the figure; empty: there are
 * none to go to. at: see Value.
 */
export function HowWeKnow({ title, figure, instruments, system, look, at = '' }: { title: string; figure: Figure; instruments: InstrumentFacts[]; system: UnitSystem; look: string; at?: string }) {
  const { value, limit } = figure;
  const facts: Facts = {
    absent: figure.absent, atLeastWhy: figure.at_least_why, note: figure.note, method: figure.method, over: figure.denominator, inputs: figure.inputs,
    instruments: instruments.filter((i) => i.figures?.includes(figure.name)).map(instrumentText),
    when: figure.at && { from: Date.parse(figure.at.from), to: Date.parse(figure.at.to), timeZone: siteZone.value },
    coverage: figure.coverage === undefined ? undefined : { value: figure.coverage, at: `${at}/coverage` },
    limit: limit !== undefined && <>{Bound({ figure, value: limit, at: `${at}/limit`, system })}{figure.limit_basis && <>: <span data-words>{figure.limit_basis}</span></>}</>,
    atMost: figure.at_most !== undefined && <>{Bound({ figure, value: figure.at_most, at: `${at}/at_most`, system })}, by a counter that ran on over the gaps</>,
    uncertainty: value !== undefined && Interval({ figure, value, at, system }),
    parts: figure.budget && figure.budget.length > 0 && Budget({ parts: figure.budget, at }),
    narrower: value !== undefined && figure.narrower && Narrowed({ figure, value, narrower: figure.narrower, at, system }),
  };
  return <Known title={title} facts={facts} look={look} />;
}

/** A figure with its name: the value or why there is none, what is said beside it, and how we know. */
export function FigureEntry({ title, found, instruments, system, look, beside = '' }: {
  title: string; found: Found | undefined; instruments: InstrumentFacts[]; system: UnitSystem; look: string; beside?: ComponentChildren;
}) {
  const figure = found?.figure;
  return (
    <article class="figure">
      <h3>{title}</h3>
      {!found || figure?.value === undefined
        ? <p class="absent">Not known: <span data-words>{figure?.absent || 'loadscribe did not give this figure'}</span>.</p>
        : <Value figure={found.figure} value={figure.value} at={found.at} system={system} />}
      {found && <Beyond figure={found.figure} at={found.at} system={system} />}
      {beside && <p class="aside">{beside}</p>}
      {figure && <HowWeKnow title={title} figure={figure} instruments={instruments} system={system} look={look} at={found.at} />}
    </article>
  );
}
