import { describe, expect, it } from 'vitest';
import type { Event, Fault } from '../api';
import { bookSentence, byDay, counted, entrySubject, entryText, filters, keptSentence, observedSentence, siteTime, sortOf } from './words';

const now = Date.parse('2026-11-25T18:00:00Z'); // noon in Chicago, a Wednesday
const chicago = 'America/Chicago';
const plain = (s: string) => s.replaceAll('\u00a0', ' ');
const event = (time: string, kind: string, text: string, data: Record<string, string> = {}, subject = 'comp1'): Event => ({ seq: 1, time, kind, subject, text, data });
const fault = (more: Partial<Fault>): Fault => ({ subject: 'comp1', channel: 'c.code', code: '2', text: 'motor overload', times: 1, first: '2026-11-24T16:40:00Z', last: '2026-11-24T16:40:00Z', on_s: 420, unseen_s: 0, on: false, came: [], ...more });

describe('the first sentence', () => {
  it.each<[string, Fault[], string]>([
    ['nothing came', [], 'No fault was seen in these days.'],
    ['one came', [fault({})], 'No fault stands; the last was motor overload, 1 d 1 h ago.'],
    ['one stands', [fault({ on: true })], 'Motor overload stands since 1 d 1 h ago.'],
    ['one without a text', [fault({ text: '', on: true })], 'Fault code 2 stands since 1 d 1 h ago.'],
    ['one stands from before', [fault({ on: true, times: 0, first: null, last: null })], 'Motor overload stands since before these days.'],
    ['two stand', [fault({ on: true }), fault({ on: true, code: '3' })], 'Motor overload and 1 other fault stand since 1 d 1 h ago.'],
    ['one ended that came before', [fault({ times: 0, first: null, last: null })], 'No fault came in these days; motor overload had come before and was on in them.'],
  ])('%s', (_, faults, want) => { const t = bookSentence(faults, now); expect(plain(t.lead + t.ago + t.end)).toBe(want); });

  it('counts what else there was', () => {
    const said = (parts: [number, string][]) => parts.map(([n, what]) => `${n || 'no'} ${what}`).join(', ');
    const week = [
      event('2026-11-25T10:00:00Z', 'state', '', { change: 'start' }), event('2026-11-25T11:00:00Z', 'state', '', { change: 'stop' }),
      event('2026-11-25T10:00:00Z', 'config_changed', '', { file: 'site.toml', before: '', after: '5f' }),
      event('2026-11-25T12:00:00Z', 'config_changed', '', { file: 'site.toml', before: '5f', after: '60' }),
      event('2026-11-25T12:00:00Z', 'config_changed', 'channels', {}), event('2026-11-25T13:00:00Z', 'device_down', ''),
    ];
    expect(said(counted([...week, ...['raised', 'cleared', 'raised'].map((state) => event('2026-11-25T14:00:00Z', 'fault', '', { state }))]))).toBe('2 faults, 1 start, 1 line trouble, 1 change to the set-up, no notes');
    const broken = [event('2026-11-25T10:00:00Z', 'data_damaged', ''), event('2026-11-25T11:00:00Z', 'data_damaged', ''), event('2026-11-25T12:00:00Z', 'agent_broke_off', '')];
    const first = event('2026-11-25T10:00:00Z', 'config_changed', 'controller, every 1s: the recording of 17 channels begins', {});
    expect(said(counted([first]))).toBe('no faults, no starts, no line troubles, no change to the first set-up, no notes');
    expect(said(counted(broken))).toBe('2 losses of data, 1 break of recording, no faults, no starts, no line troubles, no changes to the set-up, no notes');
  });
});

it('says from when on single readings are kept', () => {
  expect(keptSentence(undefined, [], now, 7, chicago)).toBe('');
  const week = [event('2026-11-24T10:00:00Z', 'raw_dropped', ''), event('2026-11-25T10:00:00Z', 'raw_dropped', '')];
  expect(plain(keptSentence(Date.parse('2026-11-18T00:00:00Z'), week, now, 7, chicago)))
    .toBe(' Single readings are kept from Tue 17 Nov 18:00:00 on; what is older was dropped as the site file asks (keep_raw), 2 days of it in these 7 days, and its figures and curves stay.');
});

it('says when little was observed', () => {
  expect(plain(observedSentence(3 * 3_600_000, 7))).toBe(' Observed were 3 h 0 min of them.');
  expect(observedSentence(7 * 86_400_000 - 600_000, 7)).toBe('');
});

it('groups by the site’s days, not the browser’s', () => {
  const days = byDay([
    event('2026-11-25T06:30:00Z', 'note', 'half past midnight in Chicago'), event('2026-11-25T05:30:00Z', 'note', 'half an hour before'),
    event('2026-11-23T12:00:00Z', 'note', ''), event('2025-11-23T12:00:00Z', 'note', ''),
  ], now, chicago);
  expect(days.map((d) => d.title)).toEqual(['Today, Wed 25 Nov', 'Yesterday, Tue 24 Nov', 'Mon 23 Nov', 'Sun 23 Nov 2025']);
});

it('names a subject once', () => {
  const line = event('2026-11-25T06:30:00Z', 'line_up', 'line net: connected', {}, 'net');
  expect([entrySubject(line), entryText(line)]).toEqual(['', 'Line net: connected']);
  const note = event('2026-11-25T06:30:00Z', 'note', 'oil changed');
  expect([entrySubject(note), entryText(note)]).toEqual(['comp1', 'Oil changed']);
});

it('finds every kind of entry by a filter', () => {
  const kinds = ['fault', 'note', 'config_changed', 'line_down', 'device_up', 'counter_reset', 'agent_started', 'clock_step', 'clock_behind', 'data_damaged', 'store_down', 'store_up', 'agent_broke_off', 'hookup', 'state'];
  for (const kind of kinds) expect(filters.slice(1).some((f) => f.kinds.includes(kind)), kind).toBe(true);
  for (const kind of kinds) expect(sortOf(event('2026-11-25T06:30:00Z', kind, '', { change: 'load' })), kind).not.toBe('other');
});

describe('a time as a person types it', () => {
  // Offsets of America/Chicago in 2026 (tz database): clocks go on at 08:00 UTC
  // on 8 March, back at 07:00 UTC on 1 November.
  it.each([
    ['2026-11-25T10:40', '2026-11-25T16:40:00.000Z'],
    ['2026-07-01T00:00', '2026-07-01T05:00:00.000Z'],
    ['2026-03-08T01:59', '2026-03-08T07:59:00.000Z'],
    ['2026-03-08T03:00', '2026-03-08T08:00:00.000Z'],
    ['2026-11-01T00:30', '2026-11-01T05:30:00.000Z'],
    ['2026-11-01T03:00', '2026-11-01T09:00:00.000Z'],
  ])('%s', (local, want) => expect(new Date(siteTime(local, chicago) ?? NaN).toISOString()).toBe(want));

  it('is nothing when it is no time', () => {
    for (const text of ['', 'noon', '2026-13-01T00:00', '2026-11-25']) expect(siteTime(text, chicago)).toBeUndefined();
  });
});
