// An answer of the API that a page keeps: fetched when its question changes and
// again at times, one request at a time. What was answered stays while the next
// is on its way or fails, and is then known to be older than it should be.
import { effect, signal, type ReadonlySignal } from '@preact/signals';
import { useEffect, useRef } from 'preact/hooks';
import { shut } from '../door/state';

/** What an Asked must know of the page: whether the reader holds it, and when to ask anew. */
export interface Pace {
  /** true: the reader holds the page still */
  held: ReadonlySignal<boolean>;
  /** grows when it is worth asking anew */
  tick?: ReadonlySignal<number> | undefined;
}

export interface Question<T> {
  /** what is asked for, as a text: another key is another question */
  key: string;
  ask: (signal: AbortSignal) => Promise<T>;
  /** asked anew after so long, ms; left out: only when the question or the tick changes */
  everyMs?: number | undefined;
}

/** At least so long between two answers to the same question, ms. */
const restMs = 3_000;
const retryMs = 15_000;

export class Asked<T> {
  /** the last answer; undefined: none yet */
  readonly value = signal<T | undefined>(undefined);
  /** the key of the question that value answers */
  readonly answered = signal('');
  readonly error = signal('');
  readonly busy = signal(false);
  private question: Question<T> | undefined;
  private request: AbortController | undefined;
  private timer: ReturnType<typeof setTimeout> | undefined;
  private askedAt = -Infinity;
  /** nobody looked when it was due */
  private missed = false;
  /** it was due while another answer was under way, which may be older than what made it due */
  private late = false;
  private undo: (() => void) | undefined;

  constructor(private readonly pace: Pace) {}

  /** Follows the pace until stop. Not begun by the constructor: what is drawn once and gone at once is never stopped. */
  start(): void {
    if (this.undo) return;
    let first = true;
    const soon = () => { if (this.question) this.plan(Math.max(0, restMs - (performance.now() - this.askedAt))); };
    const leave = effect(() => {
      void this.pace.tick?.value;
      void this.pace.held.value;
      void shut.value;
      if (!first) soon();
      first = false;
    });
    // Who comes back sees what is now, not what the next turn would bring.
    const seen = () => { if (!document.hidden && this.missed) soon(); };
    document.addEventListener('visibilitychange', seen);
    this.undo = () => {
      leave();
      document.removeEventListener('visibilitychange', seen);
    };
  }

  /** Asks; the same key again changes nothing. */
  put(question: Question<T>): void {
    const same = this.question?.key === question.key;
    this.question = question;
    if (same) return;
    this.request?.abort();
    this.request = undefined;
    this.late = false;
    this.plan(0);
  }

  /** Asks the same again at once. */
  again(): void {
    this.request?.abort();
    this.request = undefined;
    if (this.question) this.plan(0);
  }

  stop(): void {
    this.undo?.();
    this.undo = undefined;
    clearTimeout(this.timer);
    this.request?.abort();
    this.question = undefined;
  }

  private plan(ms: number): void {
    clearTimeout(this.timer);
    this.timer = setTimeout(() => void this.fetch(), ms);
  }

  private async fetch(): Promise<void> {
    const question = this.question;
    if (this.request) this.late = true;
    if (!question || this.request) return; // the end of what is under way plans the next
    const known = this.answered.peek() === question.key;
    this.missed = document.hidden || shut.peek() !== undefined || (known && this.pace.held.peek());
    if (this.missed) return; // nobody looks, or may: it is asked when somebody does
    const request = new AbortController();
    this.request = request;
    this.askedAt = performance.now();
    this.busy.value = true;
    this.late = false;
    let failed = false;
    try {
      const answer = await question.ask(request.signal);
      if (request.signal.aborted) return;
      this.answered.value = question.key;
      this.value.value = answer;
      this.error.value = '';
    } catch (e) {
      if (request.signal.aborted) return;
      failed = true;
      this.error.value = e instanceof Error ? e.message : String(e);
    } finally {
      if (this.request === request) {
        this.request = undefined;
        this.busy.value = false;
      }
    }
    if (failed) this.plan(retryMs);
    else if (this.late) this.plan(0);
    else if (question.everyMs !== undefined) this.plan(question.everyMs);
  }
}

/** An Asked that lives as long as the component. */
export function useAsked<T>(pace: Pace, question: Question<T>): Asked<T> {
  const kept = useRef<Asked<T> | undefined>(undefined);
  kept.current ??= new Asked<T>(pace);
  const asked = kept.current;
  useEffect(() => asked.put(question), [question.key]);
  useEffect(() => {
    asked.start();
    return () => { asked.stop(); kept.current = undefined; };
  }, []);
  return asked;
}
