// Today's figures of one machine: asked for when the server says that they
// changed, at least once a minute, never twice at a time.
import { effect, signal } from '@preact/signals';
import { fetchFigures, type InstrumentFacts } from '../api';
import { figuresAddress, machineFigures, type Found } from '../figure/answer';
import { localDate } from '../units/words';
import type { Live } from './live';

export interface Today {
  figures: Map<string, Found>;
  /** the answer's address */
  address: string;
  from: number;
  to: number;
  /** what the window rests on where that is not what was asked for */
  notes: string[];
  /** the records of the instruments behind them */
  instruments: InstrumentFacts[];
}

const everyMs = 60_000;
const restMs = 5_000;

export class TodayFigures {
  readonly today = signal<Today | null>(null);
  readonly error = signal('');
  private request: AbortController | undefined;
  /** they changed while a request was under way */
  private again = false;
  private timer: ReturnType<typeof setTimeout> | undefined;
  private askedAt = -Infinity;
  private readonly undo: () => void;

  constructor(private readonly live: Live, private readonly machine: string, private readonly timeZone: string) {
    this.undo = effect(() => {
      void live.figuresTick.value;
      this.plan(Math.max(0, restMs - (performance.now() - this.askedAt)));
    });
  }

  stop(): void {
    this.undo();
    clearTimeout(this.timer);
    this.request?.abort();
  }

  private plan(ms: number): void {
    clearTimeout(this.timer);
    this.timer = setTimeout(() => void this.ask(), ms);
  }

  private async ask(): Promise<void> {
    if (document.hidden || this.live.held.value) {
      this.plan(everyMs);
      return;
    }
    if (this.request) {
      this.again = true; // its end plans the next
      return;
    }
    const request = new AbortController();
    this.request = request;
    this.askedAt = performance.now();
    try {
      const answer = await fetchFigures(localDate(this.live.now(), this.timeZone), this.machine, request.signal);
      this.today.value = {
        figures: machineFigures(answer, this.machine),
        address: figuresAddress(answer, this.machine),
        from: Date.parse(answer.from),
        to: Date.parse(answer.to),
        notes: answer.notes ?? [],
        instruments: answer.instruments,
      };
      this.error.value = '';
    } catch (e) {
      if (request.signal.aborted) return;
      this.error.value = e instanceof Error ? e.message : String(e);
    } finally {
      this.request = undefined;
    }
    this.plan(this.again ? restMs : everyMs);
    this.again = false;
  }
}
