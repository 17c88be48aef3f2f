// What the page asks for.
import { fetchCycles, fetchFiguresOf, fetchUnloads, type CyclesAnswer, type FiguresAnswer, type UnloadsAnswer } from '../api';
import { useAsked, type Asked } from '../api/asked';
import { answerAddress } from '../figure/number';
import type { Live } from '../live/live';

export interface Window {
  from: string;
  to: string;
}

/** Curves that are laid over one another, and points of each. */
export const curves = { limit: 120, seconds: 180, points: 60 };
/** Cycles, and starts, that are listed: more dots than that only hide one another. */
const listed = 240;
/** A window that ends now is asked for again after so long. */
const everyMs = 60_000;

export function useLoads(live: Live, machine: string, window: Window): { key: string; cycles: Asked<CyclesAnswer>; unloads: Asked<UnloadsAnswer>; figures: Asked<FiguresAnswer> } {
  const pace = { held: live.held, tick: live.figuresTick };
  const key = `${machine} ${window.from} ${window.to}`;
  const every = window.to === 'now' ? everyMs : undefined;
  const ask = { ...window, machine };
  return {
    key,
    cycles: useAsked(pace, { key, everyMs: every, ask: (signal) => fetchCycles({ ...ask, limit: listed }, signal) }),
    unloads: useAsked(pace, { key, everyMs: every, ask: (signal) => fetchUnloads({ ...ask, ...curves }, signal) }),
    figures: useAsked(pace, { key, everyMs: every, ask: (signal) => fetchFiguresOf(ask, signal) }),
  };
}

export const cyclesAddress = (a: CyclesAnswer) => answerAddress('/api/v1/cycles', { from: a.from, to: a.to, machine: a.machine, limit: String(listed) });

export function unloadsAddress(a: UnloadsAnswer): string {
  const { limit, seconds, points } = curves;
  return answerAddress('/api/v1/unloads', { from: a.from, to: a.to, machine: a.machine, limit: String(limit), seconds: String(seconds), points: String(points) });
}
