// Times of answers from a fraction of a millisecond to many seconds, on one
// scale: equal steps are equal ratios.

interface TimeScale {
  x: (ms: number) => number;
  ticks: number[];
}

/** least and most are the times to be seen, ms; width in pixels. */
export function timeScale(least: number, most: number, width: number): TimeScale {
  const low = Math.floor(Math.log10(Math.max(least, 0.01)) + 1e-9);
  const high = Math.max(low + 1, Math.ceil(Math.log10(Math.max(most, 0.1)) - 1e-9));
  const x = (ms: number) => (Math.min(Math.max((Math.log10(Math.max(ms, 1e-9)) - low) / (high - low), 0), 1)) * width;
  return { x, ticks: Array.from({ length: high - low + 1 }, (_, i) => 10 ** (low + i)) };
}

/** "0.04", "2.4", "12", "1 300": as many digits as anybody reads. */
export function msText(ms: number): string {
  if (ms > 0 && ms < 1) return ms.toFixed(2);
  if (ms < 10) return ms.toFixed(1);
  return String(Math.round(ms)).replace(/\B(?=(\d{3})+$)/g, '\u202f');
}

/** A count with its thousands set apart. */
export function countText(n: number): string {
  return String(n).replace(/\B(?=(\d{3})+$)/g, '\u202f');
}

/** Percent of a share, never rounded to none or all of it where it is neither. */
export function percentText(share: number): string {
  const p = share * 100;
  if (p > 0 && p < 0.1) return '<0.1';
  if (p < 100 && p > 99.9) return '>99.9';
  return p < 10 ? p.toFixed(1) : p.toFixed(0);
}
