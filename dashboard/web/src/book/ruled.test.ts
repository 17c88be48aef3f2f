import { describe, expect, it } from 'vitest';
import type { Event } from '../api';
import { hourMarks, ruledDays, stretches } from './ruled';

const hour = 3_600_000;
const zero = Date.parse('2026-11-24T06:00:00Z'); // midnight in Chicago
const turn = (h: number, from: string, to: string, subject = 'comp1'): Event => ({ seq: 0, time: new Date(zero + h * hour).toISOString(), kind: 'state', subject, text: '', data: { change: 'x', from, to } });
const text = (all: { from: number; to: number; what: string }[]) => all.map((s) => `${(s.from - zero) / hour}-${(s.to - zero) / hour} ${s.what}`);

describe('the line of a day', () => {
  it('is thick while a motor turned and broken where nobody knows', () => {
    const week = [turn(7, 'off', 'starting'), turn(12, 'unloaded', 'standby'), turn(13, 'standby', 'unobserved'), turn(14, 'unobserved', 'loaded')];
    expect(text(stretches(week, new Map([['comp1', 'loaded']]), zero, zero + 16 * hour))).toEqual(['0-7 resting', '7-12 turning', '12-13 resting', '13-14 unknown', '14-16 turning']);
  });

  it('takes what holds now where nothing changed', () => {
    expect(text(stretches([], new Map([['comp1', 'part-load']]), zero, zero + hour))).toEqual(['0-1 turning']);
    expect(text(stretches([], new Map(), zero, zero + hour))).toEqual(['0-1 unknown']);
  });

  it('is thick while any machine turned', () => {
    const week = [turn(1, 'off', 'loaded'), turn(2, 'standby', 'loaded', 'comp2'), turn(3, 'loaded', 'off'), turn(4, 'loaded', 'standby', 'comp2')];
    expect(text(stretches(week, new Map(), zero, zero + 5 * hour))).toEqual(['0-1 resting', '1-4 turning', '4-5 resting']);
  });
});

describe('the page', () => {
  it('has a line for each local day, of 23 or 25 hours where clocks change', () => {
    // 2026-11-01 in Chicago has 25 hours, 2026-03-08 has 23 (tz database).
    for (const [to, date, hours] of [['2026-11-02T05:00:00Z', '2026-11-01', 25], ['2026-03-09T04:00:00Z', '2026-03-08', 23]] as const) {
      const end = Date.parse(to);
      const days = ruledDays([], new Map(), end - 7 * 24 * hour, end, 'America/Chicago');
      const day = days.find((d) => d.date === date);
      expect(day && (day.to - day.from) / hour).toBe(hours);
      expect(days.every((d, i) => i === 0 || d.to === days[i - 1]?.from)).toBe(true);
      expect(day && hourMarks(day, 'America/Chicago').map((m) => m.text)).toEqual(['00:00', '06:00', '12:00', '18:00']);
    }
  });

  it('marks a fault as long as it stood, and leaves first versions of files out', () => {
    const at = (h: number, kind: string, data: Record<string, string>): Event => ({ ...turn(h, '', ''), kind, data });
    const days = ruledDays([
      at(1, 'config_changed', { file: 'site.toml', before: '' }), at(2, 'fault', { channel: 'c.code', state: 'raised' }), at(3, 'fault', { channel: 'c.code', state: 'cleared' }),
      at(4, 'note', {}), at(5, 'config_changed', { file: 'site.toml', before: '5f' }), at(6, 'fault', { channel: 'c.code', state: 'raised' }),
    ], new Map(), zero, zero + 8 * hour, 'America/Chicago');
    expect(days[0]?.marks.map((m) => `${(m.at - zero) / hour}-${(m.until - zero) / hour} ${m.sort}`)).toEqual(['2-3 fault', '4-4 note', '5-5 setup', '6-8 fault']);
  });
});
