import { describe, expect, it } from 'vitest';
import type { NightsAnswer } from '../api';
import { ceiling, nightsIn, rowsOf, stretches, type Found } from './view';

/** Two days of a shop in Chicago from midnight: work from 7 to 16, quiet after 20. */
function answer(): NightsAnswer {
  const from = Date.parse('2026-03-03T06:00:00Z'); // Tuesday 00:00 CST
  const found: Found[] = [];
  const flow: (number | null)[] = [];
  for (let i = 0; i < 192; i++) {
    const hour = Math.floor(i / 4) % 24;
    const f: Found = hour >= 7 && hour < 16 ? 'shift' : hour >= 20 || hour < 7 ? 'taken' : 'restless';
    found.push(f);
    flow.push(f === 'taken' ? 0.004 : f === 'restless' ? 0.03 : null);
  }
  const at = (h: number) => new Date(from + h * 3_600_000).toISOString();
  return {
    system: 'main', from: at(0), to: at(48), step_s: 900, basis: 'outside the shifts', agreement: '', figures: [], tables: [], instruments: [], notes: [],
    nights: [{ from: at(0), to: at(7), quiet_s: 7 * 3600, flow_m3s: 0.004, pressure_pa: 6e5 }, { from: at(16), to: at(31), quiet_s: 11 * 3600, flow_m3s: 0.004, pressure_pa: 6e5 },
      { from: at(40), to: at(48), quiet_s: 4 * 3600, flow_m3s: 0.004, pressure_pa: 6e5 }],
    quarters: { from: at(0), found, flow_m3s: flow, pressure_pa: flow.map(() => null) },
  };
}

describe('the nights of an answer', () => {
  it('stand in rows from noon to noon in the site’s time', () => {
    const rows = rowsOf(answer(), 'America/Chicago');
    expect(rows.map((r) => r.date)).toEqual(['2026-03-02', '2026-03-03', '2026-03-04']);
    expect(rows.map((r) => r.quarters.length)).toEqual([48, 96, 48]);
    expect(rows[0]?.quarters[0]?.slot).toBe(48); // midnight is the middle
    expect(rows[1]?.quarters[0]?.slot).toBe(0);
  });

  it('keep each night in the row in which it begins', () => {
    const a = answer();
    expect(rowsOf(a, 'America/Chicago').map((r) => nightsIn(r, a))).toEqual([[0], [1], [2]]);
  });

  it('leave out what lies before the record, and show what is missing in it', () => {
    const a = answer();
    const unseen = (from: number, to: number) => rowsOf({ ...a, quarters: { ...a.quarters, found: a.quarters.found.map((f, i) => (i >= from && i < to ? 'unseen' : f)) } }, 'America/Chicago').map((r) => r.date);
    expect(unseen(0, 48)).toEqual(['2026-03-03', '2026-03-04']);
    expect(unseen(48, 144)).toEqual(['2026-03-02', '2026-03-03', '2026-03-04']);
    expect(unseen(0, 192)).toEqual([]);
  });

  it('are drawn up to well above what was taken, or to what there is where nothing was', () => {
    const a = answer();
    expect(ceiling(a)).toBeCloseTo(0.01);
    a.quarters.found = a.quarters.found.map((f) => (f === 'taken' ? 'busy' : f));
    expect(ceiling(a)).toBeCloseTo(0.075);
    a.quarters.flow_m3s = a.quarters.flow_m3s.map(() => null);
    expect(ceiling(a)).toBe(0);
  });

  it('are told in stretches without a hole', () => {
    const a = answer();
    const [, row] = rowsOf(a, 'America/Chicago');
    const all = row ? stretches(row, a) : [];
    expect(all.map((s) => [s.found, (s.to - s.from) / 3_600_000])).toEqual([['shift', 4], ['restless', 4], ['taken', 11], ['shift', 5]]);
  });

  it('have a day of 25 hours in one row, twice in the same place', () => {
    const a = answer();
    const from = Date.parse('2026-11-01T04:00:00Z'); // Saturday 23:00 CDT; the clocks go back at 2
    a.quarters = { from: new Date(from).toISOString(), found: Array<Found>(20).fill('taken'), flow_m3s: Array<number>(20).fill(0.004), pressure_pa: Array<number>(20).fill(6e5) };
    const rows = rowsOf(a, 'America/Chicago');
    expect(rows).toHaveLength(1);
    expect(new Set(rows[0]?.quarters.map((q) => q.slot)).size).toBe(16);
  });
});
