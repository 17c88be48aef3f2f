// Where an axis gets its marks and what they say. Times in the site's zone.
import { clock, clockMinute } from '../units/words';

/** The smallest of 1, 2, 5 times a power of ten that is not less than asked. */
export function niceStep(least: number): number {
  if (!(least > 0) || !Number.isFinite(least)) return 1;
  const power = 10 ** Math.floor(Math.log10(least));
  for (const f of [1, 2, 5]) if (f * power >= least * (1 - 1e-9)) return f * power;
  return 10 * power;
}

/** Round values between low and high, about so many but at least two, ascending. */
export function valueTicks(low: number, high: number, most: number): number[] {
  for (let n = Math.max(1, most); n < 100; n *= 1.5) {
    const out = roundValues(low, high, niceStep((high - low) / n));
    if (out.length >= 2) return out;
  }
  return [];
}

function roundValues(low: number, high: number, step: number): number[] {
  const out: number[] = [];
  for (let i = Math.ceil(low / step - 1e-9); i * step <= high + step * 1e-9; i++) out.push(Number((i * step).toPrecision(12)));
  return out;
}

interface TimeTick {
  at: number;
  text: string;
  /** begins a local day */
  midnight: boolean;
}

const sec = 1_000;
const min = 60 * sec;
const hour = 60 * min;
const dayMs = 24 * hour;
const steps = [sec, 2 * sec, 5 * sec, 10 * sec, 15 * sec, 30 * sec, min, 2 * min, 5 * min, 10 * min, 15 * min, 30 * min,
  hour, 2 * hour, 3 * hour, 6 * hour, 12 * hour, dayMs, 2 * dayMs, 7 * dayMs, 14 * dayMs];
/** 1 January 1970 was a Thursday: weeks begin on Monday. */
const mondayMs = 4 * dayMs;

const formats = new Map<string, Intl.DateTimeFormat>();

function wallFormat(timeZone: string): Intl.DateTimeFormat {
  let f = formats.get(timeZone);
  if (!f) {
    const options = { year: 'numeric', month: '2-digit', day: '2-digit', hour: '2-digit', minute: '2-digit', second: '2-digit', hourCycle: 'h23' } as const;
    try {
      f = new Intl.DateTimeFormat('en-GB', { ...options, timeZone });
    } catch {
      f = new Intl.DateTimeFormat('en-GB', { ...options, timeZone: 'UTC' }); // as units/words shows it
    }
    formats.set(timeZone, f);
  }
  return f;
}

/** Offsets change on quarter hours only; asking for one is slow. */
const quarter = 15 * min;
const offsets = new Map<string, number>();

/** What the site's clock is ahead of UTC at a moment, ms. */
export function offsetMs(ms: number, timeZone: string): number {
  const key = `${timeZone} ${Math.floor(ms / quarter)}`;
  let offset = offsets.get(key);
  if (offset === undefined) {
    if (offsets.size > 5_000) offsets.clear();
    offsets.set(key, (offset = offsetAt(Math.floor(ms / quarter) * quarter, timeZone)));
  }
  return offset;
}

function offsetAt(ms: number, timeZone: string): number {
  const p: Record<string, number> = {};
  for (const { type, value } of wallFormat(timeZone).formatToParts(ms)) p[type] = Number(value);
  const wall = Date.UTC(p.year ?? 0, (p.month ?? 1) - 1, p.day ?? 1, p.hour ?? 0, p.minute ?? 0, p.second ?? 0);
  return wall - ms;
}

/** The moment at which the site's clock shows a wall time; undefined: it never did. */
function momentOf(wall: number, near: number, timeZone: string): number | undefined {
  const first = wall - offsetMs(near, timeZone);
  const at = wall - offsetMs(first, timeZone);
  return offsetMs(at, timeZone) === wall - at ? at : undefined;
}

/** Round times of the site's clock, at most so many, ascending. */
export function timeTicks(from: number, to: number, most: number, timeZone: string): TimeTick[] {
  const least = (to - from) / Math.max(1, most);
  const step = steps.find((s) => s >= least);
  const start = from + offsetMs(from, timeZone);
  const end = to + offsetMs(to, timeZone);
  const walls: number[] = [];
  if (step === undefined) {
    const months = [1, 3, 6, 12].find((m) => m * 30 * dayMs >= least) ?? 12;
    const d = new Date(start);
    for (let m = Math.ceil((d.getUTCFullYear() * 12 + d.getUTCMonth()) / months) * months; ; m += months) {
      const wall = Date.UTC(Math.floor(m / 12), m % 12, 1);
      if (wall > end) break;
      walls.push(wall);
    }
  } else {
    const base = step >= 7 * dayMs ? mondayMs : 0;
    for (let wall = Math.ceil((start - hour - base) / step) * step + base; wall <= end + hour; wall += step) walls.push(wall);
  }
  const out: TimeTick[] = [];
  for (const wall of walls) {
    const at = momentOf(wall, out.at(-1)?.at ?? from, timeZone);
    if (at === undefined || at < from || at > to || at <= (out.at(-1)?.at ?? -Infinity)) continue;
    out.push({ at, midnight: wall % dayMs === 0, text: textOf(at, step, timeZone) });
  }
  return out;
}

function textOf(at: number, step: number | undefined, timeZone: string): string {
  if (step === undefined) return dayText(at, timeZone).split(' ').slice(2).join(' ');
  if (step < min) return clock(at, timeZone);
  if (step < dayMs) return clockMinute(at, timeZone);
  return dayText(at, timeZone).split(' ').slice(step < 2 * dayMs ? 0 : 1, 3).join(' ');
}

const dayFormats = new Map<string, Intl.DateTimeFormat>();

/** "Wed 25 Nov 2026" */
export function dayText(ms: number, timeZone: string): string {
  let f = dayFormats.get(timeZone);
  if (!f) {
    const zone = wallFormat(timeZone).resolvedOptions().timeZone;
    f = new Intl.DateTimeFormat('en-GB', { weekday: 'short', day: 'numeric', month: 'short', year: 'numeric', timeZone: zone });
    dayFormats.set(timeZone, f);
  }
  return f.format(ms).replaceAll(',', '');
}
