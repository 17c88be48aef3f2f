import { expect, it } from 'vitest';
import type { ReplayOutcome, ReplayTracePoint } from '../api';
import { displayOf } from '../units/units';
import { busiestHour, curveOf, eventsOf, runsOf } from './traces';

const hour = 3_600_000;
const psi = displayOf('pressure', 'us') ?? { unit: '', decimals: 0, scale: 1, offset: 0 };
const trace: ReplayTracePoint[] = [
  { at_ms: 10 * hour, pressure_pa: 689475.7293168, states: ['loaded'] },
  { at_ms: 10 * hour + 1000, pressure_pa: 7e5, states: ['unloaded'] },
  { at_ms: 12 * hour, pressure_pa: 6e5, states: ['loaded'], gap: true },
  { at_ms: 12 * hour + 500, pressure_pa: 6e5, states: ['unloaded'] },
  { at_ms: 12 * hour + 900, pressure_pa: 6e5, states: ['loaded'] },
];

it('draws the replayed pressure in the shown unit, broken where nothing was observed', () => {
  const c = curveOf('present', 'as it is', trace, psi, 0);
  // 100 psi by definition of the pound and the inch.
  expect(c.mean[0]).toBeCloseTo(100, 6);
  expect([...c.mean].map(Number.isNaN)).toEqual([false, false, true, false, false, false]);
  expect([...c.t]).toEqual([...c.t].sort((a, b) => a - b));
});

it('carries a state on to the next event, and knows nothing of a gap', () => {
  const outcome = { machines: [{ machine: 'comp1' }], trace } as unknown as ReplayOutcome;
  expect(runsOf(outcome, 'comp1', 13 * hour).map((r) => [r.state, r.from, r.to])).toEqual([
    ['loaded', 10 * hour, 10 * hour + 1000], ['unobserved', 10 * hour + 1000, 12 * hour], ['loaded', 12 * hour, 12 * hour + 500],
    ['unloaded', 12 * hour + 500, 12 * hour + 900], ['loaded', 12 * hour + 900, 13 * hour],
  ]);
  expect(runsOf(outcome, 'comp2', 13 * hour)).toEqual([]);
});

it('finds the hour with the most loads', () => {
  expect(busiestHour(trace)).toEqual({ from: 12 * hour, to: 13 * hour });
  expect(busiestHour([])).toBeUndefined();
});

it('thins events and keeps the place of each', () => {
  expect(eventsOf(trace, 0, 20 * hour, 2).map((e) => e.index)).toEqual([0, 2]);
  expect(eventsOf(trace, 12 * hour, 13 * hour, 9).map((e) => e.index)).toEqual([2, 3, 4]);
});
