// The sequence rule of the live socket: numbers grow by one. After a hole the
// client asks for a snapshot, and not again until it came or patience ran out.

type Verdict = 'apply' | 'apply-and-ask' | 'ignore';

const patienceMs = 5_000;

export class Sequence {
  private last: number | undefined;
  private askedAt: number | undefined;

  /** A new connection starts with a snapshot and numbers of its own. */
  reset(): void {
    this.last = undefined;
    this.askedAt = undefined;
  }

  /** What to do with a message of this number. */
  accept(seq: number, type: string, nowMs: number): Verdict {
    if (type === 'snapshot') {
      // It includes everything up to its number; a message that overtook it stays counted.
      this.last = Math.max(seq, this.last ?? seq);
      this.askedAt = undefined;
      return 'apply';
    }
    const last = this.last;
    if (last !== undefined && seq <= last) return 'ignore';
    this.last = seq;
    if (last === undefined || seq > last + 1) {
      // Latest values are right even after a hole; what was lost comes with the snapshot.
      return this.mayAsk(nowMs) ? 'apply-and-ask' : 'apply';
    }
    return 'apply';
  }

  /** True, and remembered, unless a snapshot is already on its way. */
  mayAsk(nowMs: number): boolean {
    if (this.askedAt !== undefined && nowMs - this.askedAt < patienceMs) return false;
    this.askedAt = nowMs;
    return true;
  }
}
