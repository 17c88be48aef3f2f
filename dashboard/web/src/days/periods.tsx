// Two periods side by side: by how much they differ, and whether that is more
// than the readings can be wrong by.
import type { ComponentChildren } from 'preact';
import { useEffect, useState } from 'preact/hooks';
import { answerOf, type Figure, type Period, type PeriodRow, type PeriodsAnswer, type Site } from '../api';
import { useAsked } from '../api/asked';
import { HowWeKnow } from '../figure/figure';
import { lookAt } from '../figure/look';
import { answerAddress, Num } from '../figure/number';
import { addDays, type Days } from '../look/days';
import { Standing } from '../look/standing';
import { Twin } from '../look/twin';
import type { Live } from '../live/live';
import { go, place } from '../route';
import { decimalsFor, fixed, showFigure, type UnitSystem } from '../units/units';
import { day as dayWords } from '../units/words';
import { titleOf } from './names';
import { changed, halves, periodsOf, type Who } from './view';

interface Props {
  live: Live;
  site: Site;
  who: Who;
  days: Days;
  today: string;
  system: UnitSystem;
}

export function Periods({ live, site, who, days, today, system }: Props) {
  const two = halves(days, addDays);
  const [bare, setBare] = useState('');
  const usual = periodsOf(place.value.query, days, today);
  // Where the days before were hardly recorded, these days are halved unasked.
  const halved = !usual.own && two !== undefined && bare === usual.first;
  const asked2 = halved ? { ...two, own: false } : usual;
  const query = new URLSearchParams({ first: asked2.first, second: asked2.second, [who.kind]: who.name });
  const key = query.toString();
  const asked = useAsked<PeriodsAnswer>({ held: live.held }, { key, ask: (signal) => answerOf('/api/v1/periods', query, signal) });
  const answer = asked.value.value;
  useEffect(() => {
    if (answer && asked.answered.value === key && !usual.own && !halved && answer.first.coverage < 0.5) setBare(usual.first);
  }, [answer, key]);
  const choose = (p: { first: string; second: string } | undefined) => go(changed('days', place.value.query, { first: p?.first, second: p?.second }));
  const spans = answer && { first: `${answer.first.from}/${answer.first.to}`, second: `${answer.second.from}/${answer.second.to}` };
  return (
    <section class="periods" aria-labelledby="periods-title" data-answer={spans && answerAddress('/api/v1/periods', { ...spans, [answer.kind]: answer.subject })}>
      <h2 id="periods-title">Two periods side by side</h2>
      <div class="window" role="group" aria-label="Which periods">
        <button type="button" aria-pressed={!asked2.own && !halved} onClick={() => choose(undefined)}>These days and as many before</button>
        {two && <button type="button" aria-pressed={asked2.first === two.first && asked2.second === two.second} onClick={() => choose(two)}>These days halved</button>}
        <Chosen key={key} first={asked2.first} second={asked2.second} today={today} choose={choose} />
      </div>
      {halved && <p class="aside">Too little was recorded of the days before, so these days are halved.</p>}
      <Standing asked={asked} what="the comparison" question={key} />
      {answer && <Answer answer={answer} site={site} who={who} system={system} />}
    </section>
  );
}

function Chosen({ first, second, today, choose }: { first: string; second: string; today: string; choose: (p: { first: string; second: string }) => void }) {
  const [dates, setDates] = useState([...first.split('/'), ...second.split('/')]);
  const [wrong, setWrong] = useState('');
  const field = (i: number, label: string) => (
    <label>{label} <input type="date" value={dates[i]} max={today} onInput={(e) => setDates(dates.map((d, k) => (k === i ? e.currentTarget.value : d)))} /></label>
  );
  const show = (e: Event) => {
    e.preventDefault();
    const [a = '', b = '', c = '', d = ''] = dates;
    if (dates.some((x) => !x)) setWrong('Give all four dates.');
    else if (a > b || c > d) setWrong('A first day lies after its last one.');
    else if (a <= d && c <= b) setWrong('The periods overlap: end one before the other begins.');
    else choose({ first: `${a}/${b}`, second: `${c}/${d}` });
  };
  return (
    <form class="dates" onSubmit={show}>
      {field(0, 'First from')} {field(1, 'to')} {field(2, 'Second from')} {field(3, 'to')}
      <button type="submit">Compare</button>
      {wrong && <p class="warn" role="alert">{wrong}</p>}
    </form>
  );
}

function Answer({ answer, site, who, system }: { answer: PeriodsAnswer; site: Site; who: Who; system: UnitSystem }) {
  const known = answer.rows.map((row, i) => ({ row, at: `/rows/${i}` })).filter(({ row }) => row.difference.value !== undefined);
  const absent = answer.rows.filter((r) => r.difference.value === undefined);
  return (
    <>
      <p class="verdict" data-words>{answer.sentence}</p>
      <p class="aside">
        First <PeriodDates period={answer.first} site={site} at="/first" />; second <PeriodDates period={answer.second} site={site} at="/second" />.
        {' '}Sums are compared by what an observed day had.
      </p>
      {known.length > 0 && (
        <ul class="sides">
          <SideHead />
          {known.map(({ row, at }) => <Side key={at} row={row} at={at} answer={answer} site={site} who={who} system={system} />)}
        </ul>
      )}
      {known.length > 0 && <PeriodsTwin known={known} system={system} />}
      {absent.length > 0 && (
        <details class="known">
          <summary>What cannot be compared</summary>
          <ul class="remarks">{absent.map((r) => <li key={`${r.machine ?? ''} ${r.name}`}>{sideTitle(r)}: <span data-words>{r.difference.absent}</span></li>)}</ul>
        </details>
      )}
      <ul class="remarks" data-words>{answer.remarks.map((r) => <li key={r}>{r}</li>)}</ul>
      <p class="command"><code data-words tabIndex={0} aria-label="Command that compares with a baseline">{answer.command}</code></p>
    </>
  );
}

export function PeriodDates({ period, site, at }: { period: Period; site: Site; at: string }) {
  const [from, to] = [Date.parse(period.from), Date.parse(period.to)];
  return (
    <>
      <time dateTime={period.from}>{dayWords(from, site.timezone)}</time> to <time dateTime={period.to}>{dayWords(to - 1, site.timezone)}</time>{' '}
      (<Num value={period.days} at={`${at}/days`}>{fixed(period.days, Number.isInteger(period.days) ? 0 : 1)}</Num> d)
    </>
  );
}

const sideTitle = (row: PeriodRow) => `${titleOf(row.name)}${row.machine ? ` of ${row.machine}` : ''}`;

/** A side's value: of what adds up, a day's. */
function sideOf(row: PeriodRow, side: 'first' | 'second', at: string): { value: number; at: string } | undefined {
  const perDay = row[`${side}_per_day`];
  if (perDay !== undefined) return { value: perDay, at: `${at}/${side}_per_day` };
  const value = row[side].value;
  return value === undefined ? undefined : { value, at: `${at}/${side}/value` };
}

function Shown({ row, of, figure, system }: { row: PeriodRow; of: { value: number; at: string } | undefined; figure: Figure; system: UnitSystem }) {
  if (!of) return <>not known</>;
  const shown = showOf(row, of.value, perDayUncertainty(row, figure, of.value), system);
  // What an observed day had is no bound, though the sum is one.
  return <>{figure.at_least && row.first_per_day === undefined && 'at least '}<Num value={of.value} at={of.at} unit={shown.unit || undefined}>{shown.value}</Num></>;
}

/** A value of the row as people read it; how often something happened in a day is seldom whole. */
function showOf(row: PeriodRow, value: number, uncertainty: number | undefined, system: UnitSystem) {
  const unit = row.first.unit ?? row.second.unit ?? '1';
  if (unit === '1' && row.first_per_day !== undefined) return { value: fixed(value, 1), uncertainty: '', unit: '' };
  if (unit === 's' && row.first_per_day !== undefined) return inTime(value, uncertainty);
  return showFigure(row.name, value, unit, uncertainty, system);
}

/** Seconds of a day in minutes: nobody reads thousands of seconds. */
function inTime(s: number, uncertainty: number | undefined) {
  const half = (uncertainty ?? 0) / 60;
  const decimals = Math.min(1, decimalsFor(half));
  const rounded = fixed(half, decimals);
  return { value: fixed(s / 60, decimals), uncertainty: half > 0 && Number(rounded) > 0 ? rounded : '', unit: 'min' };
}

/** Of a day's share of a sum the same share of its uncertainty: for rounding alone. */
function perDayUncertainty(row: PeriodRow, figure: Figure, value: number): number | undefined {
  if (row.first_per_day === undefined || !figure.value || figure.uncertainty === undefined) return figure.uncertainty;
  return (figure.uncertainty * value) / figure.value;
}

function unitOf(row: PeriodRow, system: UnitSystem): string {
  const { unit } = showOf(row, 0, undefined, system);
  return row.first_per_day === undefined ? unit : `${unit} a day`.trim();
}

function Difference({ row, at, system }: { row: PeriodRow; at: string; system: UnitSystem }) {
  const { value, uncertainty } = row.difference;
  if (value === undefined) return null;
  const shown = showOf(row, value, uncertainty, system);
  return (
    <>
      {value > 0 && '+'}<Num value={value} at={`${at}/difference/value`} unit={shown.unit || undefined}>{shown.value}</Num>
      {shown.uncertainty && uncertainty !== undefined && <> ± <Num value={uncertainty} at={`${at}/difference/uncertainty`} unit={shown.unit || undefined}>{shown.uncertainty}</Num></>}
    </>
  );
}

/** A figure in both periods. at: the pointer to its row; beside: what else is said of it. */
export function Side({ row, at, answer, site, who, system, beside }: { row: PeriodRow; at: string; answer: PeriodsAnswer; site: Site; who: Who; system: UnitSystem; beside?: ComponentChildren }) {
  const subject = row.machine ? { machine: row.machine } : { [who.kind]: who.name };
  const spans = [answer.first, answer.second].flatMap((p) => [Date.parse(p.from), Date.parse(p.to)]);
  return (
    <li class="side" data-told={row.told}>
      <h3>{sideTitle(row)}<span class="unit tick"> {unitOf(row, system)}</span></h3>
      <p><span class="visually-hidden">First: </span><Shown row={row} of={sideOf(row, 'first', at)} figure={row.first} system={system} /></p>
      <p><span class="visually-hidden">Second: </span><Shown row={row} of={sideOf(row, 'second', at)} figure={row.second} system={system} /></p>
      <p class="by"><Whisker row={row} /><span><span class="visually-hidden">Difference: </span><Difference row={row} at={at} system={system} /></span></p>
      <div class="judged">
        <p class={row.told ? 'must' : 'aside'}>{row.difference.note}</p>
        {beside}
        <HowWeKnow title={`difference of ${sideTitle(row)}`} figure={{ ...row.difference, note: undefined } as Figure} at={`${at}/difference`} instruments={answer.instruments} system={system}
          look={lookAt(site, subject, row.first, Math.min(...spans), Math.max(...spans))} />
      </div>
    </li>
  );
}

export const SideHead = () => <li class="side-head" aria-hidden="true"><span>&nbsp;</span><span>First</span><span>Second</span><span>Difference</span><span>&nbsp;</span></li>;

const whiskerPx = 84;

/** The difference as a dot on a line through nothing, with what it can be wrong by to both sides. */
function Whisker({ row }: { row: PeriodRow }) {
  const { value = 0, uncertainty = 0 } = row.difference;
  const reach = (Math.abs(value) + uncertainty) || 1;
  const x = (v: number) => whiskerPx / 2 + (v / reach) * (whiskerPx / 2 - 6);
  return (
    <svg class="whisker" width={whiskerPx} height="18" aria-hidden="true" focusable="false">
      <line class="axis" x1={whiskerPx / 2} x2={whiskerPx / 2} y1="1" y2="17" />
      <path class="reach" d={`M${x(value - uncertainty).toFixed(1)} 9H${x(value + uncertainty).toFixed(1)}M${x(value - uncertainty).toFixed(1)} 5v8M${x(value + uncertainty).toFixed(1)} 5v8`} />
      <circle class={row.told ? 'told' : 'untold'} cx={x(value)} cy="9" r="4.5" />
    </svg>
  );
}

export function PeriodsTwin({ known, system }: { known: { row: PeriodRow; at: string }[]; system: UnitSystem }) {
  const columns = [{ title: 'Figure' }, { title: 'Unit' }, { title: 'First', number: true }, { title: 'Second', number: true }, { title: 'Difference', number: true }, { title: 'It is' }];
  return (
    <Twin title="The two periods" columns={columns} rows={() => known.map(({ row, at }) => ({
      key: at,
      cells: [sideTitle(row), unitOf(row, system), <Shown key="a" row={row} of={sideOf(row, 'first', at)} figure={row.first} system={system} />,
        <Shown key="b" row={row} of={sideOf(row, 'second', at)} figure={row.second} system={system} />, <Difference key="c" row={row} at={at} system={system} />, row.difference.note ?? ''],
    }))} />
  );
}
