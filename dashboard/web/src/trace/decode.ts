// Columns of the API as arrays to draw, and the readings that came since. Pure.
import type { ColumnSeries } from '../api';
import type { Curve } from '../plot/types';

/** One channel's cells in the map's unit, ascending; NaN is a gap. */
export interface Cells {
  /** Unix ms, the middle of each cell */
  t: Float64Array;
  min: Float64Array;
  max: Float64Array;
  mean: Float64Array;
}

export const none: Cells = { t: new Float64Array(), min: new Float64Array(), max: new Float64Array(), mean: new Float64Array() };

/** Cells in which no reading fell because the channel is read more slowly are left out: no gap. */
export function decode(s: ColumnSeries): Cells {
  const n = s.count.reduce<number>((sum, c) => sum + (c === null ? 0 : 1), 0);
  const out: Cells = { t: new Float64Array(n), min: new Float64Array(n), max: new Float64Array(n), mean: new Float64Array(n) };
  let at = 0;
  for (let i = 0; i < s.count.length; i++) {
    if (s.count[i] === null) continue;
    const mean = s.mean[i] ?? NaN;
    out.t[at] = s.start_ms + (s.step_ms === 0 ? (s.at?.[i] ?? 0) : (i + 0.5) * s.step_ms);
    out.mean[at] = mean;
    out.min[at] = s.step_ms === 0 ? mean : (s.min?.[i] ?? NaN);
    out.max[at] = s.step_ms === 0 ? mean : (s.max?.[i] ?? NaN);
    at += 1;
  }
  return out;
}

/** The readings of a channel since its history was fetched, bounded in time. */
export class Tail {
  private at: number[] = [];
  private values: number[] = [];

  constructor(private readonly periodMs: number, private readonly keepMs: number) {}

  /** A reading, or NaN where a scan failed. Times ascend; what comes late is dropped. */
  add(at: number, value: number): void {
    const last = this.at.at(-1);
    if (last !== undefined && at <= last) return;
    this.at.push(at);
    this.values.push(value);
    const drop = this.at.findIndex((t) => t >= at - this.keepMs);
    if (drop > 256) {
      this.at.splice(0, drop);
      this.values.splice(0, drop);
    }
  }

  get size(): number {
    return this.at.length;
  }

  /** Cells with what came after their end; a pause of more than three periods is a gap. */
  after(cells: Cells, end: number): Cells {
    const first = this.at.findIndex((t, i) => t > end && Number.isFinite(this.values[i]));
    if (first < 0) return cells;
    const t: number[] = [];
    const v: number[] = [];
    let before = cells.t.at(-1);
    for (let i = first; i < this.at.length; i++) {
      const [at, value] = [this.at[i] as number, this.values[i] as number];
      if (Number.isNaN(value) || (before !== undefined && at <= before)) continue;
      if (before !== undefined && at - before > 3 * this.periodMs + (t.length === 0 ? 2 * this.lastWidth(cells) : 0)) {
        t.push((before + at) / 2);
        v.push(NaN);
      }
      t.push(at);
      v.push(value);
      before = at;
    }
    return { t: joined(cells.t, t), min: joined(cells.min, v), max: joined(cells.max, v), mean: joined(cells.mean, v) };
  }

  /** The middle of a cell lies before its last reading: half a cell, and what the cell after it lacks. */
  private lastWidth(cells: Cells): number {
    const n = cells.t.length;
    return n < 2 ? 0 : Math.max(0, (cells.t[n - 1] as number) - (cells.t[n - 2] as number));
  }
}

function joined(a: Float64Array, b: number[]): Float64Array {
  const out = new Float64Array(a.length + b.length);
  out.set(a);
  out.set(b, a.length);
  return out;
}

/** The same cells in the shown unit; what is turned round by its scale keeps its lower edge below. */
export function converted(c: Cells, scale: number, offset: number): Pick<Curve, 't' | 'min' | 'max' | 'mean'> {
  if (scale === 1 && offset === 0) return c;
  const turn = (values: Float64Array) => values.map((v) => v * scale + offset);
  const [low, high] = scale < 0 ? [c.max, c.min] : [c.min, c.max];
  return { t: c.t, min: turn(low), max: turn(high), mean: turn(c.mean) };
}
