// One lane: the curves of one unit on one axis, in a canvas of its own.
import { useLayoutEffect, useRef } from 'preact/hooks';
import { placeLabels } from './guides';
import { Ink, innerPx, leftPx } from './ink';
import { lookOf } from './looks';
import { rangeOf, type Range } from './range';
import { commonGaps, paint, Raster, traced, type Scale } from './raster';
import { timeTicks, valueTicks } from './ticks';
import type { Lane, PlotGuide } from './types';

interface LaneProps {
  lane: Lane;
  from: number;
  to: number;
  width: number;
  timeZone: string;
  /** grows when the theme changed */
  colours: number;
}

/** Shadow of the band beneath its line. */
const wash = 0.2;

export function LaneCanvas(props: LaneProps) {
  const canvas = useRef<HTMLCanvasElement>(null);
  const raster = useRef<Raster | null>(null);
  const { lane, from, to, width, timeZone, colours } = props;
  useLayoutEffect(() => {
    const c = canvas.current;
    const ctx = c?.getContext('2d');
    if (c && ctx && width > 0) draw(c, ctx, props, raster);
  }, [lane, from, to, width, timeZone, colours]);
  // What a canvas held is given back at once, not when the collector comes by.
  useLayoutEffect(() => () => {
    raster.current = null;
    if (canvas.current) canvas.current.width = canvas.current.height = 0;
  }, []);
  return <canvas class="lane-canvas" ref={canvas} style={{ width: `${width}px`, height: `${lane.height}px` }} aria-hidden="true" />;
}

function draw(c: HTMLCanvasElement, ctx: CanvasRenderingContext2D, p: LaneProps, kept: { current: Raster | null }): void {
  const px = window.devicePixelRatio || 1;
  const [w, h] = [Math.round(p.width * px), Math.round(p.lane.height * px)];
  if (c.width !== w || c.height !== h) [c.width, c.height] = [w, h];
  const inner = Math.max(1, Math.round(innerPx(p.width) * px));
  if (kept.current?.width !== inner || kept.current.height !== h) kept.current = new Raster(inner, h);
  const r = kept.current;
  const ink = new Ink(ctx);
  const range = rangeOf(p.lane, p.from, p.to);
  const scale: Scale = { from: p.from, perPx: (p.to - p.from) / inner, low: range.low, high: range.high };
  paper(r, ink, p, scale, px);
  for (const curve of p.lane.curves) {
    const look = lookOf(curve.look);
    paint(r, traced(curve, scale, r), ink.rgb(look.colour), look, scale, px, wash);
  }
  ctx.clearRect(0, 0, w, h);
  ctx.putImageData(new ImageData(r.data, inner, h), Math.round(leftPx * px), 0);
  axis(ctx, ink, p.lane, range, h, px);
  guides(ctx, ink, p.lane.guides, range, Math.round(leftPx * px), inner, h, px);
}

function yOf(value: number, range: Range, h: number): number {
  return ((range.high - value) / (range.high - range.low)) * h;
}

function ticksOf(lane: Lane, range: Range): number[] {
  return lane.curves.length > 0 && lane.curves.every((c) => c.bit) ? [0, 1] : valueTicks(range.low, range.high, Math.max(2, lane.height / 30));
}

/** Beneath the curves: ground, hatching where nothing is known, the round values and times. */
function paper(r: Raster, ink: Ink, p: LaneProps, s: Scale, px: number): void {
  const thin = Math.max(1, Math.round(px));
  r.clear(ink.rgb('--paper'));
  for (const g of commonGaps(p.lane.curves, p.from, p.to)) {
    r.hatch((g.from - s.from) / s.perPx, (g.to - s.from) / s.perPx, Math.round(7 * px), thin, ink.rgb('--hatch'));
  }
  const hair = ink.rgb('--hair');
  for (const t of timeTicks(p.from, p.to, innerPx(p.width) / 70, p.timeZone)) {
    for (let x = 0; x < thin; x++) r.column(Math.round((t.at - s.from) / s.perPx) + x, 0, r.height, hair, 1);
  }
  for (const v of ticksOf(p.lane, { low: s.low, high: s.high })) r.row(Math.round(yOf(v, s, r.height)), hair, thin);
}

function axis(ctx: CanvasRenderingContext2D, ink: Ink, lane: Lane, range: Range, h: number, px: number): void {
  ctx.font = `${12 * px}px system-ui, sans-serif`;
  ctx.fillStyle = ink.css('--muted');
  ctx.textAlign = 'right';
  ctx.textBaseline = 'middle';
  for (const v of ticksOf(lane, range)) {
    const y = Math.min(Math.max(yOf(v, range, h), 7 * px), h - 7 * px); // a number cut in half is none
    ctx.fillText(String(v).replace('-', '−'), (leftPx - 6) * px, y);
  }
}

function guides(ctx: CanvasRenderingContext2D, ink: Ink, list: PlotGuide[], range: Range, left: number, width: number, h: number, px: number): void {
  const seen = list.filter((g) => g.value >= range.low && g.value <= range.high);
  if (seen.length === 0) return;
  ctx.save();
  ctx.font = `${12 * px}px system-ui, sans-serif`;
  ctx.lineWidth = px;
  ctx.strokeStyle = ink.css('--muted');
  ctx.setLineDash([6 * px, 4 * px]);
  const ys = seen.map((g) => Math.round(yOf(g.value, range, h)));
  for (const y of ys) {
    ctx.beginPath();
    ctx.moveTo(left, y);
    ctx.lineTo(left + width, y);
    ctx.stroke();
  }
  // Paper around the words, lest a line strikes them through.
  ctx.setLineDash([]);
  ctx.lineJoin = 'round';
  ctx.lineWidth = 4 * px;
  ctx.strokeStyle = ink.css('--paper');
  ctx.fillStyle = ink.css('--muted');
  for (const [i, place] of placeLabels(ys, seen.map((g) => g.below), 15 * px).entries()) {
    const text = seen[i]?.text ?? '';
    const x = place.right ? left + width - 4 * px : left + 4 * px;
    const y = (ys[i] ?? 0) + (place.above ? -2 : 4) * px;
    ctx.textAlign = place.right ? 'right' : 'left';
    ctx.textBaseline = place.above ? 'bottom' : 'top';
    ctx.strokeText(text, x, y);
    ctx.fillText(text, x, y);
  }
  ctx.restore();
}
