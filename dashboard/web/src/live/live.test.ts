import { describe, expect, it } from 'vitest';
import type { Site, State } from '../api';
import { backoff } from './backoff';
import { ServerClock } from './clock';
import { applyMessage, applySnapshot, emptyPicture, isFresh } from './picture';
import { Sequence } from './sequence';
import { liveUrl } from './socket';

describe('sequence', () => {
  it('applies messages in order and asks nothing', () => {
    const s = new Sequence();
    expect([s.accept(7, 'snapshot', 0), s.accept(8, 'scan', 1), s.accept(9, 'state', 2)]).toEqual(['apply', 'apply', 'apply']);
  });

  it('asks once for a snapshot after a hole, and again only when patience is out', () => {
    const s = new Sequence();
    s.accept(1, 'snapshot', 0);
    expect(s.accept(3, 'scan', 10)).toBe('apply-and-ask');
    expect(s.accept(5, 'scan', 20)).toBe('apply');
    expect(s.accept(7, 'scan', 6_000)).toBe('apply-and-ask');
    s.accept(8, 'snapshot', 6_100);
    expect(s.accept(10, 'scan', 6_200)).toBe('apply-and-ask');
  });

  it('drops what a snapshot already holds', () => {
    const s = new Sequence();
    s.accept(5, 'snapshot', 0);
    expect(s.accept(4, 'scan', 1)).toBe('ignore');
    expect(s.accept(5, 'scan', 1)).toBe('ignore');
    expect(s.accept(6, 'scan', 1)).toBe('apply');
  });

  it('does not count back when a snapshot was overtaken', () => {
    const s = new Sequence();
    s.accept(5, 'snapshot', 0);
    s.accept(6, 'scan', 1);
    expect(s.accept(5, 'snapshot', 2)).toBe('apply');
    expect(s.accept(7, 'scan', 3)).toBe('apply');
  });

  it('asks when a connection begins without a snapshot', () => {
    expect(new Sequence().accept(12, 'scan', 0)).toBe('apply-and-ask');
  });
});

describe('backoff', () => {
  it('grows, spreads and stays under 30 s', () => {
    expect(backoff(0, 0)).toBe(250);
    expect(backoff(0, 0.999)).toBeLessThan(500);
    expect(backoff(3, 0)).toBe(2_000);
    for (let n = 6; n < 2_000; n += 97) {
      expect(backoff(n, 0)).toBeGreaterThanOrEqual(15_000);
      expect(backoff(n, 0.999)).toBeLessThan(30_000);
    }
  });
});

describe('server clock', () => {
  it('runs on the monotonic clock from the last snapshot', () => {
    let mono = 1_000;
    const c = new ServerClock(() => mono);
    c.set(500_000);
    mono += 2_500;
    expect(c.now()).toBe(502_500);
    c.atLeast(502_000); // a reading of the past changes nothing
    expect(c.now()).toBe(502_500);
    c.atLeast(503_000);
    expect(c.now()).toBe(503_000);
  });
});

it('takes the socket’s scheme from the page', () => {
  expect(liveUrl({ protocol: 'https:', host: 'shop.example:8477' })).toBe('wss://shop.example:8477/api/v1/live');
  expect(liveUrl({ protocol: 'http:', host: '127.0.0.1:8477' })).toBe('ws://127.0.0.1:8477/api/v1/live');
});

const t0 = Date.UTC(2026, 10, 25, 18);
const iso = (ms: number) => new Date(t0 + ms).toISOString();
const site = {
  channels: [
    { id: 'a.p', device: 'a', name: 'p', period_ms: 1000 },
    { id: 'a.slow', device: 'a', name: 'slow', period_ms: 60_000 },
    { id: 'b.q', device: 'b', name: 'q', period_ms: 1000 },
  ],
} as unknown as Site;
const snapshot = (channels: State['channels']): State => ({
  seq: 1, durable_seq: 0, last_seq: 0, time: iso(0), started: null, version: 'v', machines: [], channels, devices: [], lines: [],
  store: { ok: true, detail: '', mend: '', waiting_scans: 0, directory_bytes: 0, dropped_scans: 0, clock_set: true }, awake: { sleep: 'unknown', how: '', why: '', mend: '' },
});

describe('picture', () => {
  it('keeps the last good value with its own time when scans fail', () => {
    const p = emptyPicture();
    applyMessage(p, site, { seq: 1, type: 'scan', data: { time: iso(0), device: 'a', group: '1s', reason: 'good', values: { 'a.p': 102.4 } } });
    applyMessage(p, site, { seq: 2, type: 'scan', data: { time: iso(1000), device: 'a', group: '1s', reason: 'timeout', values: {} } });
    expect(p.readings.get('a.p')).toEqual({ value: 102.4, at: t0, reason: 'timeout' });
  });

  it('gives a failed scan’s reason to its own group only', () => {
    const p = emptyPicture();
    applyMessage(p, site, { seq: 1, type: 'scan', data: { time: iso(0), device: 'a', group: '1s', reason: 'timeout', values: {} } });
    expect([...p.readings.keys()]).toEqual(['a.p']);
  });

  it('has the reason of each null in a good scan, as a snapshot would', () => {
    const p = emptyPicture();
    applyMessage(p, site, { seq: 1, type: 'scan', data: { time: iso(0), device: 'a', group: '1s', reason: 'good', values: { 'a.p': null, 'a.q': null, 'a.r': 3 }, reasons: { 'a.p': 'device exception', 'a.q': 'implausible' } } });
    expect(p.readings.get('a.p')).toEqual({ value: null, at: undefined, reason: 'device exception' });
    expect(p.readings.get('a.q')).toEqual({ value: null, at: undefined, reason: 'implausible' });
    expect(p.readings.get('a.r')).toEqual({ value: 3, at: t0, reason: 'good' });
    applyMessage(p, site, { seq: 2, type: 'scan', data: { time: iso(1000), device: 'a', group: '1s', reason: 'good', values: { 'a.p': null } } }); // good, and no number
    expect(p.readings.get('a.p')?.reason).toBe('no value');
  });

  it('does not let an overtaken snapshot turn a reading back', () => {
    const p = emptyPicture();
    applyMessage(p, site, { seq: 2, type: 'scan', data: { time: iso(5000), device: 'b', group: '1s', reason: 'good', values: { 'b.q': 2 } } });
    applySnapshot(p, snapshot({ 'b.q': { value: 1, time: iso(4000), reason: 'good', stale: false } }));
    expect(p.readings.get('b.q')).toEqual({ value: 2, at: t0 + 5000, reason: 'good' });
  });

  it('forgets channels that a snapshot no longer has', () => {
    const p = emptyPicture();
    p.readings.set('gone.x', { value: 1, at: t0, reason: 'good' });
    applySnapshot(p, snapshot({}));
    expect(p.readings.size).toBe(0);
  });

  it('calls a reading live for three periods and a little', () => {
    const r = { value: 1, at: t0, reason: 'good' };
    expect(isFresh(r, 1000, t0 + 4_400)).toBe(true);
    expect(isFresh(r, 1000, t0 + 4_600)).toBe(false);
    expect(isFresh({ ...r, reason: 'timeout' }, 1000, t0 + 10)).toBe(false);
    expect(isFresh(undefined, 1000, t0)).toBe(false);
  });
});
