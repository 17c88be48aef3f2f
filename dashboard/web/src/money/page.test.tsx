// @vitest-environment happy-dom
import { signal } from '@preact/signals';
import { render } from 'preact';
import { afterEach, beforeEach, expect, it, vi } from 'vitest';
import type { Figure, MoneyAnswer, Site } from '../api';
import type { PageProps } from '../pages';
import { valueTicks } from '../plot/ticks';
import { followAddress } from '../route';
import { chooseUnits } from '../settings';
import MoneyAndAir from './page';
import { amount, clockHour, countedOf, dayRows, resting, tickText } from './view';

const host = document.createElement('div');
let undo = () => {};
const waited: string[] = [];
let answer: unknown;
const there = (selector: string) => vi.waitFor(() => { if (!host.querySelector(selector)) throw new Error(`no ${selector}`); }, { timeout: 4_000 });
const text = () => (host.textContent ?? '').replaceAll('\u00a0', ' ');

class Wide {
  constructor(private readonly tell: (e: { contentRect: { width: number } }[]) => void) {}
  observe() { this.tell([{ contentRect: { width: 1000 } }]); }
  disconnect() {}
}

beforeEach(() => {
  document.body.append(host);
  window.location.hash = '#/money-and-air?from=2026-03-02&to=2026-03-02';
  undo = followAddress(window as unknown as globalThis.Window);
  chooseUnits('us');
  vi.stubGlobal('ResizeObserver', Wide);
  vi.stubGlobal('fetch', vi.fn(async (address: string, request?: { signal?: AbortSignal }) => {
    waited.push(address);
    if (answer === undefined) return new Promise((_ok, fail) => request?.signal?.addEventListener('abort', () => { waited.push(`aborted ${address}`); fail(new Error('aborted')); }));
    if (answer instanceof Error) return { ok: false, status: 400, json: async () => ({ error: { message: (answer as Error).message, field: 'from' } }) };
    return { ok: true, status: 200, json: async () => answer };
  }));
});
afterEach(() => {
  render(null, host);
  undo();
  waited.length = 0;
  answer = undefined;
});

const site = { timezone: 'America/Chicago', channels: [], machines: [{ name: 'comp1', channels: {} }], systems: [{ name: 'main', machines: ['comp1'], taps: [], parts: [] }] } as unknown as Site;
const figure = (name: string, value: number, unit: string): Figure => ({ name, value, unit, uncertainty: value / 100, level: 0.95, coverage: 1, method: `how ${name}` });
const hour = (h: number, kWh: number, price: number) => ({ from: `2026-03-02T${h}:00:00.000Z`, to: `2026-03-02T${h}:59:59.999Z`, observed_s: 3600, energy_kwh: kWh, cost: kWh * (price === 0 ? 0.1 : 0.2), price });
const whole: MoneyAnswer = {
  kind: 'system', subject: 'main', from: '2026-03-02T06:00:00.000Z', to: '2026-03-03T06:00:00.000Z', currency: 'USD', notes: [], instruments: [],
  prices: [{ name: 'other times', per_kwh: 0.1 }, { name: 'Mon-Fri 12:00-18:00', per_kwh: 0.2 }],
  figures: [figure('energy', 90, 'kWh'), figure('energy_cost', 14, 'USD'), { ...figure('demand_cost', 9, 'USD'), at_least: true }, figure('specific_power', 7.5, 'kW/(m³/min)')],
  year: [figure('energy_year', 33_000, 'kWh'), figure('cost_year', 8_000, 'USD')],
  split: {
    method: 'by state', rest_kwh: 2, rest_cost: 0.2, states: [
      { state: 'loaded', time_s: 7200, energy_kwh: 60, uncertainty_kwh: 0.6, cost: 10, cost_uncertainty: 0.1, energy_share: 0.67, cost_share: 0.71, by_price: [{ energy_kwh: 20, cost: 2 }, { energy_kwh: 40, cost: 8 }] },
      { state: 'unloaded', time_s: 3600, energy_kwh: 28, uncertainty_kwh: 0.3, cost: 3.8, cost_uncertainty: 0.04, energy_share: 0.31, cost_share: 0.27, by_price: [{ energy_kwh: 18, cost: 1.8 }, { energy_kwh: 10, cost: 2 }] },
    ],
  },
  hours: {
    method: 'hours', gaps_kwh: 0, half_hours: 1, half_share: 0.25, dearest: [1, 0],
    rows: [hour(14, 30, 0), hour(19, 40, 1), hour(20, 20, 1), { from: '2026-03-02T23:00:00.000Z', to: '2026-03-03T00:00:00.000Z', observed_s: 0, energy_kwh: 0, cost: 0, price: 0 }],
    days: [{ date: '2026-03-02', from: '2026-03-02T06:00:00.000Z', to: '2026-03-03T06:00:00.000Z', observed_s: 86_400, energy_kwh: 90, cost: 15 }],
  },
  bills: [{ charge: 'all times', from: '2026-03-01T06:00:00.000Z', to: '2026-04-01T05:00:00.000Z', per_kw: 14.2, peak_kw: 34.5, peak_from: '2026-03-02T19:00:00.000Z', peak_to: '2026-03-02T19:15:00.000Z', billed_kw: 34.5, own_kw: 34.5, share: 0.03, cost: 9, at_least: true, note: 'the billing month is not over' }],
  air: { unit: 'kW/(m³/min)', method: 'each hour', short: 2, points: [{ from: '2026-03-02T14:00:00.000Z', to: '2026-03-02T15:00:00.000Z', flow_m3_min: 3, value: 8, uncertainty: 0.8 }], rated: [{ machine: 'comp1', flow_m3_min: 5.2, power_kw: 37, value: 7.1, pressure_kpa: 862 }] },
  duration: { method: 'steps', step_s: 60, curve: [{ share: 0, above_s: 0, flow_m3_min: 5.3, uncertainty_m3_min: 0.4 }, { share: 1, above_s: 86_340, flow_m3_min: 0, uncertainty_m3_min: 0.1 }], covers: [{ machine: 'comp1', flow_m3_min: 5, up_to_m3_min: 5, above_s: 240, share: 0.0028, method: 'rated flow' }] },
  pressure: [{
    machine: 'comp1', pressure_kpa: 744, basis: 'fit', handbook: 'the rule of thumb is one for two',
    steps: [{ step_kpa: 10, figures: [figure('pressure_step_power', 0.7, '%')] }, { step_kpa: 13.789514, figures: [figure('pressure_step_power', 0.97, '%'), figure('pressure_step_cost', 1.2, 'USD')] }],
  }],
};

function show(over: Partial<Site> = {}): void {
  const props = { live: { held: signal(false) }, site: { ...site, ...over }, view: { now: Date.parse('2026-03-09T17:00:00Z') } } as unknown as PageProps;
  render(<MoneyAndAir {...props} />, host);
}

it('says that it fetches, and takes its question back on leaving', async () => {
  show();
  await there('.standing');
  expect(text()).toContain('Fetching money and air');
  await vi.waitFor(() => expect(waited).toHaveLength(1));
  render(null, host);
  await vi.waitFor(() => expect(waited.at(-1)).toBe('aborted /api/v1/money?from=2026-03-02&to=2026-03-02&system=main'));
});

it('says what loadscribe answers to a wrong window, and that it tries again', async () => {
  answer = new Error('40 days are asked for: at most 35 can be at once');
  show();
  await vi.waitFor(() => expect(text()).toContain('Could not fetch money and air: 40 days are asked for'));
  expect(host.querySelector('.standing button')?.textContent).toBe('Try now');
});

it('tells what the days cost, what of it made no air, and what a year comes to', async () => {
  answer = whole;
  show();
  await there('.money-days svg');
  expect(host.querySelector('h1')?.textContent).toContain('The energy of these days cost 14.00 USD, their share of the demand charge at least 9.000 USD.');
  expect(text()).toContain('Running unloaded, which makes no air, took 3.80 USD of it, 27 %.');
  expect(text()).toContain('A year of such days: 8000 USD');
  expect(text()).toContain('Half of the energy’s cost fell in 1 hour, 25 % of these days.');
  expect(text()).toContain('of no state');
  expect(host.querySelectorAll('.dear-mark').length).toBe(3); // two hours and the key
  expect(host.querySelectorAll('.hour-lost').length).toBe(2); // an hour and the key
  expect(text()).toContain('System main, from Mon 2 Mar to Mon 2 Mar, 24:00.');
  expect(host.querySelector('.dearest a')?.getAttribute('href')).toContain('#/trace?');
  expect(text()).toContain('more was drawn for 4 min 0 s, 0.28 % of the observed time');
});

it('tells pressure by the step of the units that are shown', async () => {
  answer = whole;
  show();
  await there('[data-figure=pressure_step_power]');
  expect(text()).toContain('2.0 psi more, or less, around 107.9 psi');
  expect(host.querySelector('[data-figure=pressure_step_power] data')?.getAttribute('data-at')).toBe('/pressure/0/steps/1/figures/0/value');
  chooseUnits('si');
  await vi.waitFor(() => expect(text()).toContain('0.10 bar more, or less, around 7.44 bar'));
  expect(host.querySelector('[data-figure=pressure_step_power] data')?.getAttribute('data-at')).toBe('/pressure/0/steps/0/figures/0/value');
});

it('counts energy where the site has no prices, and says what to write', async () => {
  const { currency: _none, ...rest } = whole;
  answer = {
    ...rest, prices: [], bills: [], figures: [figure('energy', 90, 'kWh'), { name: 'energy_cost', absent: 'no energy price in the site file' }], year: [{ name: 'energy_year', absent: 'a year is told from one whole week or more' }],
    split: { ...whole.split, states: whole.split.states.map(({ cost: _c, cost_share: _s, cost_uncertainty: _u, ...s }) => ({ ...s, by_price: [] })) },
    hours: { ...whole.hours, cost_absent: 'no energy price in the site file', rows: whole.hours.rows.map(({ cost: _c, price: _p, ...h }) => h), days: whole.hours.days.map(({ cost: _c, ...d }) => d) },
  };
  show();
  await there('.money-days svg');
  expect(host.querySelector('h1')?.textContent).toBe('These days took 90.00 kWh of electricity.');
  expect(host.querySelector('.no-tariff code')?.textContent).toContain('[tariff]');
  expect(text()).toContain('Where the energy went');
  expect(text()).toContain('A year of such daysNot known: a year is told from one whole week or more.');
  expect(text()).not.toContain('What demand was charged');
});

it('says of each part why it is not known', async () => {
  answer = {
    ...whole, figures: [{ name: 'energy', absent: 'nothing was observed in this window' }], year: [], split: { states: [], rest_kwh: 0, absent: 'comp1: no power channel' },
    hours: { rows: [], days: [], gaps_kwh: 0, dearest: [], half_hours: 0, half_share: 0, absent: 'nothing was observed in this window' }, bills: [],
    air: { unit: 'kW/(m³/min)', points: [], rated: [], short: 24, absent: 'no flow' }, duration: { step_s: 0, curve: [], covers: [], absent: 'no tap' }, pressure: [{ machine: 'comp1', pressure_kpa: 0, steps: [], absent: 'no volume', handbook: 'the rule' }],
  };
  show();
  await there('#pressure-title');
  for (const why of ['What electricity these days took is not known.', 'comp1: no power channel', 'Not known: nothing was observed in this window', 'Not known: no flow', 'Not known: no tap', 'Not known: no volume']) expect(text()).toContain(why);
});

it('says that a site without machines has nothing to count', () => {
  show({ machines: [], systems: [] });
  expect(text()).toBe('The site file names no machine, so there is no energy to count.');
});

it('makes amounts, ticks and days', () => {
  expect([amount(3.8, true), amount(3.84, false), amount(38.41, false), amount(384.1, false)]).toEqual(['3.80', '3.84', '38.4', '384']);
  expect(valueTicks(0, 5.3, 5)).toEqual([0, 2, 4]);
  expect(valueTicks(0, 0.9, 5).map(tickText)).toEqual(['0', '0.2', '0.4', '0.6', '0.8']);
  expect(clockHour(Date.parse('2026-03-02T19:30:00Z'), 'America/Chicago')).toBe(13.5);
  expect(countedOf(whole)).toEqual({ isMoney: true, unit: 'USD' });
  expect(resting(whole.split.states).map((r) => r.index)).toEqual([1]);
  expect(dayRows(whole)[0]?.hours.map((h) => h.index)).toEqual([0, 1, 2, 3]);
});
