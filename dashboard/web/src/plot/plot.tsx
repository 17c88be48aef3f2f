// The plot over time: what happened, what the machines did, and lanes of curves
// above one time axis. It draws what it is given; the page owns window and cursors.
import { useMemo, useRef } from 'preact/hooks';
import { axisPx } from './axis';
import { Cursor, cursorPx, flags } from './cursor';
import { keyed, useGestures } from './gesture';
import { innerPx, leftPx } from './ink';
import { Marks, marksPx, type Pile } from './marks';
import { Picture } from './picture';
import type { PlotProps } from './types';
import { summary } from './words';
import { zoomed } from './window';

export function Plot(props: PlotProps) {
  const now = useRef(props);
  now.current = props;
  const root = useRef<HTMLDivElement>(null);
  const point = useRef<number | null>(null);
  const g = useGestures(now, (at) => click(now.current, Math.round(at)));
  const { from, to, width, lanes, states, marks, timeZone, colours } = props;
  const inner = innerPx(width);
  const side = flags(props.a, props.b, from, to, inner);
  const label = useMemo(() => summary(lanes, from, to, marks.filter((m) => (m.to ?? m.from) >= from && m.from < to).length, timeZone), [lanes, from, to, marks, timeZone]);
  const leave = () => g.surface.current?.focus();
  const key = (e: KeyboardEvent) => {
    if (e.ctrlKey || e.altKey || e.metaKey) return;
    const next = keyed(e.key, e.shiftKey, g.teller.window, g.teller.limits);
    if (next) g.teller.move(next);
    else if (!letter(e.key, now.current, point.current, root.current)) return;
    e.preventDefault();
  };
  const cursor = { from, to, least: props.least, most: props.most, width, timeZone, moment: g.at, onCursor: props.onCursor, onLeave: leave };
  return (
    <div class="plot" ref={root} style={{ width: `${width}px`, paddingBottom: `${cursorPx}px` }}>
      <div role="img" aria-label={label} class="plot-picture" style={{ paddingTop: `${marksPx}px` }}>
        <Picture from={from} to={to} lanes={lanes} states={states} width={width} timeZone={timeZone} colours={colours} />
      </div>
      <div
        class="plot-surface" ref={g.surface} role="application" tabIndex={0} aria-label="Move through time. The keys are told below the plot."
        style={{ left: `${leftPx}px`, width: `${inner}px`, bottom: `${cursorPx}px` }}
        onKeyDown={key} onKeyUp={() => g.teller.finish()} onBlur={() => g.teller.finish()}
        onPointerMove={(e) => { point.current = g.at(e.clientX); }} onPointerLeave={() => { point.current = null; }}
      >
        <div class="plot-stretch" style={{ height: `${axisPx}px` }} />
      </div>
      <Marks marks={marks} chosen={props.chosen} from={from} to={to} width={width} onMark={props.onMark} onPile={(p) => open(p, props)} />
      {props.a !== undefined && <Cursor {...cursor} which="a" at={props.a} side={side.a} short={side.short} />}
      {props.b !== undefined && <Cursor {...cursor} which="b" at={props.b} side={side.b} short={side.short} />}
    </div>
  );
}

/** A click sets A, the next one B; a further one moves the nearer of them. */
function click(p: PlotProps, at: number): void {
  if (p.a === undefined) p.onCursor('a', at);
  else if (p.b === undefined) p.onCursor('b', at);
  else p.onCursor(Math.abs(at - p.a) <= Math.abs(at - p.b) ? 'a' : 'b', at);
}

/** Shows what is in a pile: nearer, or one after the other where they are of one moment. */
function open(pile: Pile, p: PlotProps): void {
  const [first, last] = [pile.marks[0], pile.marks.at(-1)];
  if (!first || !last) return;
  const apart = last.from - first.from;
  const next = zoomed({ from: p.from, to: p.to }, (first.from + last.from) / 2, Math.min(0.5, (4 * apart) / (p.to - p.from)), p);
  if (apart > 0 && next.to - next.from < p.to - p.from) return p.onView(next.from, next.to, true);
  const i = pile.marks.findIndex((m) => m.key === p.chosen);
  p.onMark(pile.marks[(i + 1) % pile.marks.length]?.key ?? '');
}

/** The letters: a and b set a cursor and take hold of it, n and p go from mark to mark. */
function letter(key: string, p: PlotProps, point: number | null, root: HTMLElement | null): boolean {
  if (key === 'a' || key === 'b') {
    const there = key === 'a' ? p.a : p.b;
    const seen = there !== undefined && there >= p.from && there <= p.to;
    if (!seen) p.onCursor(key, Math.round(point ?? (p.from + p.to) / 2));
    // The handle is there when the page has drawn it.
    requestAnimationFrame(() => root?.querySelector<HTMLElement>(`[data-cursor=${key}]`)?.focus());
    return true;
  }
  if (key !== 'n' && key !== 'p') return false;
  const order = [...p.marks].sort((x, y) => x.from - y.from);
  const i = order.findIndex((m) => m.key === p.chosen);
  const before = i >= 0 ? order.slice(0, i) : order.filter((m) => m.from < (p.from + p.to) / 2);
  const after = i >= 0 ? order.slice(i + 1) : order.filter((m) => m.from >= (p.from + p.to) / 2);
  const next = key === 'n' ? after[0] : before.at(-1);
  if (next) p.onMark(next.key);
  return true;
}

/** How the plot is moved, in words. */
export function PlotKeys() {
  return (
    <details class="plot-keys">
      <summary>How to move in the plot</summary>
      <dl>
        <dt>Go through time</dt><dd>Drag, or Shift and the wheel, or ← and → (with Shift by half a window). Page Up and Page Down go by a whole window, Home to the beginning, End to the end.</dd>
        <dt>See more or less time</dt><dd>The wheel, two fingers, or + and −; or drag the times below the lanes. 0 shows everything.</dd>
        <dt>Set a cursor</dt><dd>Click for A, click again for B; a further click moves the nearer one. Or press A or B, then ← and → (with Shift by ten steps); Delete takes it away, Escape goes back to the plot.</dd>
        <dt>Go from mark to mark</dt><dd>N for the next one, P for the one before.</dd>
      </dl>
    </details>
  );
}
