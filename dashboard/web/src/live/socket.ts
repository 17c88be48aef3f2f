// One WebSocket to /api/v1/live that comes back by itself.
import type { LiveEnvelope } from '../api';
import { backoff } from './backoff';
import { Sequence } from './sequence';

export type Connection = 'connecting' | 'live' | 'lost';

/** After this silence the page asks for a sign of life, for slow sites are quiet … */
const quietMs = 60_000;
/** … and gives the socket up when none comes in this time. */
const answerMs = 15_000;
const openMs = 10_000;
/** The server ends a socket with it whose session has ended. */
const signInCode = 4401;

interface SocketEvents {
  message(envelope: LiveEnvelope): void;
  connection(state: Connection): void;
  /** The server asks for a sign-in, in its words; no other attempt is made before the next start. */
  turnedAway(words: string): void;
}

export class LiveSocket {
  private socket: WebSocket | undefined;
  private readonly sequence = new Sequence();
  private attempt = 0;
  private retry: ReturnType<typeof setTimeout> | undefined;
  private silence: ReturnType<typeof setTimeout> | undefined;
  private stopped = true;

  constructor(private readonly url: string, private readonly events: SocketEvents) {}

  start(): void {
    if (!this.stopped) return;
    this.stopped = false;
    this.connect();
  }

  stop(): void {
    this.stopped = true;
    clearTimeout(this.retry);
    this.drop();
  }

  /** Ends the wait for the next attempt: the network or the reader is back. */
  hurry(): void {
    if (this.stopped || this.socket) return;
    clearTimeout(this.retry);
    this.connect();
  }

  /** Asks the server for everything as it is now. */
  askSnapshot(): void {
    if (this.sequence.mayAsk(performance.now())) this.send();
  }

  private send(): void {
    if (this.socket?.readyState === WebSocket.OPEN) this.socket.send('{"type":"snapshot"}');
  }

  private connect(): void {
    this.sequence.reset();
    const socket = new WebSocket(this.url);
    this.socket = socket;
    this.watch(openMs, () => this.lost());
    // Handlers of an abandoned socket do nothing: only the current one counts.
    socket.onmessage = (e: MessageEvent<unknown>) => {
      if (this.socket === socket && typeof e.data === 'string') this.receive(e.data);
    };
    socket.onclose = (e?: { code: number; reason: string }) => {
      if (this.socket !== socket) return;
      if (e?.code !== signInCode) return this.lost();
      this.stop();
      this.events.turnedAway(e.reason);
    };
  }

  private receive(text: string): void {
    this.watch(quietMs, () => {
      this.send();
      this.watch(answerMs, () => this.lost());
    });
    let envelope: LiveEnvelope;
    try {
      envelope = JSON.parse(text) as LiveEnvelope;
    } catch {
      this.askSnapshot(); // a message we cannot read is a message we missed
      return;
    }
    const verdict = this.sequence.accept(envelope.seq, envelope.type, performance.now());
    if (verdict === 'ignore') return;
    if (verdict === 'apply-and-ask') this.send();
    this.events.message(envelope);
    if (envelope.type === 'snapshot') {
      this.attempt = 0;
      this.events.connection('live');
    }
  }

  private watch(ms: number, then: () => void): void {
    clearTimeout(this.silence);
    this.silence = setTimeout(then, ms);
  }

  private drop(): void {
    clearTimeout(this.silence);
    const socket = this.socket;
    this.socket = undefined;
    if (!socket) return;
    socket.onmessage = null;
    socket.onclose = null;
    socket.close();
  }

  private lost(): void {
    this.drop();
    if (this.stopped) return;
    this.events.connection('lost');
    this.retry = setTimeout(() => this.connect(), backoff(this.attempt, Math.random()));
    this.attempt += 1;
  }
}

/** The live address on the page's own server, ws or wss as the page itself. */
export function liveUrl(location: { protocol: string; host: string }): string {
  return `${location.protocol === 'https:' ? 'wss' : 'ws'}://${location.host}/api/v1/live`;
}
