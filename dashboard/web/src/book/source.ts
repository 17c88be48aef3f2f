// The service book's data: asked for when the server tells of an event, and
// once a minute; never twice at a time.
import { effect, signal } from '@preact/signals';
import { fetchEvents, fetchFaults, fetchService, type Event, type EventsAnswer, type FaultsAnswer, type MachineService } from '../api';
import type { Live } from '../live/live';
import type { BookWindow } from './window';
import { filters, type Filter } from './words';

const everyMs = 60_000;
const restMs = 3_000;
const pageSize = 40;
const mostShown = 5_000;
/** What the picture shows; loads would fill it. */
const pictureChanges = ['start', 'stop', 'trip', 'lost', 'found'];
const pictureKinds = ['state', 'fault', 'note', 'config_changed', 'line_down', 'device_down', 'clock_step', 'clock_behind', 'data_damaged', 'store_down', 'scans_dropped', 'raw_dropped', 'agent_broke_off'];

export interface Shown {
  from: number;
  to: number;
  /** the picture begins later than the window where that is long */
  drawnFrom: number;
  days: number;
  now: boolean;
  faults: FaultsAnswer;
  service: MachineService[];
  /** the picture's events, oldest first */
  week: Event[];
  page: EventsAnswer;
}

export class Book {
  readonly shown = signal<Shown | null>(null);
  readonly error = signal('');
  readonly filter = signal<Filter>(filters[0] as Filter);
  readonly subject = signal('');
  private wanted = pageSize;
  private request: AbortController | undefined;
  private timer: ReturnType<typeof setTimeout> | undefined;
  private askedAt = -Infinity;
  private readonly undo: () => void;

  constructor(private readonly live: Live, private windowAt: (now: number) => BookWindow) {
    const leave = effect(() => {
      void live.eventTick.value;
      this.plan(Math.max(0, restMs - (performance.now() - this.askedAt)));
    });
    const seen = () => { if (!document.hidden) this.plan(0); };
    document.addEventListener('visibilitychange', seen);
    this.undo = () => {
      leave();
      document.removeEventListener('visibilitychange', seen);
    };
  }

  stop(): void {
    this.undo();
    clearTimeout(this.timer);
    this.request?.abort();
  }

  choose(filter: Filter): void {
    this.filter.value = filter;
    this.wanted = pageSize;
    this.refresh();
  }

  about(subject: string): void {
    this.subject.value = subject;
    this.wanted = pageSize;
    this.refresh();
  }

  /** Other days. */
  look(windowAt: (now: number) => BookWindow): void {
    this.windowAt = windowAt;
    this.refresh();
  }

  older(): void {
    this.wanted = Math.min(mostShown, this.wanted + 2 * pageSize);
    this.refresh();
  }

  /** What the reader asks for does not wait. */
  refresh(): void {
    this.request?.abort();
    this.request = undefined;
    this.plan(0);
  }

  private plan(ms: number): void {
    clearTimeout(this.timer);
    this.timer = setTimeout(() => void this.ask(), ms);
  }

  private async ask(): Promise<void> {
    if (this.request) return; // its end plans the next
    if (document.hidden || this.live.held.value) {
      this.plan(everyMs);
      return;
    }
    const request = new AbortController();
    this.request = request;
    this.askedAt = performance.now();
    const { from, to, drawnFrom, days, now } = this.windowAt(this.live.now());
    const subjects = this.subject.value ? [this.subject.value] : [];
    const { kinds, changes } = this.filter.value;
    try {
      const [page, week, faults, service] = await Promise.all([
        fetchEvents({ kinds, changes, subjects, limit: this.wanted }, request.signal),
        fetchEvents({ kinds: pictureKinds, changes: pictureChanges, subjects: [], from: drawnFrom, to, limit: mostShown }, request.signal),
        fetchFaults(from, to, request.signal),
        fetchService(request.signal),
      ]);
      if (document.hidden) { // nobody looks: nothing is drawn, and who comes back gets it anew
        this.plan(everyMs);
        return;
      }
      this.shown.value = { from, to, drawnFrom, days, now, faults, service: service.machines, week: week.events.reverse(), page };
      this.error.value = '';
    } catch (e) {
      if (request.signal.aborted) return;
      this.error.value = e instanceof Error ? e.message : String(e);
    } finally {
      if (this.request === request) this.request = undefined;
    }
    this.plan(everyMs);
  }
}
