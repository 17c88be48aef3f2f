// Which time the book's faults and picture are of: the local days that the address
// names, else today and the six days before it. Pure.
import { addDays, count, daysOf, type Days } from '../look/days';
import { siteTime } from './words';

export interface BookWindow {
  /** Unix ms */
  from: number;
  to: number;
  /** the picture begins later where there are more days than are drawn */
  drawnFrom: number;
  /** how many days in words */
  days: number;
  /** the end is the present and moves on */
  now: boolean;
  /** the days as the address has them */
  dates: Days;
}

export const bookDays = 7;
/** Days that can be chosen, and those of them that are drawn, a line each. */
export const mostDays = 92;
export const drawnDays = 28;

export function bookWindow(query: URLSearchParams, now: number, timeZone: string): BookWindow {
  const dates = daysOf(query, now, timeZone, bookDays);
  const midnight = (date: string) => siteTime(`${date}T00:00`, timeZone) ?? Date.parse(date);
  const days = count(dates);
  return {
    from: midnight(dates.from), to: dates.now ? now : midnight(addDays(dates.to, 1)),
    drawnFrom: midnight(addDays(dates.to, 1 - Math.min(days, drawnDays))), days, now: dates.now, dates,
  };
}
