// What was missed, in words and sizes. Pure.
import type { MissedAnswer, MissedCounter, MissedGap } from '../api';
import { duration } from '../units/words';

/** Gaps of several devices at about the same time, which have one cause as a rule. */
export interface Hole {
  from: number;
  to: number;
  gaps: { gap: MissedGap; at: string }[];
}

/** Edges of one silence lie no further apart than devices are read, ms. */
const nearMs = 120_000;

/** The gaps as they were given, longest first, those of one silence together. */
export function holesOf(gaps: MissedGap[]): Hole[] {
  const holes: Hole[] = [];
  gaps.forEach((gap, i) => {
    const [from, to] = [Date.parse(gap.from), Date.parse(gap.to)];
    const one = holes.find((h) => Math.abs(h.from - from) < nearMs && Math.abs(h.to - to) < nearMs && h.gaps[0]?.gap.reason === gap.reason);
    if (one) one.gaps.push({ gap, at: `/gaps/${i}` });
    else holes.push({ from, to, gaps: [{ gap, at: `/gaps/${i}` }] });
  });
  return holes;
}

/** The gaps of a silence, those together that are shown with the same length. */
export function byLength(hole: Hole): Hole['gaps'][] {
  const all: Hole['gaps'][] = [];
  for (const g of hole.gaps) {
    const same = all.find((s) => s[0] && duration(s[0].gap.for_s * 1000) === duration(g.gap.for_s * 1000));
    if (same) same.push(g);
    else all.push([g]);
  }
  return all;
}

/** A share as percent, never rounded to none or all of it where it is neither. */
export function percent(share: number): string {
  if (share >= 1) return '100';
  const cut = Math.min(Math.round(share * 10_000) / 100, 99.99);
  return share > 0 && cut < 0.01 ? '<0.01' : cut.toFixed(2);
}

/** Bytes as people read them; two digits and more. */
export function bytes(n: number): { value: string; unit: string } {
  const [unit, size] = n >= 1e9 ? ['GB', 1e9] as const : n >= 1e6 ? ['MB', 1e6] as const : ['kB', 1e3] as const;
  const shown = n / size;
  return { value: shown >= 100 ? shown.toFixed(0) : shown.toFixed(1), unit };
}

const counterWords: Record<string, string> = { run_hours: 'ran', loaded_hours: 'loaded', start_count: 'starts', energy: 'took' };

/** What a counter says: "ran 0.4 h", as many digits as it has itself. */
export function counted(c: MissedCounter): { word: string; value: string; unit: string } {
  const word = counterWords[c.role] ?? c.role;
  const [scale, unit] = c.unit === 'Wh' ? [1e-3, 'kWh'] : [1, c.unit === '1' ? '' : c.unit];
  const step = c.step * scale;
  const places = step > 0 && step < 1 ? Math.ceil(-Math.log10(step) - 1e-9) : 0;
  return { word, value: (c.change * scale).toFixed(places), unit };
}

/** The device of which the least was read; undefined: none was due. */
export function worst(a: MissedAnswer): { index: number; share: number } | undefined {
  let found: { index: number; share: number } | undefined;
  a.devices.forEach((d, index) => {
    if (d.due > 0 && (!found || d.read_share < found.share)) found = { index, share: d.read_share };
  });
  return found;
}

/** Local midnights of a window, Unix ms: each moment at which the site's clock shows 00:00. */
export function midnights(from: number, to: number, clockAt: (ms: number) => string): number[] {
  const step = 900_000; // no zone is off by less
  const all: number[] = [];
  for (let t = Math.ceil(from / step) * step; t < to; t += step) {
    if (clockAt(t) !== '00:00') continue;
    all.push(t);
    t += 20 * 3_600_000; // the next one is no sooner
  }
  return all;
}
