// Wheel, drag, pinch and keys, told as windows of time. Events come faster than
// a screen is drawn: at most one window is told in a frame.
import { useEffect, useRef } from 'preact/hooks';
import { innerPx } from './ink';
import type { PlotProps } from './types';
import { panned, pinched, zoomed, type Limits, type Span } from './window';

/** A press that moves less is a click, CSS px. */
const clickPx = 5;
/** After the wheel has been still for so long, the move is over. */
const wheelRestMs = 200;

type Now = { current: PlotProps };

/** Tells the reader's window: at most once a frame, and the last one always. */
class Teller {
  private asked: Span | undefined;
  private frame = 0;
  private rest: ReturnType<typeof setTimeout> | undefined;

  constructor(private readonly now: Now) {}

  /** The window as the reader has moved it, which the page may not have drawn yet. */
  get window(): Span {
    return this.asked ?? { from: this.now.current.from, to: this.now.current.to };
  }

  get limits(): Limits {
    return { least: this.now.current.least, most: this.now.current.most };
  }

  move(w: Span): void {
    this.asked = w;
    if (this.frame === 0) this.frame = requestAnimationFrame(() => this.tell(false));
  }

  /** Tells that the move is over, when nothing more comes for a while. */
  moveAndRest(w: Span): void {
    this.move(w);
    clearTimeout(this.rest);
    this.rest = setTimeout(() => this.finish(), wheelRestMs);
  }

  finish(): void {
    if (this.asked === undefined) return;
    this.tell(true);
    this.asked = undefined;
  }

  private tell(done: boolean): void {
    cancelAnimationFrame(this.frame);
    this.frame = 0;
    if (done) clearTimeout(this.rest);
    if (this.asked) this.now.current.onView(this.asked.from, this.asked.to, done);
  }

  stop(): void {
    cancelAnimationFrame(this.frame);
    clearTimeout(this.rest);
    this.asked = undefined;
  }
}

interface Gestures {
  surface: preact.RefObject<HTMLDivElement | null>;
  teller: Teller;
  /** the moment under a place of the screen */
  at: (clientX: number) => number;
}

export function useGestures(now: Now, onClick: (at: number, shift: boolean) => void): Gestures {
  const surface = useRef<HTMLDivElement>(null);
  const teller = useRef<Teller | null>(null);
  teller.current ??= new Teller(now);
  const click = useRef(onClick);
  click.current = onClick;
  const at = (clientX: number): number => {
    const left = surface.current?.getBoundingClientRect().left ?? 0;
    const w = teller.current?.window ?? now.current;
    return w.from + ((clientX - left) / innerPx(now.current.width)) * (w.to - w.from);
  };
  useEffect(() => {
    const element = surface.current;
    const t = teller.current;
    if (!element || !t) return;
    const off = listen(element, t, now, at, (ms, shift) => click.current(ms, shift));
    return () => {
      off();
      t.stop();
    };
  }, []);
  return { surface, teller: teller.current, at };
}

interface Hold {
  /** the window and the fingers' places when they came down */
  window: Span;
  down: Map<number, number>;
  moved: boolean;
  /** on the time axis: dragging stretches */
  axis: boolean;
}

function listen(element: HTMLElement, t: Teller, now: Now, at: (x: number) => number, click: (ms: number, shift: boolean) => void): () => void {
  const fingers = new Map<number, number>();
  let hold: Hold | undefined;
  const local = (e: PointerEvent) => e.clientX - element.getBoundingClientRect().left;
  const begin = (axis: boolean, moved: boolean) => { hold = { window: t.window, down: new Map(fingers), moved, axis }; };
  const down = (e: PointerEvent) => {
    if (e.button !== 0 || fingers.size >= 2) return;
    element.setPointerCapture?.(e.pointerId);
    fingers.set(e.pointerId, local(e));
    begin((e.target as Element).closest('.plot-stretch') !== null, fingers.size > 1);
  };
  const move = (e: PointerEvent) => {
    now.current.onPoint(at(e.clientX));
    if (!hold || !fingers.has(e.pointerId)) return;
    fingers.set(e.pointerId, local(e));
    const next = held(hold, fingers, innerPx(now.current.width), t.limits);
    if (next) t.move(next);
  };
  const up = (e: PointerEvent) => {
    if (!fingers.delete(e.pointerId) || !hold) return;
    if (fingers.size > 0) return begin(hold.axis, true); // one finger stays and goes on alone
    const still = !hold.moved && e.type === 'pointerup' && !hold.axis;
    hold = undefined;
    t.finish();
    if (still) click(at(e.clientX), e.shiftKey);
  };
  const leave = () => now.current.onPoint(null);
  const wheel = (e: WheelEvent) => {
    const w = t.window;
    const size = e.deltaMode === 1 ? 20 : e.deltaMode === 2 ? 400 : 1;
    const sideways = e.shiftKey ? e.deltaY || e.deltaX : Math.abs(e.deltaX) > Math.abs(e.deltaY) ? e.deltaX : 0;
    const next = sideways !== 0
      ? panned(w, (sideways * size * (w.to - w.from)) / innerPx(now.current.width), t.limits)
      : zoomed(w, at(e.clientX), Math.exp(Math.max(-0.5, Math.min(0.5, e.deltaY * size * (e.ctrlKey ? 0.01 : 0.0018)))), t.limits);
    if (next.from === w.from && next.to === w.to) return; // at the end: the page may scroll on
    e.preventDefault();
    t.moveAndRest(next);
  };
  // Two fingers are ours; one that moves up or down scrolls the page.
  const touch = (e: TouchEvent) => { if (e.touches.length > 1) e.preventDefault(); };
  const all: [string, (e: never) => void, AddEventListenerOptions?][] = [
    ['pointerdown', down], ['pointermove', move], ['pointerup', up], ['pointercancel', up], ['pointerleave', leave],
    ['wheel', wheel, { passive: false }], ['touchstart', touch, { passive: false }], ['touchmove', touch, { passive: false }],
  ];
  for (const [name, f, o] of all) element.addEventListener(name, f as EventListener, o);
  return () => { for (const [name, f, o] of all) element.removeEventListener(name, f as EventListener, o); };
}

/** The window that the fingers have made of the one they took hold of. */
function held(hold: Hold, fingers: Map<number, number>, width: number, limits: Limits): Span | undefined {
  const pairs = [...fingers].flatMap(([id, is]): [number, number][] => {
    const was = hold.down.get(id);
    return was === undefined ? [] : [[was, is]];
  });
  const [one, two] = pairs;
  if (!one) return undefined;
  if (two) return pinched(hold.window, width, [one[0], two[0]], [one[1], two[1]], limits);
  const by = one[1] - one[0];
  if (!hold.moved && Math.abs(by) < clickPx) return undefined;
  hold.moved = true;
  const span = hold.window.to - hold.window.from;
  if (!hold.axis) return panned(hold.window, (-by * span) / width, limits);
  return zoomed(hold.window, hold.window.from + (one[0] / width) * span, Math.exp(-by / 150), limits);
}

/** What a key does to the window; undefined: nothing. */
export function keyed(key: string, shift: boolean, w: Span, l: Limits): Span | undefined {
  const span = w.to - w.from;
  const middle = (w.from + w.to) / 2;
  switch (key) {
    case 'ArrowLeft': return panned(w, -span * (shift ? 0.5 : 0.1), l);
    case 'ArrowRight': return panned(w, span * (shift ? 0.5 : 0.1), l);
    case 'PageUp': return panned(w, -span, l);
    case 'PageDown': return panned(w, span, l);
    case 'Home': return panned(w, l.least - w.from, l);
    case 'End': return panned(w, l.most - w.to, l);
    case '+':
    case '=': return zoomed(w, middle, 1 / 1.5, l);
    case '-':
    case '_': return zoomed(w, middle, 1.5, l);
    case '0': return zoomed(w, middle, Infinity, l);
    default: return undefined;
  }
}
