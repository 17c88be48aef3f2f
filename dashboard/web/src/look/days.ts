// Which days a page shows: local dates of the site in the address, both
// included. Without them the last days up to now, which move on by themselves.
// Pure.
import { localDate } from '../units/words';

export interface Days {
  /** local dates, both included */
  from: string;
  to: string;
  /** to is today: the window ends now and moves on */
  now: boolean;
}

const dayMs = 86_400_000;
const isDate = (text: string | null): text is string => text !== null && /^\d{4}-\d{2}-\d{2}$/.test(text) && Number.isFinite(Date.parse(text));

/** A local date moved by so many days. */
export function addDays(date: string, days: number): string {
  return new Date(Date.parse(date) + days * dayMs).toISOString().slice(0, 10);
}

/** How many days a window has. */
export function count(d: Days): number {
  return Math.round((Date.parse(d.to) - Date.parse(d.from)) / dayMs) + 1;
}

/** The days that an address asks for; length is how many where it does not say. Nothing lies after today. */
export function daysOf(query: URLSearchParams, nowMs: number, timeZone: string, length = 7): Days {
  const today = localDate(nowMs, timeZone);
  const [from, to] = [query.get('from'), query.get('to')];
  const end = isDate(to) && to < today ? to : today;
  const start = isDate(from) && from <= end ? from : addDays(end, 1 - length);
  return { from: start, to: end, now: end === today };
}

/** The same days as the API takes them. */
export function apiWindow(d: Days): { from: string; to: string } {
  return { from: d.from, to: d.now ? 'now' : d.to };
}

/** So many days before or after; never past today. */
export function moved(d: Days, days: number, today: string): { from: string; to: string } {
  const over = Math.max(0, Math.round((Date.parse(addDays(d.to, days)) - Date.parse(today)) / dayMs));
  return { from: addDays(d.from, days - over), to: addDays(d.to, days - over) };
}
