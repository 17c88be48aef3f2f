// A cursor: a line through all lanes with a handle beneath, moved by pointer or keys.
import { clock } from '../units/words';
import { dayText } from './ticks';
import { innerPx, leftPx } from './ink';

export const cursorPx = 28;
/** Width of a handle with its time, about. */
const handlePx = 110;

type Side = 'left' | 'right';

/** How both handles hang. */
export interface Flags {
  a: Side;
  b: Side;
  /** they show their letters alone: with their times one would cover the other */
  short: boolean;
}

/**
 * To which side the handles hang: away from each other, but within the plot. Where
 * they would still meet they shrink to their letters, which find room beside the
 * plot's ends too.
 */
export function flags(a: number | undefined, b: number | undefined, from: number, to: number, inner: number): Flags {
  const place = (at: number | undefined) => (at === undefined || at < from || at > to ? undefined : ((at - from) / (to - from)) * inner);
  const [xa, xb] = [place(a), place(b)];
  const side = (x: number | undefined, other: number | undefined): Side => {
    if (x === undefined) return 'right';
    if (x > inner - handlePx) return 'left';
    return x > handlePx && other !== undefined && other > x ? 'left' : 'right';
  };
  const [sideA, sideB] = [side(xa, xb), side(xb, xa)];
  if (xa === undefined || xb === undefined) return { a: sideA, b: sideB, short: false };
  const start = (x: number, s: Side) => (s === 'left' ? x - handlePx : x);
  if (Math.abs(start(xa, sideA) - start(xb, sideB)) >= handlePx) return { a: sideA, b: sideB, short: false };
  return xa <= xb ? { a: 'left', b: 'right', short: true } : { a: 'right', b: 'left', short: true };
}

export function Cursor({ which, at, side, short, from, to, least, most, width, timeZone, moment, onCursor, onLeave }: {
  which: 'a' | 'b'; at: number; side: Side; short: boolean; from: number; to: number; least: number; most: number; width: number; timeZone: string;
  moment: (clientX: number) => number; onCursor: (which: 'a' | 'b', at: number | undefined) => void; onLeave: () => void;
}) {
  if (at < from || at > to) return null;
  const inner = innerPx(width);
  const x = ((at - from) / (to - from)) * inner;
  const step = (to - from) / inner;
  const letter = which.toUpperCase();
  const set = (ms: number) => onCursor(which, Math.round(Math.min(Math.max(ms, from), to)));
  const key = (e: KeyboardEvent) => {
    const by = { ArrowLeft: -1, ArrowRight: 1, ArrowDown: -1, ArrowUp: 1, PageDown: -50, PageUp: 50 }[e.key];
    if (e.ctrlKey || e.altKey || e.metaKey) return;
    if (by !== undefined) set(at + by * step * (e.shiftKey ? 10 : 1));
    else if (e.key === 'Home') set(from);
    else if (e.key === 'End') set(to);
    else if (e.key === 'Delete' || e.key === 'Backspace') {
      onCursor(which, undefined);
      onLeave();
    } else if (e.key === 'Escape') onLeave();
    else return;
    e.preventDefault();
    e.stopPropagation();
  };
  const drag = (e: PointerEvent) => {
    const handle = e.currentTarget as HTMLElement;
    if (e.type === 'pointerdown' && e.button === 0) handle.setPointerCapture?.(e.pointerId);
    else if (handle.hasPointerCapture?.(e.pointerId)) set(moment(e.clientX));
  };
  return (
    <div class={`plot-cursor cursor-${which}`} style={{ left: `${leftPx + x}px`, bottom: `${cursorPx}px` }}>
      <div
        class="cursor-handle" role="slider" tabIndex={0} data-cursor={which} data-side={side}
        aria-label={`Cursor ${letter}`} aria-valuemin={least} aria-valuemax={most} aria-valuenow={at}
        aria-valuetext={`${dayText(at, timeZone)} ${clock(at, timeZone)}`}
        onKeyDown={key} onPointerDown={drag} onPointerMove={drag}
      >
        <b>{letter}</b>{!short && <> <time dateTime={new Date(at).toISOString()}>{clock(at, timeZone)}</time></>}
      </div>
    </div>
  );
}
