// The readings and states that Trace draws: fetched with a margin, kept while
// they may be wanted again, and carried on by live readings. What is kept is
// bounded; requests end with the page.
import { signal } from '@preact/signals';
import { answerOf, type ColumnsAnswer, type MachineState, type ScanUpdate, type Site } from '../api';
import { note, type Run } from '../chart/runs';
import type { Live, Recorder } from '../live/live';
import { decode, none, Tail, type Cells } from './decode';
import { cellMs, points, serves, wanted, type Span, type Wanted } from './window';

/** How long live readings are kept; what was fetched longer ago and reaches to its present is fetched anew. */
const openMs = 10 * 60_000;
/** So near to the present an answer's end is taken for the present. */
const nowMs = 5_000;
/** Cells and runs that are kept beside those that are shown. */
const mostKept = 400_000;
/** While the reader moves, no more than a request in this time. */
const restMs = 120;
const retryMs = 10_000;

interface Held<T> extends Wanted {
  value: T;
  /** it ends at the present of then; live readings follow */
  open: boolean;
  size: number;
  used: number;
}

export interface Band {
  runs: Run[];
  /** above 0: what the machine did most of, in each so many ms */
  stepMs: number;
}

export interface Shown {
  channels: string[];
  machines: string[];
  window: Span;
  width: number;
  least: number;
}

export class TraceSource implements Recorder {
  /** grows when there is something new to draw */
  readonly fresh = signal(0);
  /** why the readings of this window are not here; empty while all is well */
  readonly error = signal('');
  /** readings of this window are on their way */
  readonly waiting = signal(false);
  /** raw readings of the window are no longer kept, so that it is drawn in minutes */
  readonly rawDropped = signal(false);
  private readonly cells = new Map<string, Held<Cells>[]>();
  private readonly bands = new Map<string, Held<Band>[]>();
  private readonly tails = new Map<string, Tail>();
  private readonly dropped = new Set<string>();
  private shown: Shown | undefined;
  private request: AbortController | undefined;
  private asked: Wanted | undefined;
  private timer: ReturnType<typeof setTimeout> | undefined;
  private uses = 0;
  private states = new Map<string, MachineState>();
  /** when the server last told of anything, its time */
  private heard = -Infinity;
  private readonly leave: () => void;

  constructor(private readonly live: Live, private readonly site: Site, private readonly fetch = answerOf) {
    this.leave = live.record(this);
  }

  stop(): void {
    this.leave();
    clearTimeout(this.timer);
    this.request?.abort();
    this.cells.clear();
    this.bands.clear();
    this.tails.clear();
  }

  /**
   * What is to be drawn now. Gives a text that changes when other fetched readings
   * serve it best; it asks for nothing, so that it may be called while drawing.
   */
  look(next: Shown): string {
    this.shown = next;
    const name = (h: Held<unknown> | undefined) => (h ? `${h.from} ${h.to} ${h.cell}` : '');
    return [...next.channels.map((id) => name(this.best(this.cells.get(id)))), ...next.machines.map((m) => name(this.best(this.bands.get(m))))].join();
  }

  /** Fetches what it lacks, soon. */
  seek(): void {
    const channels = this.shown?.channels ?? [];
    for (const id of channels) {
      if (!this.tails.has(id)) this.tails.set(id, new Tail(this.site.channels.find((c) => c.id === id)?.period_ms ?? 1_000, 2 * openMs));
    }
    for (const id of this.tails.keys()) if (!channels.includes(id)) this.tails.delete(id);
    if (this.timer === undefined) this.plan(restMs);
  }

  /** The best there is of a channel for the window, with the live readings after it. */
  of(id: string): Cells {
    const held = this.best(this.cells.get(id));
    if (!held) return none;
    return held.open ? (this.tails.get(id)?.after(held.value, held.to) ?? held.value) : held.value;
  }

  /** A state lasts as long as we hear of it: nobody knows what a machine does while the server is silent. */
  band(machine: string): Band | undefined {
    const held = this.best(this.bands.get(machine));
    if (!held || !held.open || held.value.stepMs > 0) return held?.value;
    const s = this.states.get(machine);
    let runs = held.value.runs;
    const since = s?.since ? Date.parse(s.since) : undefined;
    if (s && since !== undefined && since >= (runs.at(-1)?.from ?? 0)) runs = note(runs, s.state, since, s.reason);
    const last = runs.at(-1);
    if (last && this.shown) runs = [...runs.slice(0, -1), { ...last, to: Math.max(last.to, Math.min(this.heard, this.shown.window.to)) }];
    return { runs, stepMs: 0 };
  }

  scan(scan: ScanUpdate, channels: string[]): void {
    const at = Date.parse(scan.time);
    this.heard = Math.max(this.heard, at);
    for (const id of channels) {
      const value = scan.reason === 'good' ? scan.values[id] : null;
      this.tails.get(id)?.add(at, typeof value === 'number' ? value : NaN);
    }
  }

  state(state: MachineState, at: number): void {
    this.heard = Math.max(this.heard, at);
    this.states.set(state.machine, state);
  }

  /** Something may have been missed: what reaches to the present is fetched anew, and drawn until then. */
  refill(): void {
    const stale = (all: Held<unknown>[]) => { for (const h of all) if (h.open) h.cell = Infinity; };
    for (const all of this.cells.values()) stale(all);
    for (const all of this.bands.values()) stale(all);
    this.request?.abort();
    this.request = undefined;
    this.plan(0);
  }

  again(): void {
    this.plan(0);
  }

  private best<T>(all: Held<T>[] | undefined): Held<T> | undefined {
    const s = this.shown;
    if (!all || !s) return undefined;
    const cell = this.cell(s);
    const covered = (h: Held<T>) => Math.max(0, Math.min(h.to, s.window.to) - Math.max(h.from, s.window.from));
    // What covers most, and of those the one whose cells are nearest to what is wanted.
    const off = (h: Held<T>) => Math.abs(Math.log((Number.isFinite(h.cell) ? h.cell : cell * 2) / cell));
    const best = [...all].sort((a, b) => Math.round((covered(b) - covered(a)) / (s.window.to - s.window.from) * 50) || off(a) - off(b))[0];
    if (best) best.used = ++this.uses;
    return best;
  }

  private cell(s: Shown): number {
    return cellMs(s.window.to - s.window.from, s.width, s.channels.length);
  }

  private plan(ms: number): void {
    clearTimeout(this.timer);
    this.timer = setTimeout(() => {
      this.timer = undefined;
      void this.ask();
    }, ms);
  }

  /** Asks for what the window lacks, one request at a time. */
  private async ask(): Promise<void> {
    const s = this.shown;
    if (!s || s.width <= 0) return;
    if (this.request) {
      if (this.asked && serves(this.asked, s.window, this.cell(s), s.least, this.live.now())) return; // its end looks again
      this.request.abort();
    }
    const now = this.live.now();
    const cell = this.cell(s);
    const lacks = (all: Held<unknown>[] | undefined) => !all?.some((h) => serves(h, s.window, cell, s.least, now, h.open ? openMs : 0));
    const channels = s.channels.filter((id) => lacks(this.cells.get(id)));
    const machines = s.machines.filter((m) => lacks(this.bands.get(m)));
    this.waiting.value = channels.length + machines.length > 0;
    if (!this.waiting.value) return;
    if (document.hidden) {
      this.plan(retryMs); // nobody looks
      return;
    }
    await this.get(s, wanted(s.window, cell, s.least, now), channels, machines);
  }

  private async get(s: Shown, w: Wanted, channels: string[], machines: string[]): Promise<void> {
    const request = new AbortController();
    this.request = request;
    this.asked = w;
    const query = new URLSearchParams({ layout: 'columns', from: new Date(w.from).toISOString(), to: new Date(w.to).toISOString(), points: String(points(w)) });
    for (const id of channels) query.append('channel', id);
    for (const m of machines) query.append('state', m);
    try {
      const answer = (await this.fetch('/api/v1/series', query, request.signal)) as ColumnsAnswer; // its layout is columns
      if (request.signal.aborted) return;
      this.keep(answer, w);
      this.error.value = '';
    } catch (e) {
      if (request.signal.aborted) return;
      this.error.value = e instanceof Error ? e.message : String(e);
      this.plan(retryMs);
      return;
    } finally {
      if (this.request === request) this.request = undefined;
    }
    this.fresh.value += 1;
    const still = this.shown !== undefined && this.shown.channels === s.channels && this.shown.window.from === s.window.from && this.shown.window.to === s.window.to;
    this.waiting.value = !still;
    if (!still) this.plan(0);
  }

  private keep(answer: ColumnsAnswer, w: Wanted): void {
    const open = w.to >= this.live.now() - nowMs;
    const put = <T>(map: Map<string, Held<T>[]>, key: string, value: T, size: number) => {
      const rest = (map.get(key) ?? []).filter((h) => Number.isFinite(h.cell) && !(h.from >= w.from && h.to <= w.to && h.cell >= w.cell) && !(h.open && open && h.cell === w.cell));
      map.set(key, [...rest, { ...w, value, open, size, used: ++this.uses }]);
    };
    for (const series of answer.series) {
      const cells = decode(series);
      put(this.cells, series.channel, cells, cells.t.length);
      if (series.raw_dropped) this.dropped.add(series.channel);
      else this.dropped.delete(series.channel);
    }
    for (const band of answer.states ?? []) {
      put(this.bands, band.machine, { stepMs: band.step_ms, runs: band.runs.map((r) => ({ state: r.state, from: Date.parse(r.from), to: Date.parse(r.to), reason: r.reason })) }, band.runs.length);
    }
    this.rawDropped.value = this.dropped.size > 0;
    this.forget();
  }

  /** Drops what was not used for longest, never what is drawn. */
  private forget(): void {
    const all = [...this.cells.entries(), ...this.bands.entries()].flatMap(([key, held]) => held.map((h) => ({ key, h })));
    let size = all.reduce((sum, { h }) => sum + h.size, 0);
    const drawn = new Set(this.shown ? [...this.shown.channels.map((id) => this.best(this.cells.get(id))), ...this.shown.machines.map((m) => this.best(this.bands.get(m)))] : []);
    for (const { key, h } of all.sort((a, b) => a.h.used - b.h.used)) {
      if (size <= mostKept) break;
      if (drawn.has(h as Held<Cells> & Held<Band>)) continue;
      size -= h.size;
      for (const map of [this.cells, this.bands] as Map<string, Held<unknown>[]>[]) {
        const left = map.get(key)?.filter((one) => one !== h);
        if (left) map.set(key, left);
      }
    }
  }

  /** How much is kept, for a test of its bound. */
  get size(): number {
    return [...this.cells.values(), ...this.bands.values()].flat().reduce((sum, h) => sum + h.size, 0);
  }
}
