// Which cycle or start the reader has picked, and what belongs to it. A pick is
// a moment, so that it stays the same in another answer. Pure.
import type { CyclesAnswer, LoadCycle, UnloadsAnswer } from '../api';

export interface Picked {
  /** places in the answer's lists; -1: none */
  cycle: number;
  start: number;
  /** Unix ms */
  at: number;
}

export const loadAt = (c: LoadCycle) => Date.parse(c.start);
export const unloadAt = (c: LoadCycle) => loadAt(c) + c.loaded_s * 1000;
/** When the next load came, or as far as the cycle is known. */
export const endAt = (c: LoadCycle) => loadAt(c) + (c.cycle_s ?? c.loaded_s + c.unloaded_s) * 1000;
const beginAt = (c: LoadCycle) => (c.started === undefined ? loadAt(c) : Date.parse(c.started));

/** What lies at a moment; undefined: the answer has nothing there. */
export function pickedAt(answer: CyclesAnswer, at: number | undefined): Picked | undefined {
  if (at === undefined) return undefined;
  // A start lies in the rest of the cycle before it, but it is that of the next.
  const exact = answer.starts.list.findIndex((s) => Date.parse(s.at) === at);
  const led = answer.starts.list[exact]?.at;
  let cycle = answer.cycles.length - 1;
  for (; cycle >= 0; cycle--) {
    const c = answer.cycles[cycle];
    if (c && (led === undefined ? beginAt(c) <= at && at < endAt(c) : c.started === led)) break;
  }
  const start = exact >= 0 ? exact : answer.starts.list.findIndex((s) => s.at === answer.cycles[cycle]?.started);
  return cycle < 0 && start < 0 ? undefined : { cycle, start, at };
}

/** The unload of a cycle among the curves; its clock and the monotonic one may be a moment apart. */
export function unloadOf(answer: UnloadsAnswer | undefined, c: LoadCycle | undefined): number {
  if (!answer || !c) return -1;
  return answer.unloads.findIndex((u) => Math.abs(Date.parse(u.start) - unloadAt(c)) <= 1_000);
}

/** So many places around one, within a list. */
export function around(at: number, length: number, rows: number): { first: number; last: number } {
  const first = Math.max(0, Math.min(at - Math.floor(rows / 2), length - rows));
  return { first, last: Math.min(length, first + rows) };
}

/** Where a key leads in a list; undefined: it is no key of ours. */
export function moved(key: string, at: number, length: number, page: number): number | undefined {
  const to = { ArrowDown: at + 1, ArrowUp: at - 1, PageDown: at + page, PageUp: at - page, Home: 0, End: length - 1 }[key];
  return to === undefined ? undefined : Math.max(0, Math.min(length - 1, to));
}
