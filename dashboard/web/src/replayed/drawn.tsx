// What was measured and what is replayed on the same axes.
import { useMemo, useState } from 'preact/hooks';
import { answerOf, type ColumnsAnswer, type ReplayAnswer, type ReplayTracePoint, type Site, type StateName } from '../api';
import { useAsked, type Pace } from '../api/asked';
import { fromAnswer } from '../chart/runs';
import { SkylineKey } from '../chart/skyline';
import { Num } from '../figure/number';
import { stateWord } from '../machine/sentence';
import { useWidth } from '../look/measure';
import { Twin, type TwinRow } from '../look/twin';
import { Plot, PlotKeys } from '../plot/plot';
import type { Lane, PlotStates } from '../plot/types';
import { colours } from '../settings';
import { converted, decode, none } from '../trace/decode';
import { traceHref } from '../trace/address';
import { channelDisplay, convert, displayOf, fixed, type UnitSystem } from '../units/units';
import { clock, day } from '../units/words';
import { busiestHour, curveOf, eventsOf, runsOf } from './traces';

interface Span { from: number; to: number }
const tableRows = 40;
const minuteMs = 60_000;

interface DrawnProps {
  site: Site;
  answer: ReplayAnswer;
  pace: Pace;
  system: UnitSystem;
}

export function Drawn({ site, answer, pace, system }: DrawnProps) {
  const least = Date.parse(answer.from);
  const most = Date.parse(answer.to);
  const trace = answer.present.trace ?? [];
  const hour = useMemo(() => busiestHour(trace), [answer]);
  const first = hour ?? { from: least, to: Math.min(most, least + 24 * 60 * minuteMs) };
  const [view, setView] = useState<Span>(first);
  const [moving, setMoving] = useState<Span | undefined>(undefined);
  const [hidden, setHidden] = useState<string[]>([]);
  const [cursors, setCursors] = useState<{ a: number | undefined; b: number | undefined }>({ a: undefined, b: undefined });
  const [ref, width] = useWidth<HTMLDivElement>();
  const shown = moving ?? view;
  const measured = useMeasured(site, answer, view, width, pace);
  const told = answer.alternatives.filter((a) => (a.outcome.trace ?? []).length > 0);
  const display = displayOf('pressure', system);
  const channel = site.channels.find((c) => c.id === measured.channel);
  const value = measured.asked.value.value;
  const lanes = useMemo((): Lane[] => {
    if (!display) return [];
    const cells = value && channel ? decode(value.series[0] ?? emptySeries) : none;
    const d = channel && channelDisplay(channel, system);
    const curves = [
      { id: 'measured', name: 'measured', ...converted(cells, d?.scale ?? 1, d?.offset ?? 0), look: 5, decimals: 1, bit: false },
      curveOf('present', 'replayed as it is', trace, display, 0),
      ...told.map((a, i) => curveOf(`alt ${i}`, a.name, a.outcome.trace ?? [], display, lookOfAlternative(i))),
    ].filter((c) => !hidden.includes(c.id));
    const minimum = site.systems.find((s) => s.name === answer.system)?.minimum_pressure_pa;
    return [{ key: 'pressure', unit: display.unit, curves, guides: minimum === undefined ? [] : [{ value: convert(display, minimum), text: 'minimum', below: true }], zeroBased: false, height: width < 600 ? 200 : 300 }];
  }, [answer, value, system, hidden, width]);
  const states = useMemo((): PlotStates[] => statesOf(answer, value, told.filter((_, i) => !hidden.includes(`alt ${i}`)), most), [answer, value, hidden]);
  if (trace.length === 0) return <p class="absent">The window is too long for traces of all that is tried: choose fewer days, or fewer alternatives.</p>;
  const whole = shown.from <= least && shown.to >= most;
  return (
    <section class="drawn" aria-labelledby="drawn-title">
      <h2 id="drawn-title">Measured and replayed, on the same axes</h2>
      <p class="aside">
        Shown first is the hour in which the machines loaded most often. The pressure is that of the stores; what users saw inside a minute is in the measured line only.
      </p>
      <div class="choose" role="group" aria-label="How much time">
        {hour && <button type="button" aria-pressed={shown.from === hour.from && shown.to === hour.to} onClick={() => setView(hour)}>The hour with the most loads</button>}
        <button type="button" aria-pressed={whole} onClick={() => setView({ from: least, to: most })}>All of it</button>
      </div>
      <fieldset class="which">
        <legend class="visually-hidden">Which lines are drawn</legend>
        {[['measured', 'measured'], ['present', 'replayed as it is'], ...told.map((a, i) => [`alt ${i}`, a.name])].map(([id = '', name = '']) => (
          <label key={id}><input type="checkbox" checked={!hidden.includes(id)} onChange={() => setHidden(hidden.includes(id) ? hidden.filter((h) => h !== id) : [...hidden, id])} /> <span data-words>{name}</span></label>
        ))}
      </fieldset>
      <div class="replay-plot" ref={ref} data-words data-fresh={value !== undefined}>
        {width > 0 && (
          <Plot
            from={shown.from} to={shown.to} least={least} most={most} lanes={lanes} states={states} marks={[]} chosen="" a={cursors.a} b={cursors.b}
            width={width} timeZone={site.timezone} colours={colours.value}
            onView={(from, to, done) => { if (done) { setMoving(undefined); setView({ from: Math.round(from), to: Math.round(to) }); } else setMoving({ from, to }); }}
            onCursor={(which, at) => setCursors({ ...cursors, [which]: at === undefined ? undefined : Math.round(at) })} onMark={() => undefined} onPoint={() => undefined}
          />
        )}
      </div>
      {measured.asked.error.value && <p class="standing warn" role="status">The measured readings could not be fetched: {measured.asked.error.value}. Trying again.</p>}
      <SkylineKey runs={states.flatMap((s) => s.runs)} words={stateWord} />
      <PlotKeys />
      <p><a href={traceHref({ channels: measured.channel ? [measured.channel] : [], machines: machinesOf(answer), from: view.from, to: view.to })}>These readings in Trace</a></p>
      <Twin
        title="Both pressures at the events of this time"
        columns={[{ title: 'Time' }, { title: 'Machines, replayed' }, { title: `Replayed, ${display?.unit ?? ''}`, number: true }, { title: `Measured, ${display?.unit ?? ''}`, number: true }]}
        rows={() => eventsOf(trace, view.from, view.to, tableRows).map((e) => eventRow(e.point, e.index, site, measured.address, value, system))}
      />
    </section>
  );
}

const emptySeries: ColumnsAnswer['series'][number] = { channel: '', unit: '', start_ms: 0, step_ms: 1, count: [], min: [], max: [], mean: [] };
/** Measured is the strong broken line, the present the first look; alternatives take the others. */
const lookOfAlternative = (i: number): number => [1, 2, 3, 6, 7, 4][i % 6] ?? 1;
const machinesOf = (answer: ReplayAnswer): string[] => answer.measured.machines.map((m) => m.machine);

/** The measured pressure of the stores and the machines' states, for what is shown. */
function useMeasured(site: Site, answer: ReplayAnswer, view: Span, width: number, pace: Pace) {
  const channel = site.systems.find((s) => s.name === answer.system)?.pressure;
  // A little more than is shown, so that lines run to the edges.
  const edge = Math.max(minuteMs, (view.to - view.from) / 20);
  const from = Math.max(Date.parse(answer.from), Math.floor((view.from - edge) / minuteMs) * minuteMs);
  const to = Math.min(Date.parse(answer.to), Math.ceil((view.to + edge) / minuteMs) * minuteMs);
  const query = new URLSearchParams({ layout: 'columns', from: new Date(from).toISOString(), to: new Date(to).toISOString(), points: width < 600 ? '700' : '1400' });
  if (channel) query.append('channel', channel);
  for (const m of machinesOf(answer)) if (site.machines.some((s) => s.name === m)) query.append('state', m);
  const asked = useAsked<ColumnsAnswer>(pace, { key: query.toString(), ask: async (s) => (await answerOf('/api/v1/series', query, s)) as ColumnsAnswer });
  return { channel, asked, address: `/api/v1/series?${query.toString()}` };
}

function statesOf(answer: ReplayAnswer, value: ColumnsAnswer | undefined, told: ReplayAnswer['alternatives'], end: number): PlotStates[] {
  return answer.present.machines.flatMap((m) => [
    { machine: `${m.machine}, measured`, runs: fromAnswer(value?.states?.find((s) => s.machine === m.machine)?.runs) },
    { machine: `${m.machine}, replayed as it is`, runs: runsOf(answer.present, m.machine, end) },
    ...told.filter((a) => a.outcome.machines.some((o) => o.machine === m.machine)).map((a) => ({ machine: `${m.machine}, ${a.name}`, runs: runsOf(a.outcome, m.machine, end) })),
  ]);
}

function eventRow(p: ReplayTracePoint, index: number, site: Site, address: string, value: ColumnsAnswer | undefined, system: UnitSystem): TwinRow {
  const display = displayOf('pressure', system);
  const series = value?.series[0];
  const channel = site.channels.find((c) => c.id === series?.channel);
  const k = series === undefined ? -1 : series.step_ms > 0 ? Math.floor((p.at_ms - series.start_ms) / series.step_ms) : (series.at ?? []).filter((ms) => series.start_ms + ms <= p.at_ms).length - 1;
  const mean = series?.mean[k];
  return {
    key: String(index),
    cells: [
      <time dateTime={new Date(p.at_ms).toISOString()}>{`${day(p.at_ms, site.timezone)} ${clock(p.at_ms, site.timezone)}`}</time>,
      <span>{p.states.map((s) => stateWord[s as StateName] ?? s).join(', ')}</span>,
      display ? <Num value={p.pressure_pa} at={`/answer/present/trace/${index}/pressure_pa`}>{fixed(convert(display, p.pressure_pa), display.decimals)}</Num> : '',
      channel && typeof mean === 'number'
        ? <span data-answer={address}><Num value={mean} at={`/series/0/mean/${k}`}>{fixed(convert(channelDisplay(channel, system), mean), channelDisplay(channel, system).decimals)}</Num></span>
        : <span class="absent">no reading</span>,
    ],
  };
}
