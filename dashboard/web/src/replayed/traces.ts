// What was measured and what is replayed, as curves and bands of one plot. Pure.
import type { ReplayOutcome, ReplayTracePoint, StateName } from '../api';
import type { Run } from '../chart/runs';
import type { Curve } from '../plot/types';
import { convert, type Display } from '../units/units';

const known: readonly StateName[] = ['off', 'standby', 'starting', 'unloaded', 'loaded', 'part-load', 'stopped', 'tripped', 'unobserved'];

/** The replayed pressure: between two events it goes nearly straight. What was not observed is a gap. */
export function curveOf(id: string, name: string, trace: ReplayTracePoint[], display: Display, look: number): Curve {
  const gaps = trace.reduce((n, p, i) => n + (p.gap && i > 0 ? 1 : 0), 0);
  const t = new Float64Array(trace.length + gaps);
  const v = new Float64Array(trace.length + gaps);
  let at = 0;
  trace.forEach((p, i) => {
    const before = trace[i - 1];
    if (p.gap && before) {
      t[at] = (before.at_ms + p.at_ms) / 2;
      v[at++] = NaN;
    }
    t[at] = p.at_ms;
    v[at++] = convert(display, p.pressure_pa);
  });
  return { id, name, t, min: v, max: v, mean: v, look, decimals: display.decimals, bit: false };
}

/** What a machine did in a replay; it lasts until the next event. */
export function runsOf(outcome: ReplayOutcome, machine: string, end: number): Run[] {
  const index = outcome.machines.findIndex((m) => m.machine === machine);
  const trace = outcome.trace ?? [];
  const out: Run[] = [];
  if (index < 0) return out;
  const put = (state: StateName, from: number, to: number) => {
    const last = out.at(-1);
    if (last && last.state === state && last.to === from) last.to = to;
    else if (to > from) out.push({ state, from, to, reason: '' });
  };
  trace.forEach((p, i) => {
    const next = trace[i + 1];
    const state = known.find((s) => s === p.states[index]) ?? 'unobserved';
    put(next?.gap ? 'unobserved' : state, p.at_ms, next?.at_ms ?? end);
  });
  return out;
}

/** The hour of the window in which the machines loaded most often: where a band shows what it does. */
export function busiestHour(trace: ReplayTracePoint[]): { from: number; to: number } | undefined {
  const hour = 3_600_000;
  const loads = new Map<number, number>();
  let before = 0;
  for (const p of trace) {
    const now = p.states.filter((s) => s === 'loaded').length;
    const slot = Math.floor(p.at_ms / hour);
    if (now > before) loads.set(slot, (loads.get(slot) ?? 0) + 1);
    before = now;
  }
  let best: [number, number] | undefined;
  for (const entry of loads) if (!best || entry[1] > best[1]) best = entry;
  return best && { from: best[0] * hour, to: (best[0] + 1) * hour };
}

/** Events of a window, evenly thinned to so many; with the place of each in the trace. */
export function eventsOf(trace: ReplayTracePoint[], from: number, to: number, most: number): { point: ReplayTracePoint; index: number }[] {
  const all = trace.map((point, index) => ({ point, index })).filter((e) => e.point.at_ms >= from && e.point.at_ms < to);
  const step = Math.max(1, all.length / most);
  return Array.from({ length: Math.min(most, all.length) }, (_, i) => all[Math.floor(i * step)]).filter((e) => e !== undefined);
}
