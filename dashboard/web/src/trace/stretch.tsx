// What the machines did between the cursors, or in the whole view, and whether
// pressure was enough: the figures of just that time.
import type { Asked } from '../api/asked';
import type { BelowAnswer, FiguresAnswer, Site } from '../api';
import { figuresAddress, machineFigures, systemFigures, type Found } from '../figure/answer';
import { HowWeKnow } from '../figure/figure';
import { lookAt } from '../figure/look';
import { Num } from '../figure/number';
import { Standing } from '../look/standing';
import { duration } from '../units/words';
import type { UnitSystem } from '../units/units';
import { Moment } from './readings';

/** Times of the states in the order in which a sentence tells them. */
const times: [figure: string, words: string][] = [
  ['loaded_time', 'loaded'], ['part_load_time', 'part loaded'], ['unloaded_time', 'running unloaded'], ['standby_time', 'on standby'],
  ['stopped_time', 'stopped'], ['off_time', 'off'], ['unobserved_time', 'not observed'],
];

const lows: [figure: string, title: string][] = [
  ['time_below_minimum', 'Below the minimum pressure while a machine ran'],
  ['time_below_minimum_all', 'Below it in all, with the plant on or off'],
  ['longest_below_minimum_all', 'The longest stretch below it, on or off'],
];

interface StretchProps {
  site: Site;
  machines: string[];
  asked: Asked<FiguresAnswer>;
  question: string;
  /** it is the time between the cursors, not the whole view */
  between: boolean;
  system: UnitSystem;
}

export function DurationNum({ found }: { found: Found }) {
  const { value, at_least } = found.figure;
  if (value === undefined) return null;
  return <>{at_least && 'at least '}<Num value={value} at={`${found.at}/value`}>{duration(value * 1000)}</Num></>;
}

/** States that have no figure of their own, from the table of all. */
function others(answer: FiguresAnswer, machine: string): { words: string; shown: preact.JSX.Element }[] {
  const m = answer.machines.findIndex((one) => one.machine === machine);
  const tables = answer.machines[m]?.tables ?? [];
  const t = tables.findIndex((one) => one.name === 'energy_by_state');
  const out: { words: string; shown: preact.JSX.Element }[] = [];
  tables[t]?.rows.forEach((row, r) => {
    const seconds = row.values[0];
    if ((row.name !== 'starting' && row.name !== 'tripped') || !seconds) return;
    out.push({ words: row.name, shown: <Num value={seconds} at={`/machines/${m}/tables/${t}/rows/${r}/values/0`}>{duration(seconds * 1000)}</Num> });
  });
  return out;
}

/** "loaded 3 h 10 min, running unloaded 24 min": what there was of it. */
export function StateTimes({ answer, machine }: { answer: FiguresAnswer; machine: string }) {
  const figures = machineFigures(answer, machine);
  const parts: { words: string; shown: preact.JSX.Element }[] = [];
  for (const [name, words] of times) {
    const found = figures.get(name);
    if (found && (found.figure.value ?? 0) > 0) parts.push({ words, shown: <DurationNum found={found} /> });
  }
  parts.push(...others(answer, machine));
  if (parts.length === 0) return <>{figures.get('loaded_time')?.figure.absent ?? 'nothing is known of it'}</>;
  return <>{parts.map((p, i) => <span key={p.words}>{i > 0 && ', '}{p.words} {p.shown}</span>)}</>;
}

export function Stretch({ site, machines, asked, question, between, system }: StretchProps) {
  const answer = asked.value.value;
  const systems = site.systems.filter((s) => s.minimum_pressure_pa !== undefined && s.machines.some((m) => machines.includes(m)));
  const where = between ? 'between the cursors' : 'in this view';
  return (
    <section class="stretch" aria-labelledby="stretch-title" data-answer={answer && figuresAddress(answer)}>
      <h2 id="stretch-title">What was done {where}</h2>
      <Standing asked={asked} what="figures" question={question} />
      {answer && (
        <>
          <ul class="state-times">
            {machines.map((m) => <li key={m}><b>{m}</b>: <StateTimes answer={answer} machine={m} />.</li>)}
          </ul>
          <div class="stretch-figures">
            {systems.map((s) => {
              const figures = systemFigures(answer, s.name);
              const whose = site.systems.length > 1 ? `${s.name}: ` : '';
              return lows.map(([name, title]) => <TimeEntry key={`${s.name} ${name}`} title={`${whose}${title}`} found={figures.get(name)} answer={answer} system={system} look={lookOf(site, s.name, figures.get(name), answer)} />);
            })}
          </div>
        </>
      )}
    </section>
  );
}

/** Where a figure says when it was, that is where to look; the rest is in view. */
function lookOf(site: Site, system: string, found: Found | undefined, answer: FiguresAnswer): string {
  return found?.figure.at ? lookAt(site, { system }, found.figure, Date.parse(answer.from), Date.parse(answer.to)) : '';
}

/** A figure that is a time, said as one. */
function TimeEntry({ title, found, answer, system, look }: { title: string; found: Found | undefined; answer: FiguresAnswer; system: UnitSystem; look: string }) {
  const figure = found?.figure;
  return (
    <article class="figure">
      <h3>{title}</h3>
      {!found || figure?.value === undefined
        ? <p class="absent">Not known: {figure?.absent || 'loadscribe did not give this figure'}.</p>
        : (
          <p class="value" data-figure={figure.name}>
            <strong><DurationNum found={found} /></strong>
            {figure.uncertainty !== undefined && figure.uncertainty > 0 && <span class="pm"> ± <Num value={figure.uncertainty} at={`${found.at}/uncertainty`}>{duration(Math.ceil(figure.uncertainty) * 1000)}</Num></span>}
          </p>
        )}
      {figure && <HowWeKnow title={title} figure={figure} instruments={answer.instruments ?? []} system={system} look={look} at={found?.at ?? ''} />}
    </article>
  );
}

interface BelowProps {
  site: Site;
  asked: Asked<BelowAnswer>;
  question: string;
  address: string;
  /** shows a stretch, with both cursors at its ends */
  show: (from: number, to: number) => void;
}

/** When pressure was below the minimum. */
export function BelowList({ site, asked, question, address, show }: BelowProps) {
  const answer = asked.value.value;
  if (answer?.absent === 'no minimum pressure in the site file') return null;
  return (
    <section class="below" aria-labelledby="below-title" data-answer={address}>
      <h2 id="below-title">Times below the minimum pressure</h2>
      <Standing asked={asked} what="times" question={question} />
      {answer?.absent && <p class="absent">Not known: {answer.absent}.</p>}
      {answer && !answer.absent && answer.total === 0 && <p class="aside">There were none in this view.</p>}
      {answer && answer.stretches.length > 0 && (
        <div class="scroll" tabIndex={0} role="region" aria-label="Times below the minimum pressure as a table">
          <table>
            <thead><tr><th scope="col">From</th><th scope="col">to</th><th scope="col" class="num">how long</th><th scope="col" class="num">while a machine ran</th><th scope="col"><span class="visually-hidden">See it</span></th></tr></thead>
            <tbody>
              {answer.stretches.map((s, i) => (
                <tr key={s.from}>
                  <th scope="row"><Moment ms={Date.parse(s.from)} timeZone={site.timezone} /></th>
                  <td><Moment ms={Date.parse(s.to)} timeZone={site.timezone} /></td>
                  <td class="num"><Num value={s.seconds} at={`/stretches/${i}/seconds`}>{duration(s.seconds * 1000)}</Num></td>
                  <td class="num">{s.running_seconds === undefined ? 'not known' : <Num value={s.running_seconds} at={`/stretches/${i}/running_seconds`}>{duration(s.running_seconds * 1000)}</Num>}</td>
                  <td><button type="button" class="plain" onClick={() => show(Date.parse(s.from), Date.parse(s.to))}>Show<span class="visually-hidden"> the time from <Moment ms={Date.parse(s.from)} timeZone={site.timezone} /></span></button></td>
                </tr>
              ))}
            </tbody>
          </table>
        </div>
      )}
      {answer && answer.total > answer.stretches.length && <p class="aside">There were more; the longest are listed.</p>}
      {answer?.notes.map((note) => <p key={note} class="aside" data-words>{note}</p>)}
      {answer?.method && <details><summary>How we know<span class="visually-hidden">: times below the minimum</span></summary><dl><div><dt>Method</dt><dd data-words>{answer.method}</dd></div></dl></details>}
    </section>
  );
}
