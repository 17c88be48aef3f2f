// What was lost of the record in the last days, for the sign on the first page:
// asked for when an event came, at most once a minute.
import { effect, signal } from '@preact/signals';
import { fetchEvents, type Event } from '../api';
import type { Live } from './live';

const damageDays = 7;
const everyMs = 60_000;
const most = 200;

export class Damage {
  /** Losses, newest first. */
  readonly losses = signal<Event[]>([]);
  /** whether the record was asked at all: before, nothing is known of it */
  readonly known = signal(false);
  private request: AbortController | undefined;
  private timer: ReturnType<typeof setTimeout> | undefined;
  private askedAt = -Infinity;
  private readonly undo: () => void;

  constructor(private readonly live: Live) {
    this.undo = effect(() => {
      void live.eventTick.value;
      if (live.site.value) this.plan();
    });
  }

  stop(): void {
    this.undo();
    clearTimeout(this.timer);
    this.request?.abort();
  }

  private plan(): void {
    clearTimeout(this.timer);
    this.timer = setTimeout(() => void this.ask(), Math.max(0, everyMs - (performance.now() - this.askedAt)));
  }

  private async ask(): Promise<void> {
    if (this.request || document.hidden || this.live.held.peek()) return; // on return an event's tick plans anew
    const request = new AbortController();
    this.request = request;
    this.askedAt = performance.now();
    const from = this.live.now() - damageDays * 86_400_000;
    try {
      this.losses.value = (await fetchEvents({ kinds: ['data_damaged'], changes: [], subjects: [], from, limit: most }, request.signal)).events;
      this.known.value = true;
    } catch {
      if (request.signal.aborted) return; // nobody is there to be told
      this.askedAt = -Infinity;
      this.timer = setTimeout(() => void this.ask(), everyMs); // the page says by itself that there is no contact
    } finally {
      this.request = undefined;
    }
  }
}
