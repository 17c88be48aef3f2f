import { describe, expect, it } from 'vitest';
import { age, clock, duration, localDate, parsePeriod, when, windowEnd, zoneName } from './words';

const plain = (s: string) => s.replaceAll('\u00a0', ' ');

describe('words', () => {
  it.each([
    [-5, '0 s'], [59_999, '59 s'], [192_000, '3 min 12 s'], [3_600_000, '1 h 0 min'], [86_399_000, '23 h 59 min'], [276_000_000, '3 d 4 h'],
  ])('%d ms is %s', (ms, want) => expect(plain(duration(ms))).toBe(want));

  it('keeps a duration on one line', () => expect(duration(192_000)).not.toContain(' '));

  it('shows tenths of a second for a young reading only', () => {
    expect(plain(age(400))).toBe('0.4 s');
    expect(plain(age(12_400))).toBe('12 s');
  });

  it('writes the site’s time, not the browser’s', () => {
    const noon = Date.UTC(2026, 10, 25, 18, 0, 5);
    expect(clock(noon, 'America/Chicago')).toBe('12:00:05');
    expect(clock(noon, 'Asia/Kolkata')).toBe('23:30:05');
    expect(zoneName(noon, 'America/Chicago')).toBe('CST');
  });

  it('knows the local day on both sides of a change of the clocks', () => {
    // US daylight saving ended on 2026-11-01 at 02:00 (Energy Policy Act of 2005: first Sunday of November).
    expect(localDate(Date.UTC(2026, 10, 1, 4, 59), 'America/Chicago')).toBe('2026-10-31');
    expect(localDate(Date.UTC(2026, 10, 1, 5, 0), 'America/Chicago')).toBe('2026-11-01');
    expect(localDate(Date.UTC(2026, 10, 2, 5, 59), 'America/Chicago')).toBe('2026-11-01');
  });

  it('names the day when it is not today', () => {
    const now = Date.UTC(2026, 10, 25, 18);
    expect(when(now - 3_600_000, now, 'UTC')).toBe('17:00:00');
    expect(when(now - 86_400_000, now, 'UTC')).toBe('Tue 24 Nov 18:00:00');
  });

  it('falls back to UTC for a zone it does not know', () => expect(clock(0, 'Nowhere/Else')).toBe('00:00:00'));

  it.each([['1s', 1000], ['250ms', 250], ['1m30s', 90_000], ['1h', 3_600_000], ['soon', undefined], ['', undefined]])('reads the period %s', (text, want) => {
    expect(parsePeriod(text)).toBe(want);
  });
});

it('ends a window at a midnight with the day that it ends, not with the next one’s beginning', () => {
  expect(windowEnd(Date.UTC(2026, 10, 26, 6), 'America/Chicago')).toBe('Wed 25 Nov, 24:00');
  expect(windowEnd(Date.UTC(2026, 10, 25, 20, 3), 'America/Chicago')).toBe('Wed 25 Nov, 14:03');
});
