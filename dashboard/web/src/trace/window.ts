// Which time Trace shows, and which it asks for. Pure.
import type { TraceView } from './address';

const second = 1_000;
const minute = 60 * second;
const hour = 60 * minute;
const day = 24 * hour;

export interface Span {
  from: number;
  to: number;
}

/** The spans that one button chooses. */
export const spans = [
  { key: 'hour', title: 'Hour', ms: hour },
  { key: 'day', title: 'Day', ms: day },
  { key: 'week', title: 'Week', ms: 7 * day },
] as const;

/** What is shown where the address says nothing of time. */
const firstSpan = day;

/** No shorter window says anything where readings come once a second. */
const leastSpan = 10 * second;

/** The window of a view. One that follows the present ends at now. */
export function windowOf(view: TraceView, now: number): Span {
  if (view.from !== undefined && view.to !== undefined) return { from: view.from, to: Math.max(view.to, view.from + leastSpan) };
  const span = Math.max(view.span ?? firstSpan, leastSpan);
  // It moves on by what can be seen to move.
  const step = Math.max(second, Math.floor(span / 1_200 / second) * second);
  const to = Math.floor(now / step) * step;
  return { from: to - span, to };
}

export const follows = (view: TraceView) => view.from === undefined || view.to === undefined;

/** What a follower of the present asks its slow questions about: it moves on by what matters, in a day by a minute and a half. */
export function slowly(w: Span, follow: boolean): Span {
  if (!follow) return w;
  const step = Math.max(15 * second, (w.to - w.from) / 1_000);
  const to = Math.floor(w.to / step) * step;
  return { from: Math.round(to - (w.to - w.from)), to: Math.round(to) };
}

/** The reader moved: what reaches the end of the record goes on to follow the present. */
export function moved(view: TraceView, to: Span, now: number): Partial<TraceView> {
  const span = to.to - to.from;
  const atEnd = to.to >= now - Math.max(2 * second, span / 300);
  if (atEnd && follows(view)) return { from: undefined, to: undefined, span };
  return { from: Math.round(to.from), to: Math.round(to.to), span: undefined };
}

/** A window of so long about the middle of another, within what is recorded. */
export function about(middle: number, span: number, least: number, now: number): Span {
  const length = Math.max(leastSpan, Math.min(span, now - least));
  const from = Math.min(Math.max(middle - length / 2, least), Math.max(least, now - length));
  return { from: Math.round(from), to: Math.round(from + length) };
}

/** Whether figures of one time may be told of another: they differ by what a follower of the present lets pass, no more. */
export function tells(answered: Span, asked: Span): boolean {
  const near = Math.max(30_000, (asked.to - asked.from) / 50);
  return Math.abs(answered.from - asked.from) <= near && Math.abs(answered.to - asked.to) <= near;
}

/** Widths of cells that the API has (agent/store), ms. */
const ladder = [1, 2, 5, 10, 15, 30].map((n) => n * second).concat([1, 2, 5, 15, 30].map((n) => n * minute), [1, 2, 6, 12, 24].map((n) => n * hour));

/** So many channels are drawn with two cells a pixel; more with fewer, for the sake of phones. */
const fineChannels = 12;

/** The width of cells for a window drawn so many pixels wide, ms. */
export function cellMs(span: number, width: number, channels: number): number {
  const wanted = span / Math.max(100, width);
  const at = channels <= fineChannels ? ladder.filter((w) => w <= wanted).at(-1) : ladder.find((w) => w >= wanted);
  return at ?? (channels <= fineChannels ? second : day);
}

export interface Wanted extends Span {
  cell: number;
}

/** What to ask for: half a window more on either side, on edges that the next moves share. */
export function wanted(shown: Span, cell: number, least: number, now: number): Wanted {
  const span = shown.to - shown.from;
  const edge = Math.max(cell, 2 ** Math.floor(Math.log2(span / cell / 8)) * cell);
  const from = Math.max(Math.floor((shown.from - span / 2) / edge) * edge, Math.floor(least / cell) * cell);
  const to = Math.min(Math.ceil((shown.to + span / 2) / edge) * edge, now);
  return { from, to: Math.max(to, from + cell), cell };
}

/** How many cells that is. */
export const points = (w: Wanted) => Math.max(1, Math.ceil((w.to - w.from) / w.cell));

/** Whether what was fetched shows a window as well as what would be asked for; reach: so long after its end live readings follow. */
export function serves(held: Wanted, shown: Span, cell: number, least: number, now: number, reach = 0): boolean {
  const covers = held.from <= Math.max(shown.from, least) + held.cell && held.to + reach >= Math.min(shown.to, now) - 2 * held.cell;
  return covers && held.cell <= cell && held.cell * 8 > cell;
}
