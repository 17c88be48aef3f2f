// Times and durations in words. All times are shown in the site's time zone,
// never the browser's.

const nb = '\u00a0';

/** "45 s", "3 min 12 s", "2 h 5 min", "3 d 4 h", never broken over a line. Negative counts as zero. */
export function duration(ms: number): string {
  const s = Math.max(0, Math.floor(ms / 1000));
  if (s < 60) return `${s}${nb}s`;
  if (s < 3600) return `${Math.floor(s / 60)}${nb}min${nb}${s % 60}${nb}s`;
  const min = Math.floor(s / 60);
  if (min < 24 * 60) return `${Math.floor(min / 60)}${nb}h${nb}${min % 60}${nb}min`;
  const h = Math.floor(min / 60);
  return `${Math.floor(h / 24)}${nb}d${nb}${h % 24}${nb}h`;
}

/** Age of a reading: "0.4 s" below ten seconds, else as duration. */
export function age(ms: number): string {
  if (ms < 10_000) return `${(Math.max(0, ms) / 1000).toFixed(1)}${nb}s`;
  return duration(ms);
}

const formats = new Map<string, Intl.DateTimeFormat>();

/** Made once for each zone and form: making one takes longer than a hundred times. */
function format(timeZone: string, options: Intl.DateTimeFormatOptions, language = 'en-GB'): Intl.DateTimeFormat {
  const key = `${timeZone} ${language} ${JSON.stringify(options)}`;
  let f = formats.get(key);
  if (!f) {
    try {
      f = new Intl.DateTimeFormat(language, { ...options, timeZone, hourCycle: 'h23' });
    } catch {
      // A zone this browser does not know: UTC, and the page says "UTC".
      f = new Intl.DateTimeFormat(language, { ...options, timeZone: 'UTC', hourCycle: 'h23' });
    }
    formats.set(key, f);
  }
  return f;
}

/** "14:03:22" */
export function clock(ms: number, timeZone: string): string {
  return format(timeZone, { hour: '2-digit', minute: '2-digit', second: '2-digit' }).format(ms);
}

/** "14:03" */
export function clockMinute(ms: number, timeZone: string): string {
  return format(timeZone, { hour: '2-digit', minute: '2-digit' }).format(ms);
}

/** "Wed 25 Nov" */
export function day(ms: number, timeZone: string): string {
  return format(timeZone, { weekday: 'short', day: 'numeric', month: 'short' }).format(ms).replace(',', '');
}

/** The end of a window: "Wed 25 Nov, 14:03"; at a midnight the day that it ends, "Wed 25 Nov, 24:00". */
export function windowEnd(ms: number, timeZone: string): string {
  const at = clockMinute(ms, timeZone);
  return `${day(ms - 1, timeZone)}, ${at === '00:00' ? '24:00' : at}`;
}

/** "CST", "GMT+1": the zone's short name at that moment. */
export function zoneName(ms: number, timeZone: string): string {
  // British English calls Chicago's time "GMT-6", American English Berlin's "GMT+1".
  return format(timeZone, { timeZoneName: 'short' }, 'en-US').formatToParts(ms).find((p) => p.type === 'timeZoneName')?.value ?? timeZone;
}

/** The local date at a moment, "2026-11-25": what the API takes as a day. */
export function localDate(ms: number, timeZone: string): string {
  const parts = format(timeZone, { year: 'numeric', month: '2-digit', day: '2-digit' }).formatToParts(ms);
  const get = (type: string) => parts.find((p) => p.type === type)?.value ?? '';
  return `${get('year')}-${get('month')}-${get('day')}`;
}

/** "14:03:22", with the day in front when it is not today. */
export function when(ms: number, now: number, timeZone: string): string {
  const time = clock(ms, timeZone);
  return localDate(ms, timeZone) === localDate(now, timeZone) ? time : `${day(ms, timeZone)} ${time}`;
}

/** Milliseconds of a period as the site file writes it: "250ms", "1s", "1m30s". */
export function parsePeriod(text: string): number | undefined {
  if (!/^(\d+(\.\d+)?(ms|s|m|h))+$/.test(text)) return undefined;
  const factor: Record<string, number> = { ms: 1, s: 1000, m: 60_000, h: 3_600_000 };
  let total = 0;
  for (const [, n, unit] of text.matchAll(/(\d+(?:\.\d+)?)(ms|s|m|h)/g)) total += Number(n) * (factor[unit ?? ''] ?? 0);
  return total;
}
