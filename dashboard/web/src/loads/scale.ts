// Scales of the page's drawings. Pure.

/** Places of a scale that goes by factors; both ends above 0. */
export function logScale(low: number, high: number, from: number, to: number): (v: number) => number {
  const span = Math.log(high / low) || 1;
  return (v) => from + (Math.log(Math.max(v, 1e-9) / low) / span) * (to - from);
}

export function linearScale(low: number, high: number, from: number, to: number): (v: number) => number {
  return (v) => from + ((v - low) / (high - low || 1)) * (to - from);
}

/** Times that people know, in s. */
const steps = [1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 1200, 1800, 3600, 7200, 14_400, 36_000, 86_400, 259_200, 604_800];

/** Round times within a range, at most so many. */
export function durationTicks(low: number, high: number, most = 7): number[] {
  const all = steps.filter((s) => s >= low * 0.999 && s <= high * 1.001);
  const every = Math.max(1, Math.ceil(all.length / most));
  return all.filter((_, i) => i % every === 0);
}

/** "30 s", "2 min", "1 h": a tick's words. */
export function shortTime(s: number): string {
  if (s < 120 && s !== 60) return `${s} s`;
  if (s < 3600) return `${s / 60} min`;
  return s < 86_400 ? `${s / 3600} h` : `${s / 86_400} d`;
}

/** A path through points; a gap where there is none. */
export function pathOf(points: [number, number][]): string {
  return points.map(([x, y], i) => `${i === 0 ? 'M' : 'L'}${x.toFixed(1)} ${y.toFixed(1)}`).join('');
}
