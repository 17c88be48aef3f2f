import { expect, it } from 'vitest';
import type { Day, DayMachine, Site, WeekMap } from '../api';
import { addDays } from '../look/days';
import { bands, cellDecimals, decimalsOf, gridOf, halves, minimumOf, periodsOf, placeHref, scaleOf, spanOf, stacked, subjects, topOf, whoOf } from './view';

const site = {
  timezone: 'America/Chicago',
  machines: [{ name: 'comp1', channels: { power: 'meter.power' } }, { name: 'comp2', channels: { motor_current: 'c2.current' } }],
  systems: [{ name: 'main', machines: ['comp1', 'comp2'], minimum_pressure_pa: 620_528.156 }],
  channels: [{ id: 'inputs.header', unit: 'psi', quantity: 'pressure', si_scale: 6894.757293168, si_offset: 0, absolute: false, step: 0.1 }],
} as unknown as Site;

const day = (over: Partial<Day> = {}): Day => ({
  date: '2026-03-02', from: '2026-03-02T06:00:00.000Z', to: '2026-03-02T07:00:00.000Z', share: 1 / 24, day_type: 'workday', figures: [],
  slots_from: '2026-03-02T06:00:00.000Z', slots: 4, machines: [], ...over,
});

it('shows the machine that the address names, else its system, else the first of all', () => {
  expect(subjects(site).map((w) => w.name)).toEqual(['main', 'comp1', 'comp2']);
  expect(whoOf(site, new URLSearchParams('machine=comp2'))).toEqual({ kind: 'machine', name: 'comp2' });
  expect(whoOf(site, new URLSearchParams('machine=gone'))).toEqual({ kind: 'system', name: 'main' });
  expect(whoOf({ machines: [], systems: [] } as unknown as Site, new URLSearchParams())).toBeUndefined();
});

it('knows the whole date of a day in part, and of one with 23 hours', () => {
  const part = spanOf(day());
  expect((part.to - part.from) / 3_600_000).toBeCloseTo(24, 6);
  // 2026-03-08 has 23 hours in Chicago; 11.5 of them are half of it
  const short = spanOf(day({ from: '2026-03-08T06:00:00.000Z', to: '2026-03-08T17:30:00.000Z', share: 0.5 }));
  expect((short.to - short.from) / 3_600_000).toBeCloseTo(23, 6);
});

it('stacks what a machine did, and leaves what was not seen to itself', () => {
  const machine: DayMachine = { machine: 'comp1', figures: [], states: { unloaded: [225, 0, 0, 0], loaded: [675, 0, 899.5, 0], off: [0, 450, 0, 900] } };
  const all = stacked(day(), machine, 900);
  expect(all.filter((s) => s.slot === 0)).toEqual([{ state: 'loaded', slot: 0, low: 0, high: 0.75 }, { state: 'unloaded', slot: 0, low: 0.75, high: 1 }]);
  expect(all.filter((s) => s.slot === 1)).toEqual([{ state: 'off', slot: 1, low: 0, high: 0.5 }, { state: 'unobserved', slot: 1, low: 0.5, high: 1 }]);
  expect(all.filter((s) => s.slot === 2).map((s) => s.state)).toEqual(['loaded']); // half a second is no gap
});

it('measures the slot that is not over yet by what has passed of it', () => {
  const machine: DayMachine = { machine: 'comp1', figures: [], states: { loaded: [300] } };
  expect(stacked(day({ to: '2026-03-02T06:05:00.000Z', slots: 1 }), machine, 900)).toEqual([{ state: 'loaded', slot: 0, low: 0, high: 1 }]);
});

it('breaks the pressure where nothing was read', () => {
  const pressure = { min: [90, null, 95, 96], mean: [100, null, 101, 102], max: [110, null, 111, 112] };
  const all = bands(day({ pressure }), { unit: 'psi', decimals: 1, scale: 1, offset: 0 });
  expect(all.map((b) => b.slots.map((s) => s.slot))).toEqual([[0], [2, 3]]);
  expect(scaleOf([all], 80)).toEqual({ low: 80, high: 120 });
  expect(scaleOf([[]], 80)).toBeUndefined();
});

it('writes the ends of the scale as they are drawn, in bar too', () => {
  const bar = (v: number) => [{ slots: [{ slot: 0, min: v, mean: v + 0.3, max: v + 0.6 }] }];
  const scale = scaleOf([bar(6.55)], undefined);
  expect(scale?.low).toBeCloseTo(6.4, 9);
  expect(scale?.high).toBeCloseTo(7.2, 9);
  expect([decimalsOf([scale?.low ?? 0, scale?.high ?? 0]), decimalsOf([80, 120]), decimalsOf([6.25])]).toEqual([1, 0, 2]);
});

it('shows the minimum in the unit of the pressure', () => {
  // 90 psi = 620 528.156 Pa: NIST SP 811, table B.8, 6 894.757 Pa (from memory)
  const answer = { kind: 'system', subject: 'main', pressure: 'inputs.header' } as never;
  expect(minimumOf(site, answer, 'us', { unit: 'psi', decimals: 1, scale: 1, offset: 0 })).toBeCloseTo(90, 4);
});

it('knows the map by day and hour and its highest place', () => {
  const cell = (d: number, hour: number, value?: number) => ({ day: d, hour, observed_h: 1, hours: 1, from: '', to: '', ...(value === undefined ? {} : { value }) });
  const map: WeekMap = { unit: 'kW', cells: [cell(0, 7, 3), cell(0, 8, 9), cell(6, 23)] };
  expect(gridOf(map, '/energy_week')[0]?.[8]?.at).toBe('/energy_week/cells/1');
  expect(gridOf(map, '/energy_week')[6]?.[23]?.cell.value).toBeUndefined();
  expect(gridOf(map, '/energy_week')[3]?.[3]).toBeUndefined();
  expect(topOf(map)).toMatchObject({ index: 1, cell: { hour: 8 } });
  expect(topOf({ cells: [] })).toBeUndefined();
  expect([123, 34.2, 5.1].map(cellDecimals)).toEqual([0, 1, 2]);
});

it('leads to Trace with pressure and powers of the machines', () => {
  expect(placeHref(site, { kind: 'system', name: 'main' }, 'inputs.header', 0, 3_600_000)).toBe('#/trace?ch=inputs.header,meter.power,c2.current&machine=comp1,comp2&from=1970-01-01T00:00:00Z&to=1970-01-01T01:00:00Z');
});

it('compares the shown days with as many before, until the reader says otherwise', () => {
  const days = { from: '2026-03-02', to: '2026-03-08', now: false };
  expect(periodsOf(new URLSearchParams(), days, '2026-03-20')).toEqual({ first: '2026-02-23/2026-03-01', second: '2026-03-02/2026-03-08', own: false });
  expect(periodsOf(new URLSearchParams('first=2026-01-01/2026-01-07&second=2026-02-01/2026-02-07'), days, '2026-03-20')).toEqual({ first: '2026-01-01/2026-01-07', second: '2026-02-01/2026-02-07', own: true });
  expect(periodsOf(new URLSearchParams('first=nonsense&second=2026-02-01/2026-02-07'), days, '2026-03-20').own).toBe(false);
  expect(halves(days, addDays)).toEqual({ first: '2026-03-02/2026-03-04', second: '2026-03-05/2026-03-08' });
  expect(halves({ from: '2026-03-02', to: '2026-03-02', now: true }, addDays)).toBeUndefined();
});
