// What the page shows, as signals. Messages change a private picture; a few
// times a second at most a copy of it becomes the view that is drawn. A hidden
// page and a held one draw nothing; both fetch a snapshot on return.
import { effect, signal, untracked } from '@preact/signals';
import { askDoor, fetchSite, type LiveEnvelope, type MachineState, type ScanUpdate, type Site, type TestStatus } from '../api';
import { cameIn, doubt, entries, shut, turnedAway } from '../door/state';
import { siteUnits, siteZone } from '../settings';
import { ServerClock } from './clock';
import { applyMessage, applySnapshot, copyPicture, emptyPicture, scanChannels, type Picture } from './picture';
import { LiveSocket, liveUrl, type Connection } from './socket';

export interface View extends Picture {
  /** the server's time when this view was made, Unix ms */
  now: number;
  connection: Connection;
  /** when the last message came, server's time */
  heard: number;
}

// A reading is drawn soon after it came, with what comes beside it in the same
// moment; and the page is drawn so often at most, however fast readings come.
const soonMs = 40;
const betweenMs = 160;
const tickMs = 1_000;

/** Events that tell of readings which came over the line and are not in the record. */
const lost = new Set(['scans_dropped', 'data_damaged', 'store_up']);

/** What wants every reading: the last hour's chart. */
export interface Recorder {
  scan(scan: ScanUpdate, channels: string[]): void;
  state(state: MachineState, at: number): void;
  /** Something may have been missed: fetch history anew. */
  refill(): void;
}

export class Live {
  readonly site = signal<Site | null>(null);
  readonly view = signal<View | null>(null);
  readonly siteError = signal('');
  /** Grows when figures should be asked for again. */
  readonly figuresTick = signal(0);
  /** Grows when something happened that the service book tells of. */
  readonly eventTick = signal(0);
  /** Grows when an alarm may stand, or stands no more. */
  readonly alarmTick = signal(0);
  /** The newest word on each system's guided test, by system, since the page was opened. */
  readonly tests = signal<Record<string, TestStatus>>({});
  readonly held = signal(false);
  /** The server runs another version than the one this page came from. */
  readonly outdated = signal(false);

  private readonly clock = new ServerClock();
  private readonly picture = emptyPicture();
  private readonly socket: LiveSocket;
  private readonly recorders = new Set<Recorder>();
  private connection: Connection = 'connecting';
  private heard = 0;
  private frame: ReturnType<typeof setTimeout> | undefined;
  private drawnAt = -Infinity;
  private undo: (() => void)[] = [];

  constructor(location: { protocol: string; host: string }) {
    this.socket = new LiveSocket(liveUrl(location), {
      message: (m) => this.receive(m),
      connection: (c) => {
        this.connected(c);
        if (c === 'lost') doubt.value += 1; // a socket that is refused does not say why
      },
      turnedAway: (words) => void this.sessionEnded(words),
    });
  }

  start(): void {
    const on = (target: EventTarget, type: string, f: () => void) => {
      target.addEventListener(type, f);
      this.undo.push(() => target.removeEventListener(type, f));
    };
    on(document, 'visibilitychange', () => {
      if (!document.hidden) this.back();
    });
    on(window, 'online', () => this.socket.hurry());
    on(window, 'pagehide', () => {
      this.socket.stop();
      this.connected('lost'); // so that a page taken back from the browser's cache catches up
    });
    on(window, 'pageshow', () => { if (shut.peek() === undefined) this.socket.start(); });
    const tick = setInterval(() => this.publishSoon(), tickMs);
    this.undo.push(() => clearInterval(tick));
    let first = true;
    this.undo.push(effect(() => {
      const open = shut.value === undefined;
      untracked(() => {
        if (!open) this.socket.stop();
        else this.socket.start();
        if (open && !first) this.comeIn();
      });
      first = false;
    }));
    void this.loadSite(); // beside the connection, not after it
  }

  /** The socket's session is over. The page may be in all the same: a changed password makes another. */
  private async sessionEnded(words: string): Promise<void> {
    this.connected('lost');
    const begun = entries.peek();
    const now = await askDoor().catch(() => undefined);
    const out = !now || (now.sign_in && !now.person);
    if (out && begun === entries.peek()) return turnedAway(words);
    if (!out) cameIn(now); // another person came in on another page of this browser, or the role is another
    if (shut.peek() === undefined) this.socket.start();
  }

  /** After a sign-in: all that was refused is asked for again. */
  private comeIn(): void {
    this.siteError.value = '';
    this.connection = 'connecting';
    void this.loadSite();
  }

  stop(): void {
    this.socket.stop();
    clearTimeout(this.frame);
    for (const f of this.undo.splice(0)) f();
  }

  record(r: Recorder): () => void {
    this.recorders.add(r);
    return () => this.recorders.delete(r);
  }

  /** The server's time now, Unix ms. */
  now(): number {
    return this.clock.now();
  }

  hold(on: boolean): void {
    this.held.value = on;
    if (!on) this.back();
  }

  /** The reader is back: connect at once, or catch up on what was not drawn. */
  private back(): void {
    if (this.held.value) return;
    this.socket.hurry();
    this.socket.askSnapshot();
    for (const r of this.recorders) r.refill();
    this.figuresTick.value += 1;
    this.eventTick.value += 1;
    this.alarmTick.value += 1;
    this.publishSoon();
  }

  private connected(c: Connection): void {
    const fresh = c === 'live' && this.connection !== 'live';
    // At the start the site was asked for at the same moment; after a loss it may be another.
    const asked = this.connection === 'connecting' && !this.siteError.value;
    this.connection = c;
    document.documentElement.dataset.connection = c;
    if (fresh && !asked) void this.loadSite();
    this.publishSoon();
  }

  private async loadSite(): Promise<void> {
    try {
      const site = await fetchSite();
      const before = this.site.value;
      this.siteError.value = '';
      siteUnits.value = site.units;
      siteZone.value = site.timezone;
      if (before && before.version !== site.version) this.outdated.value = true;
      if (before?.site_hash !== site.site_hash || before.version !== site.version) this.site.value = site;
      for (const r of this.recorders) r.refill();
      this.figuresTick.value += 1;
      this.eventTick.value += 1;
      this.alarmTick.value += 1;
    } catch (e) {
      this.siteError.value = e instanceof Error ? e.message : String(e);
      setTimeout(() => {
        if (this.connection === 'live' && this.siteError.value) void this.loadSite();
      }, 5_000);
    }
    this.publishSoon();
  }

  private receive(m: LiveEnvelope): void {
    if (m.type === 'snapshot') this.clock.set(Date.parse(m.data.time));
    if (m.type === 'scan') this.clock.atLeast(Date.parse(m.data.time));
    this.heard = this.clock.now();
    if (m.type === 'snapshot') applySnapshot(this.picture, m.data);
    else applyMessage(this.picture, this.site.value, m);
    for (const r of this.recorders) {
      if (m.type === 'scan') r.scan(m.data, scanChannels(this.site.value, m.data));
      if (m.type === 'state') r.state(m.data, this.heard);
    }
    if (m.type === 'figures_changed') this.figuresTick.value += 1;
    if (m.type === 'alarm') this.alarmTick.value += 1;
    if (m.type === 'test') this.tests.value = { ...this.tests.value, [m.data.system]: m.data };
    if (m.type === 'event' && lost.has(m.data.kind)) for (const r of this.recorders) r.refill();
    if (m.type === 'event' || m.type === 'state') this.eventTick.value += 1;
    this.publishSoon();
  }

  private publishSoon(): void {
    if (this.frame !== undefined) return;
    this.frame = setTimeout(() => {
      this.frame = undefined;
      this.publish();
    }, Math.max(soonMs, this.drawnAt + betweenMs - performance.now()));
  }

  private publish(): void {
    if (document.hidden || this.held.value) return;
    if (this.connection === 'connecting' && !this.view.value) return; // nothing to show yet
    this.drawnAt = performance.now();
    this.view.value = {
      ...copyPicture(this.picture), now: this.clock.now(), connection: this.connection, heard: this.heard,
    };
  }
}
