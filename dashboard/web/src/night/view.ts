// What the page After hours draws, of an answer of /api/v1/nights. Pure.
import type { NightsAnswer } from '../api';
import { addDays } from '../look/days';
import { clockMinute, localDate } from '../units/words';

export type Found = NightsAnswer['quarters']['found'][number];

/** A quarter hour in its place: slot 0 begins at noon. */
export interface Quarter {
  /** place in the answer */
  index: number;
  slot: number;
  found: Found;
  flow: number | null;
}

/** From one noon to the next, so that a night stands in one piece. */
export interface NightRow {
  /** the local date of the first noon */
  date: string;
  from: number;
  to: number;
  quarters: Quarter[];
}

export const slots = 96;

export const foundWords: Record<Found, string> = {
  taken: 'quiet, and taken',
  restless: 'more flows than at the night’s level',
  busy: 'of a night in which somebody worked',
  short: 'level, but not for long enough',
  empty: 'pressure too low to tell leaks',
  unseen: 'not observed well enough',
  shift: 'in a shift',
};

/** The order in which they are told. */
export const foundOrder: Found[] = ['taken', 'restless', 'short', 'busy', 'empty', 'unseen', 'shift'];

export function rowsOf(answer: NightsAnswer, timeZone: string): NightRow[] {
  const rows: NightRow[] = [];
  const first = Date.parse(answer.quarters.from);
  const stepMs = answer.step_s * 1000;
  answer.quarters.found.forEach((found, index) => {
    const at = first + index * stepMs;
    const [hour = 0, minute = 0] = clockMinute(at, timeZone).split(':').map(Number);
    const date = hour < 12 ? addDays(localDate(at, timeZone), -1) : localDate(at, timeZone);
    let row = rows.at(-1);
    if (row?.date !== date) {
      row = { date, from: at, to: at, quarters: [] };
      rows.push(row);
    }
    row.to = at + stepMs;
    row.quarters.push({ index, slot: Math.floor(((hour * 60 + minute + 720) % 1440) / 15), found, flow: answer.quarters.flow_m3s[index] ?? null });
  });
  // Before the record begins and after it ends, nights only take room; one that is missing in between is shown.
  const told = (r: NightRow) => r.quarters.some((q) => q.found !== 'unseen' && q.found !== 'shift');
  const begin = rows.findIndex(told);
  const end = rows.length - [...rows].reverse().findIndex(told);
  return begin < 0 ? [] : rows.slice(begin, end);
}

/** The flow at which a bar is as high as its row: well above what was taken, so that quiet is told from noise. */
export function ceiling(answer: NightsAnswer): number {
  let most = 0;
  answer.quarters.found.forEach((f, i) => { if (f === 'taken') most = Math.max(most, answer.quarters.flow_m3s[i] ?? 0); });
  if (most === 0) for (const v of answer.quarters.flow_m3s) most = Math.max(most, v ?? 0);
  return most * 2.5;
}

/** A stretch of quarter hours of which the same became. */
export interface Stretch {
  found: Found;
  from: number;
  to: number;
}

export function stretches(row: NightRow, answer: NightsAnswer): Stretch[] {
  const first = Date.parse(answer.quarters.from);
  const stepMs = answer.step_s * 1000;
  const all: Stretch[] = [];
  for (const q of row.quarters) {
    const last = all.at(-1);
    const from = first + q.index * stepMs;
    if (last?.found === q.found) last.to = from + stepMs;
    else all.push({ found: q.found, from, to: from + stepMs });
  }
  return all;
}

/** The nights that begin in a row, by their places in the answer. */
export function nightsIn(row: NightRow, answer: NightsAnswer): number[] {
  return answer.nights.flatMap((n, i) => {
    const from = Math.max(Date.parse(n.from), Date.parse(answer.quarters.from));
    return from >= row.from && from < row.to ? [i] : [];
  });
}
