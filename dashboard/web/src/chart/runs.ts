// Stretches of time in one state over the last hour: history from /series, then
// the state messages as they come. Pure and bounded.
import type { StateName, StateRun } from '../api';

export interface Run {
  state: StateName;
  from: number;
  to: number;
  reason: string;
}

const limit = 2_000;

export function fromAnswer(runs: StateRun[] | undefined): Run[] {
  return (runs ?? []).map((r) => ({ state: r.state, from: Date.parse(r.from), to: Date.parse(r.to), reason: r.reason }));
}

/** Adds a change of state; the run before lasted until then. */
export function note(history: Run[], state: StateName, since: number, reason: string): Run[] {
  const kept = history.filter((r) => r.from < since).map((r) => ({ ...r }));
  const last = kept.at(-1);
  if (last) last.to = since;
  if (last?.state === state) return kept;
  kept.push({ state, from: since, to: since, reason });
  return kept.slice(-limit);
}

/** The runs between two moments, the last one carried on to the moment we last heard. */
export function between(history: Run[], from: number, heard: number): Run[] {
  return history
    .map((r, i) => ({ ...r, from: Math.max(r.from, from), to: i === history.length - 1 ? Math.max(r.to, heard) : r.to }))
    .filter((r) => r.to > r.from && r.to > from);
}

/** Stretches in which nothing was observed. */
export function gaps(runs: Run[]): Run[] {
  return runs.filter((r) => r.state === 'unobserved');
}

/** How much of the time between two moments was observed, ms. */
export function observedMs(history: Run[], from: number, heard: number): number {
  return between(history, from, heard).filter((r) => r.state !== 'unobserved').reduce((ms, r) => ms + r.to - r.from, 0);
}
