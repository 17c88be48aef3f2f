// The last hour as rows of five minutes: the chart's twin in numbers.
import type { StateName } from '../api';
import type { Columns } from './cells';
import type { Run } from './runs';

export interface Row {
  from: number;
  low: number | undefined;
  mean: number | undefined;
  high: number | undefined;
  power: number | undefined;
  /** milliseconds in each state, longest first */
  states: [StateName, number][];
}

const stepMs = 300_000;

function within(c: Columns, from: number, to: number): { low?: number; mean?: number; high?: number } {
  let low = Infinity;
  let high = -Infinity;
  let sum = 0;
  let n = 0;
  for (const [i, t] of c.t.entries()) {
    const mean = c.mean[i] ?? NaN;
    if (t < from || t >= to || Number.isNaN(mean)) continue;
    sum += mean;
    n += 1;
    low = Math.min(low, c.min[i] ?? mean);
    high = Math.max(high, c.max[i] ?? mean);
  }
  return n === 0 ? {} : { low, high, mean: sum / n };
}

export function rows(pressure: Columns | undefined, power: Columns | undefined, runs: Run[], from: number, to: number): Row[] {
  const out: Row[] = [];
  for (let start = Math.floor(from / stepMs) * stepMs; start < to; start += stepMs) {
    const end = start + stepMs;
    const p = pressure ? within(pressure, start, end) : {};
    const w = power ? within(power, start, end) : {};
    const states = new Map<StateName, number>();
    for (const r of runs) {
      const ms = Math.min(r.to, end) - Math.max(r.from, start);
      if (ms > 0) states.set(r.state, (states.get(r.state) ?? 0) + ms);
    }
    out.push({ from: start, low: p.low, mean: p.mean, high: p.high, power: w.mean, states: [...states].sort((a, b) => b[1] - a[1]) });
  }
  return out;
}
