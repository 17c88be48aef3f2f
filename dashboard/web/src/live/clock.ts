// The server's time, carried on by the browser's monotonic clock: the browser's
// own wall clock may be wrong or step, and is never used for an age.

export class ServerClock {
  private offsetMs = 0;
  private known = false;

  constructor(private readonly mono: () => number = () => performance.now()) {}

  /** A snapshot's time is now, give or take the way here. */
  set(serverMs: number): void {
    this.offsetMs = serverMs - this.mono();
    this.known = true;
  }

  /** A reading cannot come from the future: if it seems to, our clock is late. */
  atLeast(serverMs: number): void {
    if (!this.known || serverMs > this.now()) this.set(serverMs);
  }

  now(): number {
    return this.known ? this.mono() + this.offsetMs : Date.now();
  }
}
