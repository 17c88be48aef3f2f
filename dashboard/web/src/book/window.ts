// Which time the book's faults and picture are of: the last seven days to the
// moment, or the local days that the address names. Pure.
import { addDays, count, daysOf, type Days } from '../look/days';
import { siteTime } from './words';

export interface BookWindow {
  /** Unix ms */
  from: number;
  to: number;
  /** how many days in words */
  days: number;
  /** the end is the present and moves on */
  now: boolean;
  /** the days as the address has them */
  dates: Days;
}

const dayMs = 86_400_000;
export const bookDays = 7;
/** Days that can be chosen, and those of them that are drawn, a line each. */
export const mostDays = 92;
export const drawnDays = 28;

export function bookWindow(query: URLSearchParams, now: number, timeZone: string): BookWindow {
  const dates = daysOf(query, now, timeZone, bookDays);
  const days = count(dates);
  if (!query.has('from') && !query.has('to')) return { from: now - days * dayMs, to: now, days, now: true, dates };
  const midnight = (date: string) => siteTime(`${date}T00:00`, timeZone) ?? Date.parse(date);
  const from = midnight(dates.from);
  return { from, to: dates.now ? now : midnight(addDays(dates.to, 1)), days, now: dates.now, dates };
}
