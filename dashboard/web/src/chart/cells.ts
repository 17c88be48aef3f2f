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

/** Columns as a chart wants them: seconds ascending, null where nothing was read. */
export interface Columns {
  t: number[];
  min: (number | null)[];
  max: (number | null)[];
  mean: (number | null)[];
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

  /** Columns in the shown unit. A pause of more than three periods is a gap. */
  columns(convert: (value: number) => number): Columns {
    const out: Columns = { t: [], min: [], max: [], mean: [] };
    const gap = (t: number) => {
      out.t.push(t);
      out.min.push(null);
      out.max.push(null);
      out.mean.push(null);
    };
    let reach: number | undefined; // until when the previous reading counts
    for (const c of this.cells) {
      const t = (c.t + c.width / 2) / 1000;
      const before = out.t.at(-1);
      if (before !== undefined && t <= before) continue; // strictly ascending, whatever came
      if (c.count === 0) {
        gap(t);
        reach = undefined;
        continue;
      }
      if (reach !== undefined && before !== undefined && c.t > reach) gap((before + t) / 2);
      out.t.push(t);
      out.min.push(convert(c.min));
      out.max.push(convert(c.max));
      out.mean.push(convert(c.sum / c.count));
      reach = c.t + c.width + 3 * this.periodMs;
    }
    return out;
  }
}
