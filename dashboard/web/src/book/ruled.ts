// The week as a ruled page: which stretches of each day's line are thick, and
// where the marks stand. Pure, so that it can be tested.
import type { Event } from '../api';
import { clockMinute, localDate } from '../units/words';
import { setupChanged, siteTime, sortOf, type Sort } from './words';

type Turning = 'turning' | 'resting' | 'unknown';

export interface Stretch {
  from: number;
  to: number;
  what: Turning;
}

export interface Ruled {
  date: string;
  from: number;
  to: number;
  stretches: Stretch[];
  marks: { at: number; until: number; sort: Sort }[];
}

const running = new Set(['starting', 'unloaded', 'loaded', 'part-load']);

const turning = (state: string): Turning => (state === 'unobserved' ? 'unknown' : running.has(state) ? 'turning' : 'resting');

/** When motors turned: at least one of them, or none, or nobody knows of any. */
export function stretches(week: Event[], current: Map<string, string>, from: number, to: number): Stretch[] {
  const states = new Map<string, string>(current);
  const turns = week.filter((e) => e.kind === 'state');
  // What held before a machine's first change; without a change, what holds now.
  for (const e of [...turns].reverse()) states.set(e.subject, e.data.from ?? 'unobserved');
  const all = (): Turning => {
    const now = [...states.values()].map(turning);
    return now.includes('turning') ? 'turning' : now.includes('resting') ? 'resting' : 'unknown';
  };
  const out: Stretch[] = [];
  let at = from;
  const until = (ms: number) => {
    const what = all();
    const last = out.at(-1);
    if (ms > at) {
      if (last?.what === what) last.to = ms;
      else out.push({ from: at, to: ms, what });
      at = ms;
    }
  };
  for (const e of turns) {
    until(Math.min(to, Date.parse(e.time)));
    states.set(e.subject, e.data.to ?? 'unobserved');
  }
  until(to);
  return out;
}

const marked = new Set<Sort>(['fault', 'note', 'setup', 'line', 'agent']);

/** A mark for each happening worth one; a fault's reaches to its end. */
function marks(week: Event[], to: number): Ruled['marks'] {
  const out: Ruled['marks'] = [];
  const open = new Map<string, Ruled['marks'][number]>();
  for (const e of week) {
    const sort = sortOf(e);
    const at = Date.parse(e.time);
    if (e.kind === 'fault') {
      const key = e.data.channel ?? '';
      const before = open.get(key);
      if (before) before.until = at;
      open.delete(key);
      if (e.data.state !== 'raised') continue;
      const mark = { at, until: to, sort };
      open.set(key, mark);
      out.push(mark);
    } else if (marked.has(sort) && (sort !== 'setup' || setupChanged(e))) out.push({ at, until: at, sort });
  }
  return out;
}

/** One ruled line a local day, the newest first. */
export function ruledDays(week: Event[], current: Map<string, string>, from: number, to: number, timeZone: string): Ruled[] {
  const lines = stretches(week, current, from, to);
  const all = marks(week, to);
  const days: Ruled[] = [];
  for (let end = to; end > from; ) {
    const date = localDate(end - 1, timeZone);
    const begin = siteTime(`${date}T00:00`, timeZone) ?? end - 86_400_000;
    const next = nextMidnight(begin, timeZone);
    days.push({
      date, from: begin, to: next,
      stretches: lines.filter((s) => s.to > begin && s.from < next).map((s) => ({ ...s, from: Math.max(s.from, begin), to: Math.min(s.to, next) })),
      marks: all.filter((m) => m.at >= begin && m.at < next),
    });
    end = Math.min(begin, end - 1);
  }
  return days;
}

/** The end of the local day that begins at a moment: 23, 24 or 25 hours on. */
function nextMidnight(begin: number, timeZone: string): number {
  const date = localDate(begin + 26 * 3_600_000, timeZone);
  return siteTime(`${date}T00:00`, timeZone) ?? begin + 86_400_000;
}

/** Hours of the day that get a label, with their moments. */
export function hourMarks(day: Ruled, timeZone: string): { at: number; text: string }[] {
  return ['00:00', '06:00', '12:00', '18:00']
    .map((text) => ({ text, at: siteTime(`${day.date}T${text}`, timeZone) ?? NaN }))
    .filter((m) => clockMinute(m.at, timeZone) === m.text);
}
