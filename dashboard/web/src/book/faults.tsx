// Faults by how often they came, and around each time what was read then:
// fetched when it is opened.
import { useState } from 'preact/hooks';
import type { ColumnsAnswer, Fault, FaultCame, FaultsAnswer, Site } from '../api';
import { answerOf } from '../api';
import { useAsked, type Pace } from '../api/asked';
import { fromAnswer } from '../chart/runs';
import { answerAddress, Num } from '../figure/number';
import { useWidth } from '../look/measure';
import { Standing } from '../look/standing';
import { innerPx, leftPx } from '../plot/ink';
import { Picture } from '../plot/picture';
import { summary } from '../plot/words';
import { colours, units } from '../settings';
import { traceHref } from '../trace/address';
import { decode, none, type Cells } from '../trace/decode';
import { firstChannels, knownChannels, lanesOf } from '../trace/lanes';
import { PlotTable } from '../trace/table';
import { clock, day, duration } from '../units/words';
import { Mark } from './mark';
import { faultName } from './words';

interface Props {
  answer: FaultsAnswer | undefined;
  site: Site;
  now: number;
  /** these days are over: what is on at their end may have gone since */
  over: boolean;
  days: number;
  pace: Pace;
}

export function Faults({ answer, site, now, over, days, pace }: Props) {
  // The one that came most stands first; the place in the answer stays with it.
  const order = (answer?.faults ?? []).map((fault, i) => ({ fault, at: `/faults/${i}` })).sort((a, b) => b.fault.times - a.fault.times);
  return (
    <section aria-labelledby="faults-title" data-answer={answer && answerAddress('/api/v1/faults', { from: answer.from, to: answer.to })}>
      <h2 id="faults-title">Faults in <span data-count>{days}</span> {days === 1 ? 'day' : 'days'}</h2>
      {answer && order.length === 0 && <p class="aside">None came.</p>}
      <ul class="fault-list">
        {order.map(({ fault, at }) => <OneFault key={`${fault.channel} ${fault.code}`} fault={fault} at={at} site={site} now={now} until={over && answer ? Date.parse(answer.to) : undefined} pace={pace} />)}
      </ul>
    </section>
  );
}

/** until: the end of days that are over. */
function OneFault({ fault: f, at, site, now, until, pace }: { fault: Fault; at: string; site: Site; now: number; until: number | undefined; pace: Pace }) {
  return (
    <li data-fault={f.code}>
      <Mark sort="fault" />
      <div>
        <h3><span data-words>{faultName(f)}</span><span class="aside" data-words> {f.text && `code ${f.code}, `}{f.subject}</span></h3>
        <FaultSentence fault={f} at={at} timeZone={site.timezone} over={until !== undefined} />
        {f.came.length > 0 && (
          <ol class="came" aria-label={`When ${faultName(f)} came`}>
            {f.came.map((c) => <Came key={c.from} came={c} fault={f} site={site} now={now} until={until} pace={pace} />)}
          </ol>
        )}
        {f.times > f.came.length && <p class="aside">Only the latest are listed; the book has them all.</p>}
      </div>
    </li>
  );
}

/** "3 times; last Wed 25 Nov 10:40:00; on for 14 min 0 s in all." */
export function FaultSentence({ fault: f, at, timeZone, over }: { fault: Fault; at: string; timeZone: string; over: boolean }) {
  const on = <Num value={f.on_s} at={`${at}/on_s`}>{duration(f.on_s * 1000)}</Num>;
  const came = f.times > 2 ? <><Num value={f.times} at={`${at}/times`}>{f.times}</Num> times</> : f.times === 2 ? 'Twice' : 'Once';
  return (
    <p>
      {f.times === 0 || f.last === null ? 'On since before these days' : <>{came}; {f.times > 1 && 'last '}<Moment ms={Date.parse(f.last)} timeZone={timeZone} /></>}
      {!f.on ? '; on for ' : over ? '; still on at the end of these days, ' : '; still on, '}{on}{f.times > 1 && ' in all'}
      {f.unseen_s > 0 && <>, of which <Num value={f.unseen_s} at={`${at}/unseen_s`}>{duration(f.unseen_s * 1000)}</Num> unread</>}.
    </p>
  );
}

export const Moment = ({ ms, timeZone }: { ms: number; timeZone: string }) => <time dateTime={new Date(ms).toISOString()}>{day(ms, timeZone)} {clock(ms, timeZone)}</time>;

/** So much is shown before and after, ms; of a long fault its beginning. */
const beforeMs = 5 * 60_000;
const mostMs = 2 * 3_600_000;

/**
 * What is drawn of a time that a fault was on: from before it came until after it went.
 * until: the end of days that are over, beyond which nobody told whether it was still on.
 */
export function aroundOf(came: FaultCame, now: number, until = now): { from: number; to: number } {
  const from = Date.parse(came.from) - beforeMs;
  const end = came.to === null ? until : Date.parse(came.to) + beforeMs;
  return { from, to: Math.min(end, from + mostMs, Math.max(now, from + 60_000)) };
}

interface CameProps {
  came: FaultCame;
  fault: Fault;
  site: Site;
  now: number;
  until: number | undefined;
  pace: Pace;
}

function Came({ came, fault, site, now, until, pace }: CameProps) {
  const [open, setOpen] = useState(false);
  const from = Date.parse(came.from);
  return (
    <li>
      <details onToggle={(e) => setOpen(e.currentTarget.open)}>
        <summary>
          <Moment ms={from} timeZone={site.timezone} />{came.to ? <> to <time dateTime={came.to}>{clock(Date.parse(came.to), site.timezone)}</time></> : until === undefined ? ', still on' : ', on beyond these days'}
          <span class="visually-hidden">: what was read around {faultName(fault)}</span>
        </summary>
        {open && <Around came={came} fault={fault} site={site} now={now} until={until} pace={pace} />}
      </details>
    </li>
  );
}

/** Pressure and power, and what the machine did, around a time that a fault was on. */
function Around({ came, fault, site, now, until, pace }: CameProps) {
  const [ref, width] = useWidth<HTMLDivElement>();
  const [window] = useState(() => aroundOf(came, now, until)); // it does not move on while it is looked at
  const machines = site.machines.filter((m) => m.name === fault.subject).map((m) => m.name);
  const ids = firstChannels(site, machines.length > 0 ? machines : site.machines.map((m) => m.name)).slice(0, 3);
  const channels = knownChannels(site, ids);
  const query = new URLSearchParams({ layout: 'columns', from: new Date(window.from).toISOString(), to: new Date(window.to).toISOString(), points: '600' });
  for (const id of ids) query.append('channel', id);
  for (const m of machines) query.append('state', m);
  const key = query.toString();
  const asked = useAsked<ColumnsAnswer>(pace, { key, ask: async (signal) => (await answerOf('/api/v1/series', query, signal)) as ColumnsAnswer });
  const answer = asked.value.value;
  const cells = new Map<string, Cells>((answer?.series ?? []).map((s) => [s.channel, decode(s)]));
  const lanes = lanesOf({ site, channels, machines, system: units.value, height: 220 }, (id) => cells.get(id) ?? none);
  const states = (answer?.states ?? []).map((b) => ({ machine: b.machine, runs: fromAnswer(b.runs) }));
  const x = (ms: number) => leftPx + ((Math.min(ms, window.to) - window.from) / (window.to - window.from)) * innerPx(width);
  const [a, b] = [Date.parse(came.from), came.to === null ? window.to : Date.parse(came.to)];
  const view = { from: window.from, to: window.to };
  return (
    <div class="around" ref={ref}>
      <Standing asked={asked} what="the readings" question={key} />
      {answer && width > 0 && (
        <div class="around-picture" role="img" aria-label={`${faultName(fault)} shaded. ${summary(lanes, window.from, window.to, 0, site.timezone)}`}>
          <div class="around-on" style={{ left: `${x(a).toFixed(1)}px`, width: `${Math.max(2, x(b) - x(a)).toFixed(1)}px` }} />
          <Picture {...view} lanes={lanes} states={states} width={width} timeZone={site.timezone} colours={colours.value} />
        </div>
      )}
      <p class="aside">The shaded time is the fault’s own{b > window.to || (came.to === null && until !== undefined) ? '; it lasted on beyond what is drawn' : ''}. <a href={traceHref({ channels: ids, machines, ...view, a, b: came.to === null ? undefined : b })}>Look at it in Trace</a></p>
      {answer && <PlotTable site={site} channels={channels} window={window} system={units.value} pace={pace} now={now} title={`${faultName(fault)}, ${day(a, site.timezone)} ${clock(a, site.timezone)}`} />}
    </div>
  );
}
