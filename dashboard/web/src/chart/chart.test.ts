import { describe, expect, it } from 'vitest';
import type { Series } from '../api';
import { CellRing } from './cells';
import { between, fromAnswer, gaps, note, observedMs } from './runs';

const same = (v: number) => v;
const hour = 3_600_000;
const lists = (ring: CellRing) => Object.fromEntries(Object.entries(ring.columns(same)).map(([name, column]) => [name, [...column]]));
const cell = (t: number, v: number) => ({ t, first: v, last: v, min: v - 1, max: v + 1, sum: v * 5, count: 5 });

describe('cells of the last hour', () => {
  it('draws mean, lowest and highest of history', () => {
    const ring = new CellRing(hour, 1000);
    ring.load({ channel: 'a.p', unit: 'psi', step_ms: 5000, cells: [cell(0, 100), cell(5000, 102)] });
    expect(lists(ring)).toEqual({ t: [2500, 7500], min: [99, 101], max: [101, 103], mean: [100, 102] });
  });

  it('keeps a gap a gap, whether the server says so or time does', () => {
    const ring = new CellRing(hour, 1000);
    ring.load({ channel: 'a.p', unit: 'psi', step_ms: 5000, cells: [cell(0, 100), { t: 5000, count: 0 }, cell(10_000, 101), cell(30_000, 102)] });
    expect(lists(ring).mean).toEqual([100, NaN, NaN, 101, NaN, NaN, 102]);
    expect(lists(ring).t).toEqual([2500, 5000, 10_000, 12_500, 15_000, 30_000, 32_500]); // from where reading ended to where it began
  });

  it('does not take a lost scan or two for a gap', () => {
    const ring = new CellRing(hour, 1000);
    ring.load({ channel: 'a.p', unit: 'psi', step_ms: 0, cells: [0, 1000, 4000].map((t) => ({ t, min: 1, max: 1, sum: 1, count: 1 })) });
    expect(lists(ring).mean).toEqual([1, 1, 1]);
    ring.add(7_100, 1);
    expect(lists(ring).mean).toEqual([1, 1, 1, NaN, NaN, 1]);
  });

  it('gathers live readings in buckets after the history and loses no spike', () => {
    const ring = new CellRing(hour, 1000);
    const history: Series = { channel: 'a.p', unit: 'psi', step_ms: 5000, cells: [cell(0, 100)] };
    ring.load(history);
    for (const [t, v] of [[6000, 101], [7000, 150], [8000, 102]] as const) ring.add(t, v);
    const c = ring.columns(same);
    expect(c.max.at(-1)).toBe(150);
    expect(c.mean.at(-1)).toBeCloseTo((101 + 150 + 102) / 3, 9);
    ring.load(history); // fetched again: live readings that it lacks stay
    expect(ring.columns(same).max.at(-1)).toBe(150);
    ring.load({ ...history, cells: [cell(0, 100), cell(5000, 110)] }); // now it has them: nothing twice
    expect(lists(ring).t).toEqual([2500, 7500]);
  });

  it('stays bounded over a week of readings', () => {
    const ring = new CellRing(hour, 250);
    for (let t = 0; t < 7 * 24 * hour; t += 2_000) ring.add(t, 100);
    expect(ring.size).toBeLessThanOrEqual(hour / 5_000 + 2);
  });

  it('always hands over ascending times', () => {
    const ring = new CellRing(hour, 1000);
    ring.load({ channel: 'a.p', unit: 'psi', step_ms: 60_000, cells: [cell(0, 1), cell(60_000, 2), cell(60_000, 3)] });
    ring.add(50_000, 9);
    ring.add(125_000, 4);
    const { t } = ring.columns(same);
    expect(t.every((v, i) => i === 0 || v > (t[i - 1] ?? Infinity))).toBe(true);
  });
});

describe('runs of state', () => {
  it('tells how much was observed', () => {
    const runs = [
      { state: 'unobserved' as const, from: 0, to: 3_000_000, reason: '' }, { state: 'off' as const, from: 3_000_000, to: 3_030_000, reason: '' },
    ];
    expect(observedMs(runs, 1000, 3_040_000)).toBe(40_000); // the last one goes on until we last heard
    expect(observedMs([], 0, hour)).toBe(0);
  });

  const iso = (ms: number) => new Date(ms).toISOString();
  const history = fromAnswer([
    { state: 'loaded', from: iso(0), to: iso(1000), reason: '' },
    { state: 'unobserved', from: iso(1000), to: iso(2000), reason: 'timeout' },
    { state: 'unloaded', from: iso(2000), to: iso(3000), reason: '' },
  ]);

  it('carries the last state on to when we last heard, not beyond', () => {
    expect(between(history, 500, 9000).map((r) => [r.state, r.from, r.to])).toEqual([['loaded', 500, 1000], ['unobserved', 1000, 2000], ['unloaded', 2000, 9000]]);
  });

  it('ends the state before when a new one begins', () => {
    const runs = note(history, 'loaded', 4000, '');
    expect(runs.slice(-2).map((r) => [r.state, r.from, r.to])).toEqual([['unloaded', 2000, 4000], ['loaded', 4000, 4000]]);
  });

  it('lets a late word replace what it contradicts', () => {
    expect(note(history, 'tripped', 1500, '').map((r) => r.state)).toEqual(['loaded', 'unobserved', 'tripped']);
  });

  it('stays bounded', () => {
    let runs = history;
    for (let i = 0; i < 5000; i++) runs = note(runs, i % 2 ? 'loaded' : 'unloaded', 10_000 + i, '');
    expect(runs.length).toBeLessThanOrEqual(2000);
  });

  it('finds the unobserved stretches', () => expect(gaps(history).map((r) => r.reason)).toEqual(['timeout']));
});
