// What a machine did, as blocks of their own height and pattern on the plot's
// time. A canvas, because a month has thousands of cycles.
import { useLayoutEffect, useRef } from 'preact/hooks';
import type { StateName } from '../api';
import type { Run } from '../chart/runs';
import { stateHeight } from '../chart/skyline';
import { Ink, innerPx, leftPx } from './ink';

const statesPx = 30;

export function StatesCanvas({ runs, from, to, width, colours }: { runs: Run[]; from: number; to: number; width: number; colours: number }) {
  const canvas = useRef<HTMLCanvasElement>(null);
  useLayoutEffect(() => {
    const c = canvas.current;
    const ctx = c?.getContext('2d');
    if (!c || !ctx || width <= 0) return;
    const px = window.devicePixelRatio || 1;
    const [w, h] = [Math.round(width * px), Math.round(statesPx * px)];
    if (c.width !== w || c.height !== h) [c.width, c.height] = [w, h];
    ctx.clearRect(0, 0, w, h);
    drawStates(ctx, runs, from, to, Math.round(leftPx * px), Math.round(innerPx(width) * px), h, px);
  }, [runs, from, to, width, colours]);
  return <canvas class="states-canvas" ref={canvas} style={{ width: `${width}px`, height: `${statesPx}px` }} aria-hidden="true" />;
}

interface Block {
  x0: number;
  x1: number;
  state: StateName;
}

/**
 * One block a run; where several share a column, the column shows the one that
 * lasted longest within it, but a trip before all. Pure.
 */
export function blocks(runs: Run[], from: number, to: number, width: number): Block[] {
  const perPx = (to - from) / width;
  const out: Block[] = [];
  const add = (x0: number, x1: number, state: StateName) => {
    const last = out.at(-1);
    if (last && last.state === state && last.x1 === x0) last.x1 = x1;
    else if (x1 > x0) out.push({ x0, x1, state });
  };
  let column = -1; // the one that is being filled
  let share = new Map<StateName, number>();
  const close = () => {
    let best: StateName | undefined;
    for (const [state, ms] of share) if (best === undefined || state === 'tripped' || (best !== 'tripped' && ms > (share.get(best) ?? 0))) best = state;
    if (best !== undefined) add(column, column + 1, best);
    share = new Map();
  };
  const put = (x: number, state: StateName, ms: number) => {
    if (ms <= 0) return;
    if (x !== column) {
      close();
      column = x;
    }
    share.set(state, (share.get(state) ?? 0) + ms);
  };
  for (const r of runs) {
    if (r.to <= from || r.from >= to) continue;
    const [a, b] = [Math.max(0, (r.from - from) / perPx), Math.min(width, (r.to - from) / perPx)];
    const [first, last] = [Math.floor(a), Math.min(width - 1, Math.floor(b))];
    put(first, r.state, Math.min(b, first + 1) - a);
    if (last <= first) continue;
    if (last > first + 1) {
      close();
      add(first + 1, last, r.state);
    }
    put(last, r.state, b - last);
  }
  close();
  return out;
}

function drawStates(ctx: CanvasRenderingContext2D, runs: Run[], from: number, to: number, left: number, width: number, h: number, px: number): void {
  const base = h - px;
  const fills = new Map<StateName, string | CanvasPattern>();
  const ink = new Ink(ctx);
  const outline = ink.css('--ink');
  for (const b of blocks(runs, from, to, width)) {
    let fill = fills.get(b.state);
    if (fill === undefined) fills.set(b.state, (fill = fillOf(ctx, ink, b.state, px)));
    const high = (base - 2 * px) * stateHeight[b.state];
    ctx.fillStyle = fill;
    ctx.fillRect(left + b.x0, base - high, b.x1 - b.x0, high);
    if (b.state === 'unobserved') continue;
    ctx.fillStyle = outline;
    ctx.fillRect(left + b.x0, base - high, b.x1 - b.x0, Math.max(1, 0.75 * px));
    // Blocks too narrow for an outline of their own would be nothing but outline.
    if (b.x1 - b.x0 > 3 * px) ctx.fillRect(left + b.x0, base - high, Math.max(1, 0.75 * px), high);
  }
  ctx.fillStyle = outline;
  ctx.fillRect(left, base, width, px);
}

/** The same patterns as the key's, which is drawn by chart/skyline. */
function fillOf(ctx: CanvasRenderingContext2D, ink: Ink, state: StateName, px: number): string | CanvasPattern {
  if (state === 'unloaded') return pattern(ctx, 5 * px, ink.css('--paper'), ink.css('--state-unloaded'), 2.4 * px, false);
  if (state === 'tripped') return pattern(ctx, 8 * px, ink.css('--paper'), ink.css('--state-tripped'), 2.2 * px, true);
  if (state === 'unobserved') return pattern(ctx, 7 * px, undefined, ink.css('--hatch'), 1.4 * px, false);
  return ink.css(`--state-${state}`);
}

function pattern(ctx: CanvasRenderingContext2D, size: number, ground: string | undefined, ink: string, thick: number, both: boolean): string | CanvasPattern {
  const tile = document.createElement('canvas');
  tile.width = tile.height = Math.round(size);
  const t = tile.getContext('2d');
  if (!t) return ink;
  const s = tile.width;
  if (ground !== undefined) {
    t.fillStyle = ground;
    t.fillRect(0, 0, s, s);
  }
  t.strokeStyle = ink;
  t.lineWidth = thick;
  t.beginPath();
  // Three strokes, so that the corners of neighbouring tiles meet.
  for (const d of [-s, 0, s]) {
    t.moveTo(d - 1, s + 1);
    t.lineTo(d + s + 1, -1);
    if (both) {
      t.moveTo(d - 1, -1);
      t.lineTo(d + s + 1, s + 1);
    }
  }
  t.stroke();
  return ctx.createPattern(tile, 'repeat') ?? ink;
}
