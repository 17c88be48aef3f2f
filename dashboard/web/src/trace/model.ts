// The view that the reader has: it moves at once, and the address follows when
// it rests, lest the browser's history fill up or refuse.
import { effect, signal } from '@preact/signals';
import { go, place } from '../route';
import { parseView, traceHref, type TraceView } from './address';
import type { Span } from './window';

/** Cursors are written into the address when they have rested so long. */
const restMs = 400;
/** Moves that follow one another so quickly are one step back. */
const togetherMs = 2_000;

export class TraceModel {
  readonly view = signal<TraceView>(parseView(place.peek().query));
  /** where the reader's fingers have the view just now */
  readonly moving = signal<Span | undefined>(undefined);
  /** the mark that is chosen, by its key */
  readonly chosen = signal('');
  private written = traceHref(this.view.peek());
  private timer: ReturnType<typeof setTimeout> | undefined;
  private pushedAt = -Infinity;
  private readonly undo: () => void;

  constructor() {
    this.undo = effect(() => {
      const at = place.value;
      if (at.page !== 'trace') return;
      const asked = traceHref(parseView(at.query));
      if (asked === this.written) return;
      clearTimeout(this.timer); // a link, or a step back: it is what counts now
      this.written = asked;
      this.view.value = parseView(at.query);
      this.moving.value = undefined;
    });
  }

  stop(): void {
    this.undo();
    clearTimeout(this.timer);
  }

  /** Changes the view; step: it can be stepped back through. */
  set(change: Partial<TraceView>, step: boolean): void {
    this.view.value = { ...this.view.peek(), ...change };
    this.moving.value = undefined;
    if (step) this.write(true);
    else {
      clearTimeout(this.timer);
      this.timer = setTimeout(() => this.write(false), restMs);
    }
  }

  private write(step: boolean): void {
    clearTimeout(this.timer);
    const next = traceHref(this.view.peek());
    if (next === this.written) return;
    this.written = next;
    const now = performance.now();
    go(next, !step || now - this.pushedAt < togetherMs);
    if (step) this.pushedAt = now;
  }
}
