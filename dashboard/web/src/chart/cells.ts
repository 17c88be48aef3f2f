// The last hour of one channel as cells, ascending in time. History comes from
// /series, later readings are added in buckets; both are bounded by the span.
import type { Series } from '../api';

export interface Cell {
  /** start, Unix ms */
  t: number;
  /** width, ms; 0: a single raw reading */
  width: number;
  count: number;
  min: number;
  max: number;
  sum: number;
}

/** Columns as a plot wants them: Unix ms ascending, NaN where nothing was read. */
export interface Columns {
  t: Float64Array;
  min: Float64Array;
  max: Float64Array;
  mean: Float64Array;
}

const bucketMs = 5_000;
/** At most this many cells, whatever the server sends: an hour of raw 1 s readings fits. */
const limit = 4_000;

export class CellRing {
  private cells: Cell[] = [];

  constructor(private readonly spanMs: number, private readonly periodMs: number) {}

  /** Takes history; live cells that are later than it stay. */
  load(series: Series): void {
    const loaded: Cell[] = series.cells.map((c) => ({
      t: c.t,
      width: series.step_ms,
      count: c.count,
      min: c.min ?? NaN,
      max: c.max ?? NaN,
      sum: c.sum ?? NaN,
    }));
    const last = loaded.at(-1);
    const end = last ? last.t + last.width : -Infinity;
    this.cells = [...loaded, ...this.cells.filter((c) => c.t > end)];
    this.trim();
  }

  /** Adds a reading. A failed scan adds nothing: the pause it leaves is the gap. */
  add(atMs: number, value: number): void {
    const last = this.cells.at(-1);
    if (last && atMs < last.t) return; // already in the history
    if (last && last.count > 0 && atMs < last.t + last.width) {
      last.count += 1;
      last.sum += value;
      last.min = Math.min(last.min, value);
      last.max = Math.max(last.max, value);
    } else {
      this.cells.push({ t: atMs, width: bucketMs, count: 1, min: value, max: value, sum: value });
    }
    this.trim();
  }

  private trim(): void {
    const newest = this.cells.at(-1)?.t ?? 0;
    let drop = Math.max(0, this.cells.length - limit);
    while (drop < this.cells.length && (this.cells[drop]?.t ?? 0) < newest - this.spanMs) drop += 1;
    if (drop > 0) this.cells.splice(0, drop);
  }

  get size(): number {
    return this.cells.length;
  }

  /** Columns in the shown unit. A pause of more than three periods is a gap, marked at both its ends. */
  columns(convert: (value: number) => number): Columns {
    const rows: [number, number, number, number][] = [];
    const gap = (t: number) => rows.push([t, NaN, NaN, NaN]);
    let reach = Infinity; // until when the reading before counts; -Infinity: within a gap
    for (const c of this.cells) {
      const t = c.t + c.width / 2;
      const before = rows.at(-1)?.[0] ?? -Infinity;
      if (t <= before) continue; // strictly ascending, whatever came
      if (c.count === 0) {
        if (reach > -Infinity) gap(Math.max(c.t, before + 1));
        reach = -Infinity;
        continue;
      }
      if (c.t > reach) {
        if (reach > -Infinity) gap(Math.max(reach - 3 * this.periodMs, before + 1));
        gap(Math.max(Math.min(c.t, t - 1), (rows.at(-1)?.[0] ?? 0) + 0.5));
      }
      rows.push([t, convert(c.min), convert(c.max), convert(c.sum / c.count)]);
      reach = c.t + c.width + 3 * this.periodMs;
    }
    const column = (i: 0 | 1 | 2 | 3) => Float64Array.from(rows, (r) => r[i]);
    return { t: column(0), min: column(1), max: column(2), mean: column(3) };
  }
}
