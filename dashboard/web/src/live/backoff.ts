// Waits between attempts to connect: doubled from half a second up to a cap
// between 15 and 30 s, each with jitter so that many pages do not return at once.

const firstMs = 500;
const capMs = 30_000;

/** The wait before attempt n (0, 1, 2 …); random is in [0, 1). */
export function backoff(attempt: number, random: number): number {
  const full = Math.min(capMs, firstMs * 2 ** Math.min(attempt, 10));
  return full / 2 + (full / 2) * random;
}
