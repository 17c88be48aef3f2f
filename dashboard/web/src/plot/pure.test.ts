import { describe, expect, it } from 'vitest';
import { flags } from './cursor';
import { flagWords, pileUp, spans } from './marks';
import { rangeOf } from './range';
import { commonGaps, Raster, paint, traced } from './raster';
import { blocks } from './states';
import { niceStep, timeTicks, valueTicks } from './ticks';
import type { Curve, PlotMark } from './types';
import { panned, pinched, shortestMs, within, zoomed } from './window';

const hour = 3_600_000;

function curve(values: number[], step = 1000, more: Partial<Curve> = {}): Curve {
  const mean = Float64Array.from(values);
  return { id: 'd.c', name: 'c', t: mean.map((_, i) => (i + 0.5) * step), min: mean, max: mean, mean, look: 0, decimals: 1, bit: false, ...more };
}

describe('window', () => {
  const l = { least: 0, most: 100 * hour };
  it('keeps the moment under the pointer where it is', () => {
    const w = zoomed({ from: 10 * hour, to: 20 * hour }, 12 * hour, 0.5, l);
    expect(w).toEqual({ from: 11 * hour, to: 16 * hour });
    expect((12 * hour - w.from) / (w.to - w.from)).toBeCloseTo(0.2, 9);
  });
  it('goes no farther than there is, with its length', () => {
    expect(panned({ from: 10 * hour, to: 20 * hour }, -50 * hour, l)).toEqual({ from: 0, to: 10 * hour });
    expect(panned({ from: 10 * hour, to: 20 * hour }, 500 * hour, l)).toEqual({ from: 90 * hour, to: 100 * hour });
    expect(zoomed({ from: 10 * hour, to: 20 * hour }, 12 * hour, Infinity, l)).toEqual({ from: 0, to: 100 * hour });
  });
  it('never shows less than tells something, nor turns round', () => {
    const w = zoomed({ from: 10 * hour, to: 11 * hour }, 10.5 * hour, 1e-9, l);
    expect(w.to - w.from).toBe(shortestMs);
    expect(within({ from: 5 * hour, to: 4 * hour }, l)).toEqual({ from: 4.5 * hour - shortestMs / 2, to: 4.5 * hour + shortestMs / 2 });
    expect(within({ from: 0, to: 5 }, { least: 7, most: 7 })).toEqual({ from: 7, to: 7 + shortestMs });
  });
  it('keeps two moments under two fingers', () => {
    const w = pinched({ from: 10 * hour, to: 20 * hour }, 1000, [200, 400], [300, 700], l);
    const at = (px: number) => w.from + (px / 1000) * (w.to - w.from);
    expect(at(300)).toBeCloseTo(12 * hour, -2);
    expect(at(700)).toBeCloseTo(14 * hour, -2);
  });
});

describe('ticks', () => {
  it.each([[0.7, 1], [1, 1], [3, 5], [12, 20], [0.06, 0.1], [0, 1]])('takes %d to a step of %d', (least, want) => expect(niceStep(least)).toBeCloseTo(want, 12));

  it('gives round values', () => {
    expect(valueTicks(88, 117, 6)).toEqual([90, 95, 100, 105, 110, 115]);
    expect(valueTicks(0, 42, 3)).toEqual([0, 20, 40]);
    expect(valueTicks(95, 113, 1).length).toBeGreaterThanOrEqual(2); // one number tells no scale
    expect(valueTicks(-0.15, 0.3, 5)).toEqual([-0.1, 0, 0.1, 0.2, 0.3]);
  });
  // Daylight saving in America/Chicago begins on 8 March 2026 at 02:00 and ends on
  // 1 November 2026 at 02:00: Energy Policy Act of 2005, section 110 (from memory).
  it('keeps to the clock of the site when it is put forward', () => {
    const t = timeTicks(Date.parse('2026-03-08T00:00-06:00'), Date.parse('2026-03-09T00:00-05:00'), 8, 'America/Chicago');
    expect(t.map((x) => x.text)).toEqual(['00:00', '03:00', '06:00', '09:00', '12:00', '15:00', '18:00', '21:00', '00:00']);
    expect((t[1]?.at ?? 0) - (t[0]?.at ?? 0)).toBe(2 * hour);
  });
  it('and when it is put back', () => {
    const t = timeTicks(Date.parse('2026-11-01T00:00-05:00'), Date.parse('2026-11-02T00:00-06:00'), 9, 'America/Chicago');
    expect(t.map((x) => x.text)).toEqual(['00:00', '03:00', '06:00', '09:00', '12:00', '15:00', '18:00', '21:00', '00:00']);
    expect((t[1]?.at ?? 0) - (t[0]?.at ?? 0)).toBe(4 * hour);
  });
  it('begins days at midnight of a zone off the hour', () => {
    const t = timeTicks(Date.parse('2026-06-01T12:00Z'), Date.parse('2026-06-05T12:00Z'), 6, 'Asia/Kolkata');
    expect(t.map((x) => new Date(x.at).toISOString().slice(11, 16))).toEqual(['18:30', '18:30', '18:30', '18:30']);
    expect(t[0]?.text).toBe('Tue 2 Jun');
  });
  it('names the months of a year', () => {
    expect(timeTicks(Date.UTC(2026, 0, 1), Date.UTC(2026, 11, 31), 14, 'UTC').map((x) => x.text).slice(0, 2)).toEqual(['Jan 2026', 'Feb 2026']);
  });
});

const pixel = (r: Raster, x: number, y: number) => [...r.data.slice((y * r.width + x) * 4, (y * r.width + x) * 4 + 3)];
const plain = { colour: '', dash: [], weight: 1 };

describe('raster', () => {
  it('loses no spike, however many cells a column holds', () => {
    const n = 100_000;
    const mean = new Float64Array(n).fill(10);
    const max = Float64Array.from(mean, (v, i) => (i === 54_321 ? 90 : v));
    const c = curve([...mean], 1000, { max });
    const r = new Raster(200, 100);
    r.clear([255, 255, 255]);
    const s = { from: 0, perPx: (n * 1000) / 200, low: 0, high: 100 };
    paint(r, traced(c, s, r), [0, 0, 0], plain, s, 1, 0.2);
    const dark = [...Array(200).keys()].filter((x) => (pixel(r, x, 12)[0] ?? 255) < 128);
    expect(dark).toEqual([108]); // 54 321 / 500
  });
  it('draws nothing across a gap', () => {
    const c = curve([10, 10, NaN, NaN, 10, 10]);
    const r = new Raster(60, 20);
    r.clear([255, 255, 255]);
    const s = { from: 0, perPx: 100, low: 0, high: 20 };
    paint(r, traced(c, s, r), [0, 0, 0], plain, s, 1, 0.2);
    const drawn = [...Array(60).keys()].filter((x) => [...Array(20).keys()].some((y) => (pixel(r, x, y)[0] ?? 255) < 200));
    expect(drawn.filter((x) => x > 15 && x < 45)).toEqual([]);
    expect(drawn).toContain(10);
    expect(drawn).toContain(50);
  });
  it('shows a reading that stands alone', () => {
    const c = curve([NaN, 10, NaN]);
    const r = new Raster(60, 20);
    r.clear([255, 255, 255]);
    const s = { from: 0, perPx: 50, low: 0, high: 20 };
    paint(r, traced(c, s, r), [0, 0, 0], plain, s, 1, 0.2);
    expect(pixel(r, 30, 10)[0]).toBeLessThan(200);
  });
  it('hatches only where every curve has a gap', () => {
    const gap = curve([1, NaN, NaN, 1, 1]);
    expect(commonGaps([gap, curve([1, 1, NaN, NaN, 1])], 0, 5000)).toEqual([{ from: 2000, to: 3000 }]);
    expect(commonGaps([gap, curve([1, 1, 1, 1, 1])], 0, 5000)).toEqual([]);
    expect(commonGaps([], 0, 5000)).toEqual([]);
  });
});

it('takes the axis from what the window shows', () => {
  const lane = { key: '', unit: 'psi', curves: [curve([1, 500, 100, 101, 102, 103, 104, 105])], guides: [], zeroBased: false, height: 100 };
  const r = rangeOf(lane, 4000, 7000);
  expect(r.low).toBeGreaterThan(90);
  expect(r.high).toBeLessThan(120);
  expect(rangeOf({ ...lane, guides: [{ value: 80, text: '', below: true }] }, 4000, 7000).low).toBeLessThanOrEqual(80);
});

describe('states', () => {
  it('shows the longest of those in a column, but a trip before all', () => {
    const run = (state: 'loaded' | 'unloaded' | 'tripped', from: number, to: number) => ({ state, from, to, reason: '' });
    expect(blocks([run('loaded', 0, 70), run('unloaded', 70, 100), run('loaded', 100, 900), run('tripped', 900, 901), run('loaded', 901, 1000)], 0, 1000, 10))
      .toEqual([{ x0: 0, x1: 9, state: 'loaded' }, { x0: 9, x1: 10, state: 'tripped' }]);
  });
  it('leaves a stretch without a run empty', () => {
    expect(blocks([{ state: 'loaded', from: 200, to: 400, reason: '' }], 0, 1000, 10)).toEqual([{ x0: 2, x1: 4, state: 'loaded' }]);
  });
});

describe('marks', () => {
  const mark = (key: string, from: number): PlotMark => ({ key, from, to: undefined, sort: 'note', text: 'Oil topped up' });
  it('piles up what would cover each other, and loses none', () => {
    const piles = pileUp([mark('a', 100), mark('c', 500), mark('b', 110), mark('z', 5000)], 0, 1000, 1000);
    expect(piles.map((p) => p.marks.map((m) => m.key))).toEqual([['a', 'b'], ['c']]);
    expect(piles.map(flagWords)).toEqual(['2', 'Oil topped up']);
  });
  it('draws what lasts as bars that are never more than pixels', () => {
    const many = Array.from({ length: 10_000 }, (_, i): PlotMark => ({ ...mark(`m${i}`, i), to: i + 0.5 }));
    expect(spans(many, 0, 10_000, 1000)).toEqual([{ sort: 'note', x0: 0, x1: 1001 }]);
    expect(spans([{ ...mark('a', -50), to: 100 }, { ...mark('b', 500), to: 2000 }, mark('c', 300)], 0, 1000, 100)).toEqual([{ sort: 'note', x0: 0, x1: 10 }, { sort: 'note', x0: 50, x1: 100 }]);
  });
  it('says less where there is less room', () => {
    const [p] = pileUp([mark('a', 100), mark('b', 170)], 0, 1000, 1000);
    expect(p && flagWords(p)).toBe('note');
  });
});

it('hangs the handles of two cursors so that neither covers the other', () => {
  expect(flags(500, 520, 0, 1000, 1000)).toEqual({ a: 'left', b: 'right', short: false });
  expect(flags(520, 500, 0, 1000, 1000)).toEqual({ a: 'right', b: 'left', short: false });
  expect(flags(20, 500, 0, 1000, 1000)).toEqual({ a: 'right', b: 'right', short: false });
  expect(flags(980, undefined, 0, 1000, 1000).a).toBe('left');
  // Near an end, and on a phone, there is no room for both times.
  expect(flags(20, 60, 0, 1000, 1000)).toEqual({ a: 'left', b: 'right', short: true });
  expect(flags(990, 960, 0, 1000, 1000)).toEqual({ a: 'right', b: 'left', short: true });
  expect(flags(40, 70, 0, 100, 200)).toEqual({ a: 'left', b: 'right', short: true });
  expect(flags(-50, 500, 0, 1000, 1000)).toEqual({ a: 'right', b: 'right', short: false }); // one lies outside
});
