// A replay that the page asks for: begun, followed until its answer is there, and
// broken off when nobody wants it any more. Nothing is asked while nobody looks.
import { signal } from '@preact/signals';
import { useEffect, useRef } from 'preact/hooks';
import { answerOf, ApiError, post, type ReplayAnswer, type ReplayJob, type ReplayRequest } from '../api';

type Stand =
  | { state: 'running'; done: number; total: number }
  | { state: 'done' }
  | { state: 'stopped' }
  /** the request is wrong: field says where */
  | { state: 'refused'; field: string; message: string }
  /** it is tried again */
  | { state: 'failing'; message: string };

/** An answer, and where it is kept. */
export interface Replayed {
  key: string;
  id: string;
  answer: ReplayAnswer;
}

const pollMs = 350;
const retryMs = 5_000;

export interface Server {
  start: (body: ReplayRequest) => Promise<ReplayJob>;
  look: (id: string, signal: AbortSignal) => Promise<ReplayJob>;
  cancel: (id: string) => Promise<unknown>;
}

const overHTTP: Server = {
  start: async (body) => (await post('/api/v1/replay', body)) as ReplayJob,
  look: (id, s) => answerOf('/api/v1/replay', new URLSearchParams({ id }), s),
  cancel: (id) => post('/api/v1/replay/cancel', { id }),
};

export class Replayer {
  readonly stand = signal<Stand>({ state: 'running', done: 0, total: 0 });
  /** the last answer, which stays while the next one is made */
  readonly last = signal<Replayed | undefined>(undefined);
  private key = '';
  private turn: AbortController | undefined;
  /** what is being begun or broken off: the next begins after it, or the server has too many at work */
  private static ahead: Promise<unknown> = Promise.resolve();

  constructor(private readonly server: Server = overHTTP) {}

  /** Asks; the same key again changes nothing. */
  put(key: string, body: ReplayRequest): void {
    if (key === this.key && this.turn) return;
    this.turn?.abort();
    this.key = key;
    this.turn = new AbortController();
    void this.follow(key, body, this.turn.signal);
  }

  /** Breaks off what is under way; what was answered stays. */
  stop(): void {
    this.turn?.abort();
    this.turn = undefined;
    this.stand.value = { state: 'stopped' };
  }

  private async follow(key: string, body: ReplayRequest, over: AbortSignal): Promise<void> {
    this.stand.value = { state: 'running', done: 0, total: 0 };
    for (let id = ''; !over.aborted;) {
      try {
        await looked(over);
        if (over.aborted) return;
        if (id === '') id = await this.begin(body, over);
        if (over.aborted) return;
        const job = await this.server.look(id, over);
        if (over.aborted) return;
        if (job.state === 'done' && job.answer) {
          this.last.value = { key, id, answer: job.answer };
          this.stand.value = { state: 'done' };
          return;
        }
        if (job.state === 'failed') {
          this.stand.value = { state: 'refused', field: job.field ?? '', message: job.error ?? 'no reason was given' };
          return;
        }
        if (job.state === 'cancelled') {
          this.stand.value = { state: 'stopped' };
          return;
        }
        this.stand.value = { state: 'running', done: job.done, total: job.total };
        await pause(pollMs, over);
      } catch (e) {
        if (over.aborted) return;
        const lost = e instanceof ApiError && e.field === 'id'; // the agent was started anew
        if (e instanceof ApiError && e.field !== '' && !lost) {
          this.stand.value = { state: 'refused', field: e.field, message: e.message };
          return;
        }
        if (lost) id = '';
        this.stand.value = { state: 'failing', message: e instanceof Error ? e.message : String(e) };
        await pause(retryMs, over);
      }
    }
  }

  /** Begins one; who left meanwhile has it broken off, at once or when it is known. */
  private async begin(body: ReplayRequest, over: AbortSignal): Promise<string> {
    for (let seen: unknown; seen !== Replayer.ahead;) await (seen = Replayer.ahead);
    if (over.aborted) return '';
    const started = this.server.start(body);
    Replayer.ahead = started.catch(() => undefined);
    const { id } = await started;
    let ended = false;
    const off = () => { if (!ended) Replayer.ahead = this.server.cancel(id).catch(() => undefined); }; // a server that is away has nothing to break off
    const done = this.last.subscribe((l) => { if (l?.id === id) { ended = true; over.removeEventListener('abort', off); queueMicrotask(() => done()); } });
    if (over.aborted) off();
    else over.addEventListener('abort', () => { off(); done(); }, { once: true });
    return id;
  }
}

function pause(ms: number, over: AbortSignal): Promise<void> {
  return new Promise((go) => {
    const timer = setTimeout(end, ms);
    function end() {
      clearTimeout(timer);
      over.removeEventListener('abort', end);
      go();
    }
    over.addEventListener('abort', end);
  });
}

/** Waits until somebody looks. */
function looked(over: AbortSignal): Promise<void> {
  if (!document.hidden) return Promise.resolve();
  return new Promise((go) => {
    const seen = () => {
      if (document.hidden && !over.aborted) return;
      document.removeEventListener('visibilitychange', seen);
      over.removeEventListener('abort', seen);
      go();
    };
    document.addEventListener('visibilitychange', seen);
    over.addEventListener('abort', seen);
  });
}

/** A replay that lives as long as the component. */
export function useReplay(key: string, body: ReplayRequest): Replayer {
  const kept = useRef<Replayer | undefined>(undefined);
  kept.current ??= new Replayer();
  const it = kept.current;
  useEffect(() => it.put(key, body), [key]);
  useEffect(() => () => { it.stop(); kept.current = undefined; }, []);
  return it;
}
