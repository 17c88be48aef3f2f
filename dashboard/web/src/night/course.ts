// The pressure while a guided test runs: history first, then each reading as it
// comes. Bounded: two hours at most.
import { signal } from '@preact/signals';
import { answerOf, type ScanUpdate, type SeriesAnswer, type SiteChannel, type TestStatus } from '../api';
import { CellRing } from '../chart/cells';
import type { Recorder } from '../live/live';

export const longestMs = 2 * 3_600_000;
/** How much is shown from before the test. */
export const leadMs = 60_000;
const points = 600;

export class Course implements Recorder {
  readonly ring: CellRing;
  /** empty, or why history could not be fetched */
  readonly failed = signal('');
  /** how often history came: of a test that is over nothing else changes the curve */
  readonly loads = signal(0);
  private request: AbortController | undefined;

  constructor(private readonly channel: SiteChannel, private readonly fromMs: number) {
    this.ring = new CellRing(longestMs, channel.period_ms);
  }

  scan(scan: ScanUpdate, channels: string[]): void {
    const value = scan.values[this.channel.id];
    if (typeof value === 'number' && channels.includes(this.channel.id)) this.ring.add(Date.parse(scan.time), value);
  }

  state(): void { /* the curve alone */ }

  refill(): void {
    this.request?.abort();
    const request = new AbortController();
    this.request = request;
    const query = new URLSearchParams({ channel: this.channel.id, from: new Date(this.fromMs).toISOString(), to: 'now', points: String(points) });
    answerOf('/api/v1/series', query, request.signal).then(
      (answer) => {
        const [series] = (answer as SeriesAnswer).series;
        if (series) this.ring.load(series);
        this.loads.value += 1;
        this.failed.value = '';
      },
      (e: unknown) => { if (!request.signal.aborted) this.failed.value = e instanceof Error ? e.message : String(e); },
    );
  }

  stop(): void {
    this.request?.abort();
  }
}

export const isOver = (t: TestStatus): boolean => t.phase === 'done' || t.phase === 'given_up';

/** How a system's test stands: what the socket told since, or what was asked for, whichever is newer. */
export function newest(asked: TestStatus | undefined, told: TestStatus | undefined): TestStatus | undefined {
  if (!asked || !told) return asked ?? told;
  const at = (t: TestStatus) => (t.seen === null ? 0 : Date.parse(t.seen));
  if (asked.started !== null && told.started !== null && asked.started !== told.started) return asked.started > told.started ? asked : told;
  if (isOver(asked) !== isOver(told) && asked.started === told.started) return isOver(asked) ? asked : told;
  return at(told) >= at(asked) ? told : asked;
}

export const testWord: Record<TestStatus['test'], string> = { leak: 'Leak test', 'pump-up': 'Pump-up test' };

export const phaseWord: Record<TestStatus['phase'], string> = {
  watch: 'timing load cycles', lower: 'let the pressure down', rise: 'the machine fills', hold: 'standing still', done: 'done', given_up: 'given up',
};
