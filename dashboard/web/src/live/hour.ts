// The last hour of one machine: cells for the drawn channels and its states.
import { signal } from '@preact/signals';
import { fetchSeries, type MachineState, type ScanUpdate, type SiteChannel } from '../api';
import { CellRing } from '../chart/cells';
import { fromAnswer, note, observedMs, type Run } from '../chart/runs';
import type { Recorder } from './live';

export const hourMs = 3_600_000;
const retryMs = 15_000;
const points = 750; // one cell for 5 s, as the live buckets, with room for a window a little longer

export class HourRecorder implements Recorder {
  readonly rings = new Map<string, CellRing>();
  /** "loading", "ready", or the reason why history could not be fetched. */
  readonly status = signal<'loading' | 'ready' | string>('loading');
  private retry: ReturnType<typeof setTimeout> | undefined;
  runs: Run[] = [];
  private loading: AbortController | undefined;

  constructor(private readonly machine: string, channels: SiteChannel[], private readonly now: () => number) {
    for (const c of channels) this.rings.set(c.id, new CellRing(hourMs, c.period_ms));
  }

  scan(scan: ScanUpdate, channels: string[]): void {
    const at = Date.parse(scan.time);
    for (const id of channels) {
      const value = scan.values[id];
      if (typeof value === 'number') this.rings.get(id)?.add(at, value);
    }
  }

  state(state: MachineState, at: number): void {
    if (state.machine !== this.machine) return;
    this.runs = note(this.runs, state.state, state.since === null ? at : Date.parse(state.since), state.reason);
  }

  /** How much of the hour before a moment was observed, ms; undefined while its history is not here. */
  observedMs(heard: number): number | undefined {
    return this.status.value === 'ready' ? observedMs(this.runs, heard - hourMs, heard) : undefined;
  }

  refill(): void {
    clearTimeout(this.retry);
    this.loading?.abort();
    const loading = new AbortController();
    this.loading = loading;
    fetchSeries([...this.rings.keys()], this.machine, this.now() - hourMs, points, loading.signal)
      .then((answer) => {
        for (const s of answer.series) this.rings.get(s.channel)?.load(s);
        this.runs = fromAnswer(answer.runs);
        this.status.value = 'ready';
      })
      .catch((e: unknown) => {
        if (loading.signal.aborted) return;
        this.status.value = e instanceof Error ? e.message : String(e);
        this.retry = setTimeout(() => this.refill(), retryMs);
      });
  }

  stop(): void {
    clearTimeout(this.retry);
    this.loading?.abort();
  }
}
