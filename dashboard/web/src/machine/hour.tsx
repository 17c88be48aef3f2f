// The last hour: pressure, power and what the machine did, on one time scale.
import { useMemo, useState } from 'preact/hooks';
import type { MachineState, Site, SiteChannel, SiteMachine } from '../api';
import type { Columns } from '../chart/cells';
import { between, note, type Run } from '../chart/runs';
import { SkylineKey } from '../chart/skyline';
import { Known } from '../figure/known';
import { hourMs, type HourRecorder } from '../live/hour';
import type { Live, View } from '../live/live';
import { useWidth } from '../look/measure';
import { reasonWords } from '../look/words';
import { has } from '../pages';
import { innerPx, leftPx } from '../plot/ink';
import { Picture } from '../plot/picture';
import type { Lane as PlotLane, PlotGuide } from '../plot/types';
import { summary } from '../plot/words';
import { colours } from '../settings';
import { traceHref } from '../trace/address';
import { channelDisplay, convert, displayOf, fixed, type Display, type UnitSystem } from '../units/units';
import { clock } from '../units/words';
import { HourTable } from './hourtable';
import { stateWord } from './sentence';
import { mainPressure, powerChannel, systemOf } from './taps';

interface Lane {
  channel: SiteChannel;
  display: Display;
  columns: Columns;
}

/** The charts follow at most once in this time; the figures beside them are quicker. */
const stepMs = 2_000;

export function Hour({ live, site, view, machine, state, recorder, system }: {
  live: Live; site: Site; view: View; machine: SiteMachine; state: MachineState | undefined; recorder: HourRecorder; system: UnitSystem;
}) {
  const [ref, width] = useWidth<HTMLDivElement>();
  const [point, setPoint] = useState<number | null>(null);
  const status = recorder.status.value;
  const to = Math.ceil(view.now / stepMs) * stepMs;
  const from = to - hourMs;

  const lane = (channel: SiteChannel | undefined): Lane | undefined => {
    const ring = channel && recorder.rings.get(channel.id);
    if (!channel || !ring) return undefined;
    const display = channelDisplay(channel, system);
    return { channel, display, columns: ring.columns((v) => convert(display, v)) };
  };
  const lanes = useMemo(
    () => ({ pressure: lane(mainPressure(site, machine)), power: lane(powerChannel(site, machine)) }),
    [site, machine, recorder, system, to, status],
  );
  const runs = useMemo(() => runsNow(recorder.runs, state, view.connection === 'live' ? view.now : view.heard, from), [recorder, state, to, status]);
  const guides = useMemo(() => guidesOf(site, machine, system), [site, machine, system]);
  const drawn = useMemo(() => [
    ...lanes.pressure ? [plotLane(lanes.pressure, 0, 190, guides, false)] : [],
    ...lanes.power ? [plotLane(lanes.power, 1, 100, [], true)] : [],
  ], [lanes, guides]);
  const states = useMemo(() => [{ machine: machine.name, runs }], [machine, runs]);
  const pointed = (e: PointerEvent) => {
    const at = from + ((e.clientX - (ref.current?.getBoundingClientRect().left ?? 0) - leftPx) / innerPx(width)) * hourMs;
    setPoint(at >= from && at < to ? at : null);
  };
  const channels = [lanes.pressure, lanes.power].flatMap((l) => (l ? [l.channel] : []));

  return (
    <section class="hour" aria-labelledby="hour-title">
      <h2 id="hour-title">The last hour</h2>
      <p class="readout" aria-hidden="true">{point === null ? '' : readout(point, lanes.pressure, lanes.power, runs, site.timezone)}</p>
      {status !== 'loading' && status !== 'ready' && <p class="warn">History could not be fetched: {status}. Readings that come are drawn; trying again.</p>}
      {channels.length === 0 && <p class="absent">The site file gives this machine neither a pressure nor a power channel to draw.</p>}
      <div ref={ref} class="hour-plot" role="img" aria-label={`${summary(drawn, from, to, 0, site.timezone)} ${runs.length} stretches of state. The table below has the numbers.`} onPointerMove={pointed} onPointerLeave={() => setPoint(null)}>
        {width > 0 && <Picture lanes={drawn} states={states} from={from} to={to} width={width} timeZone={site.timezone} colours={colours.value} />}
        {point !== null && <span class="hour-at" style={{ left: `${leftPx + ((point - from) / hourMs) * innerPx(width)}px` }} />}
      </div>
      <SkylineKey runs={runs} words={stateWord} />
      {has('trace') && <p class="hour-look"><a href={traceHref({ channels: channels.map((c) => c.id), machines: [machine.name], span: hourMs })}>Open this hour in Trace</a></p>}
      <Known title="the last hour" facts={{ method: `a point is the mean of some seconds of readings, the band around it their lowest and highest; ${state?.method ? `states are told ${state.method}; ` : ''}hatched: not observed`, inputs: channels.map((c) => c.id) }} />
      <HourTable pace={{ held: live.held }} site={site} channels={channels} runs={runs} now={view.now} system={system} />
    </section>
  );
}

function plotLane(l: Lane, look: number, height: number, guides: PlotGuide[], zeroBased: boolean): PlotLane {
  const { channel, display, columns } = l;
  const curve = { ...columns, id: channel.id, name: channel.name.replaceAll('_', ' '), look, decimals: display.decimals, bit: false };
  return { key: channel.id, unit: display.unit, curves: [curve], guides, zeroBased, height };
}

/** History and the state of now, which may have begun after the history was fetched. */
function runsNow(history: Run[], state: MachineState | undefined, heard: number, from: number): Run[] {
  let runs = history;
  if (state && runs.at(-1)?.state !== state.state) {
    const since = state.since === null ? (runs.at(-1)?.to ?? heard) : Date.parse(state.since);
    runs = note(runs, state.state, since, state.reason);
  }
  return between(runs, from, heard);
}

function guidesOf(site: Site, machine: SiteMachine, system: UnitSystem): PlotGuide[] {
  const d = displayOf('pressure', system);
  const plant = systemOf(site, machine);
  if (!d) return [];
  const guide = (pa: number | undefined, word: string): PlotGuide[] => {
    if (pa === undefined) return [];
    const value = convert(d, pa);
    return [{ value, below: word !== 'cut-out', text: `${word} ${fixed(value, d.decimals === 1 ? 0 : 1)}` }];
  };
  return [...guide(machine.cut_out_pa, 'cut-out'), ...guide(machine.cut_in_pa, 'cut-in'), ...guide(plant?.minimum_pressure_pa, 'minimum')];
}

function nearest(c: Columns, ms: number): number | undefined {
  let best: number | undefined;
  let distance = 30_000; // farther away nothing was read at this time
  for (const [i, t] of c.t.entries()) {
    const d = Math.abs(t - ms);
    const v = c.mean[i];
    if (d < distance && v !== undefined && !Number.isNaN(v)) {
      distance = d;
      best = v;
    }
  }
  return best;
}

function readout(ms: number, pressure: Lane | undefined, power: Lane | undefined, runs: Run[], zone: string): string {
  const out = [clock(ms, zone)];
  for (const l of [pressure, power]) {
    if (!l) continue;
    const v = nearest(l.columns, ms);
    out.push(v === undefined ? 'no reading' : `${fixed(v, l.display.decimals)} ${l.display.unit}`);
  }
  const run = runs.find((r) => r.from <= ms && ms < r.to);
  if (run) out.push(`${stateWord[run.state]}${run.reason ? ` (${reasonWords(run.reason)})` : ''}`);
  return out.join(' · ');
}
