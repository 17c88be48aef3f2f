// Curves painted into pixels, column by column. A week of forty channels is some
// 170 000 points: drawn as paths of a canvas they take longer than a glance
// (DEVELOPERS.md has the figures); as columns of pixels each costs one addition.
// What happened within a column is kept as its lowest and highest point, so that
// no spike is lost however much time a column stands for. Pure.
import type { Curve } from './types';
import type { Style } from './looks';
import type { Span } from './window';

export type Rgb = readonly [number, number, number];

export class Raster {
  readonly data: Uint8ClampedArray<ArrayBuffer>;
  /** room that each curve uses anew */
  readonly traced: Traced;
  private readonly whole: Uint32Array;

  constructor(readonly width: number, readonly height: number) {
    this.data = new Uint8ClampedArray(width * height * 4);
    this.whole = new Uint32Array(this.data.buffer);
    this.traced = { band: new Columns(width), line: new Columns(width) };
  }

  clear(colour: Rgb): void {
    this.whole.fill(pack(colour));
  }

  /**
   * Blends a stretch of a column; its ends may lie within a pixel. The innermost
   * loop of a plot: written plainly, because it must be quick before it is compiled.
   */
  column(x: number, top: number, bottom: number, colour: Rgb, alpha: number): void {
    if (x < 0 || x >= this.width) return;
    const data = this.data;
    const start = Math.max(0, top);
    const end = Math.min(this.height, bottom);
    const r = colour[0];
    const g = colour[1];
    const b = colour[2];
    let y = Math.floor(start);
    for (let i = (y * this.width + x) * 4; y < end; y++, i += this.width * 4) {
      const a = alpha * (Math.min(end, y + 1) - Math.max(start, y));
      data[i] = (data[i] as number) + (r - (data[i] as number)) * a;
      data[i + 1] = (data[i + 1] as number) + (g - (data[i + 1] as number)) * a;
      data[i + 2] = (data[i + 2] as number) + (b - (data[i + 2] as number)) * a;
    }
  }

  /** A row over the whole width, so many pixels high. */
  row(y: number, colour: Rgb, thick: number): void {
    if (y >= 0) this.whole.fill(pack(colour), y * this.width, (y + thick) * this.width);
  }

  /** Slanting strokes between two columns, as paper is marked where nothing is known. */
  hatch(x0: number, x1: number, step: number, thick: number, colour: Rgb): void {
    const ink = pack(colour);
    const end = Math.min(this.width, Math.max(x1, x0 + 1));
    for (let x = Math.max(0, Math.floor(x0)); x < end; x++) {
      for (let y = step - (x % step); y < this.height; y += step) {
        for (let k = 0; k < thick && y + k < this.height; k++) this.whole[(y + k) * this.width + x] = ink;
      }
    }
  }
}

const little = new Uint8Array(new Uint32Array([1]).buffer)[0] === 1;
const pack = ([r, g, b]: Rgb) => (little ? (255 << 24) | (b << 16) | (g << 8) | r : (r << 24) | (g << 16) | (b << 8) | 255) >>> 0;

/** How time and value lie on the raster, in its pixels. */
export interface Scale {
  from: number;
  perPx: number;
  low: number;
  high: number;
}

/** The highest and lowest point of each column; infinite where nothing is. */
export class Columns {
  readonly top: Float64Array;
  readonly bottom: Float64Array;

  constructor(readonly width: number) {
    this.top = new Float64Array(width);
    this.bottom = new Float64Array(width);
    this.clear();
  }

  clear(): void {
    this.top.fill(Infinity);
    this.bottom.fill(-Infinity);
  }

  /** Takes the heights y0 and y1 into every column from x0 to x1. */
  box(x0: number, x1: number, y0: number, y1: number): void {
    const last = Math.min(this.width - 1, Math.max(Math.ceil(x1) - 1, Math.floor(x0)));
    for (let x = Math.max(0, Math.floor(x0)); x <= last; x++) this.take(x, y0, y1);
  }

  /** Takes a straight line. */
  line(x0: number, y0: number, x1: number, y1: number): void {
    const a = Math.floor(x0);
    const b = Math.floor(x1);
    if (a === b) return void (a >= 0 && a < this.width && this.take(a, y0, y1));
    const slope = (y1 - y0) / (x1 - x0);
    const last = Math.min(this.width - 1, b);
    for (let x = Math.max(0, a); x <= last; x++) {
      this.take(x, y0 + slope * (Math.max(x, x0) - x0), y0 + slope * (Math.min(x + 1, x1) - x0));
    }
  }

  private take(x: number, y0: number, y1: number): void {
    const top = y0 < y1 ? y0 : y1;
    const bottom = y0 < y1 ? y1 : y0;
    if (top < (this.top[x] as number)) this.top[x] = top;
    if (bottom > (this.bottom[x] as number)) this.bottom[x] = bottom;
  }
}

/** The first cell whose time is not before ms. */
function firstFrom(t: Float64Array, ms: number): number {
  let [low, high] = [0, t.length];
  while (low < high) {
    const mid = (low + high) >> 1;
    if ((t[mid] as number) < ms) low = mid + 1;
    else high = mid;
  }
  return low;
}

/** The cells that a window shows, with one beyond each end, to which lines run. */
export function shown(t: Float64Array, from: number, to: number): [number, number] {
  return [Math.max(0, firstFrom(t, from) - 1), Math.min(t.length, firstFrom(t, to) + 1)];
}

/** Where cell i begins: half way to the one before it. */
export function edge(t: Float64Array, i: number): number {
  const n = t.length;
  if (n === 1) return t[0] as number;
  if (i === 0) return 1.5 * (t[0] as number) - 0.5 * (t[1] as number);
  if (i === n) return 1.5 * (t[n - 1] as number) - 0.5 * (t[n - 2] as number);
  return ((t[i - 1] as number) + (t[i] as number)) / 2;
}

export interface Traced {
  band: Columns;
  line: Columns;
}

/** What a curve takes up in each column: the band of what was read, and the line of the means. */
export function traced(c: Curve, s: Scale, { width, height, traced: t }: Raster): Traced {
  const { band, line } = t;
  band.clear();
  line.clear();
  const [first, end] = shown(c.t, s.from, s.from + s.perPx * width);
  const x = (ms: number) => (ms - s.from) / s.perPx;
  const k = height / (s.high - s.low);
  const y = (v: number) => (s.high - v) * k;
  let px = NaN; // where the line has come to
  let py = NaN;
  for (let i = first; i < end; i++) {
    const mean = c.mean[i] as number;
    if (Number.isNaN(mean)) {
      px = NaN;
      continue;
    }
    const x0 = x(edge(c.t, i));
    const x1 = x(edge(c.t, i + 1));
    const lo = c.min[i] as number;
    const hi = c.max[i] as number;
    if (hi > lo) band.box(x0, x1, y(hi), y(lo));
    const at = y(mean);
    if (c.bit) {
      if (!Number.isNaN(px)) line.box(x0, x0, py, at);
      line.box(x0, x1, at, at);
      px = x1;
      py = at;
      continue;
    }
    const mid = x(c.t[i] as number);
    if (!Number.isNaN(px)) line.line(px, py, mid, at);
    else if (i + 1 >= c.t.length || Number.isNaN(c.mean[i + 1] as number)) line.box(mid - 1, mid + 1, at, at); // alone between gaps
    px = mid;
    py = at;
  }
  return t;
}

/** Paints what traced has found. px: device pixels to a CSS pixel. */
export function paint(r: Raster, t: Traced, rgb: Rgb, style: Style, s: Scale, px: number, wash: number): void {
  const half = (style.weight * px) / 2;
  const wide = Math.max(0, Math.floor(half - 0.5));
  const dash = style.dash.map((d) => d * px);
  const round = dash.reduce((a, b) => a + b, 0);
  // Dashes move with the time beneath them, not with the window.
  const phase = round > 0 ? Math.round(s.from / s.perPx) % round : 0;
  for (let x = 0; x < r.width; x++) {
    const bt = t.band.top[x] as number;
    const bb = t.band.bottom[x] as number;
    if (bb > bt) {
      r.column(x, bt, bb, rgb, wash);
      spike(r, t, x, rgb, px);
    }
    let lt = t.line.top[x] as number;
    let lb = t.line.bottom[x] as number;
    // A steep stretch is never left out by a dash: it may be a spike.
    const left = round > 0 && lb - lt < 6 * px && !inDash((x + phase) % round, dash);
    // A steep stroke is as wide as a flat one is high.
    for (let k = 1; k <= wide; k++) {
      lt = Math.min(lt, t.line.top[x - k] ?? Infinity, t.line.top[x + k] ?? Infinity);
      lb = Math.max(lb, t.line.bottom[x - k] ?? -Infinity, t.line.bottom[x + k] ?? -Infinity);
    }
    if (lb < lt || left) continue;
    r.column(x, lt - half, lb + half, rgb, 1);
  }
}

/** What stands out from the columns beside it would be too faint as a shadow of one column. */
function spike(r: Raster, t: Traced, x: number, rgb: Rgb, px: number): void {
  const beside = Math.ceil(2 * px);
  const left = Math.max(0, x - beside);
  const right = Math.min(r.width - 1, x + beside);
  const top = Math.min(highest(t, left, x), highest(t, right, x));
  const bottom = Math.max(lowest(t, left, x), lowest(t, right, x));
  if (bottom < top) return; // alone: there is nothing to stand out from
  const least = 5 * px;
  if ((t.band.top[x] as number) < top - least) r.column(x, t.band.top[x] as number, top, rgb, 0.7);
  if ((t.band.bottom[x] as number) > bottom + least) r.column(x, bottom, t.band.bottom[x] as number, rgb, 0.7);
}

const highest = (t: Traced, at: number, not: number) => (at === not ? Infinity : Math.min(t.band.top[at] as number, t.line.top[at] as number));
const lowest = (t: Traced, at: number, not: number) => (at === not ? -Infinity : Math.max(t.band.bottom[at] as number, t.line.bottom[at] as number));

function inDash(at: number, dash: number[]): boolean {
  let left = at;
  for (let i = 0; i < dash.length; i++) {
    const d = dash[i] as number;
    if (left < d) return i % 2 === 0;
    left -= d;
  }
  return true;
}

/** Stretches in which every one of the curves has a gap. Outside of what was fetched nothing is said. */
export function commonGaps(curves: Curve[], from: number, to: number): Span[] {
  let out: Span[] | undefined;
  for (const c of curves) {
    const own = gapsOf(c, from, to);
    out = out === undefined ? own : cross(out, own);
    if (out.length === 0) return out;
  }
  return out ?? [];
}

function gapsOf(c: Curve, from: number, to: number): Span[] {
  const out: Span[] = [];
  const [first, end] = shown(c.t, from, to);
  for (let i = first; i < end; i++) {
    if (!Number.isNaN(c.mean[i] as number)) continue;
    const start = i;
    while (i + 1 < end && Number.isNaN(c.mean[i + 1] as number)) i++;
    out.push({ from: edge(c.t, start), to: edge(c.t, i + 1) });
  }
  return out;
}

function cross(a: Span[], b: Span[]): Span[] {
  const out: Span[] = [];
  for (let i = 0, j = 0; i < a.length && j < b.length;) {
    const [p, q] = [a[i] as Span, b[j] as Span];
    const [from, to] = [Math.max(p.from, q.from), Math.min(p.to, q.to)];
    if (to > from) out.push({ from, to });
    if (p.to < q.to) i++;
    else j++;
  }
  return out;
}
