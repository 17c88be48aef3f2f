// @vitest-environment happy-dom
import { signal } from '@preact/signals';
import { render } from 'preact';
import { afterEach, beforeEach, expect, it, vi } from 'vitest';
import type { DaysAnswer, Figure, PeriodsAnswer, Site } from '../api';
import type { PageProps } from '../pages';
import { followAddress } from '../route';
import { chooseUnits } from '../settings';
import SevenDays from './page';

const host = document.createElement('div');
let undo = () => {};
const waited: string[] = [];
let answers: Record<string, unknown> = {};
const settled = () => new Promise((r) => setTimeout(r, 30));
/** Waits until there is such an element. */
const there = (selector: string, n = 1) => vi.waitFor(() => { if (host.querySelectorAll(selector).length < n) throw new Error(`no ${selector}`); }, { timeout: 4_000 });

class Wide {
  constructor(private readonly tell: (e: { contentRect: { width: number } }[]) => void) {}
  observe() { this.tell([{ contentRect: { width: 1000 } }]); }
  disconnect() {}
}

beforeEach(() => {
  document.body.append(host);
  window.location.hash = '#/seven-days?from=2026-03-02&to=2026-03-03';
  undo = followAddress(window as unknown as globalThis.Window);
  chooseUnits('us');
  vi.stubGlobal('ResizeObserver', Wide);
  vi.stubGlobal('fetch', vi.fn(async (address: string, request?: { signal?: AbortSignal }) => {
    waited.push(address);
    const found = answers[address.split('?')[0] ?? ''];
    if (found === undefined) {
      return new Promise((_ok, fail) => request?.signal?.addEventListener('abort', () => { waited.push(`aborted ${address}`); fail(new Error('aborted')); }));
    }
    const refused = found instanceof Error;
    return { ok: !refused, status: refused ? 400 : 200, json: async () => (refused ? { error: { message: found.message, field: 'from' } } : found) };
  }));
});
afterEach(() => {
  render(null, host);
  undo();
  waited.length = 0;
  answers = {};
});

const site = {
  timezone: 'America/Chicago', channels: [{ id: 'inputs.header', unit: 'psi', quantity: 'pressure', si_scale: 6894.757293168, si_offset: 0, absolute: false, step: 0.1 }],
  machines: [{ name: 'comp1', channels: {} }], systems: [{ name: 'main', machines: ['comp1'], minimum_pressure_pa: 620528, taps: [], parts: [] }],
} as unknown as Site;

const energy = (value: number): Figure => ({ name: 'energy', value, unit: 'kWh', uncertainty: 2, level: 0.95, coverage: 1, method: 'integral of power', inputs: ['meter.power'] });
const oneDay = (date: string, from: string, to: string, kWh: number): DaysAnswer['days'][number] => ({
  date, from, to, share: 1, day_type: 'workday', slots_from: from, slots: 96,
  figures: [energy(kWh), { name: 'quiet_demand', absent: 'nobody rests' }],
  machines: [{ machine: 'comp1', figures: [{ name: 'starts', value: 9, unit: '1', uncertainty: 0, coverage: 1 }], states: { loaded: Array.from({ length: 96 }, (_, i) => (i < 48 ? 900 : 0)), off: Array.from({ length: 96 }, (_, i) => (i < 48 ? 0 : 900)) } }],
});
const daysAnswer: DaysAnswer = {
  kind: 'system', subject: 'main', from: '2026-03-02T06:00:00.000Z', to: '2026-03-04T06:00:00.000Z', slot_s: 900, instruments: [], notes: [],
  days: [oneDay('2026-03-02', '2026-03-02T06:00:00.000Z', '2026-03-03T06:00:00.000Z', 235.1), oneDay('2026-03-03', '2026-03-03T06:00:00.000Z', '2026-03-04T06:00:00.000Z', 91.4)],
  energy_week: { unit: 'kW', method: 'mean', cells: [{ day: 0, hour: 13, value: 31.25, observed_h: 1, hours: 1, from: '2026-03-02T19:00:00.000Z', to: '2026-03-02T20:00:00.000Z' }, { day: 0, hour: 14, observed_h: 0, hours: 1, from: '2026-03-02T20:00:00.000Z', to: '2026-03-02T21:00:00.000Z' }] },
  demand_week: { cells: [], absent: 'no pressure is read' },
};
const span = { from: '2026-03-02T06:00:00.000Z', to: '2026-03-03T06:00:00.000Z', days: 1, coverage: 1, day_types: [{ name: 'workday', days: 1 }] };
const periodsAnswer: PeriodsAnswer = {
  kind: 'system', subject: 'main', sentence: 'One of 1 figures differs by more than we can be wrong by.', first: span, second: span, instruments: [], remarks: ['The days are not alike.'], command: 'loadscribe compare',
  rows: [
    { name: 'energy', first: energy(235.1), second: energy(91.4), first_per_day: 235.1, second_per_day: 91.4, told: true, difference: { ...energy(-143.7), note: 'more than we can be wrong by' } },
    { name: 'starts', machine: 'comp1', first: { name: 'starts', absent: 'why' }, second: { name: 'starts', absent: 'why' }, told: false, difference: { name: 'starts', absent: 'not known in the first period: why' } },
  ],
};

function show(over: Partial<Site> = {}, now = '2026-03-09T17:00:00Z'): void {
  const props = { live: { held: signal(false) }, site: { ...site, ...over }, view: { now: Date.parse(now) } } as unknown as PageProps;
  render(<SevenDays {...props} />, host);
}
const text = () => (host.textContent ?? '').replaceAll('\u00a0', ' ');

it('says that it fetches, and takes its question back on leaving', async () => {
  show();
  await vi.waitFor(() => expect(waited.length).toBe(1));
  expect(text()).toContain('Fetching days');
  expect(waited[0]).toBe('/api/v1/days?from=2026-03-02&to=2026-03-03&system=main');
  render(null, host);
  await vi.waitFor(() => expect(waited.at(-1)).toMatch(/^aborted/));
});

it('says the sentence first, every number tagged with its place in the answer', async () => {
  answers = { '/api/v1/days': daysAnswer, '/api/v1/periods': periodsAnswer };
  show();
  await there('.strip svg', 2);
  expect(host.querySelector('h1')?.textContent).toBe('Mon 2 Mar took the most energy, 235.1 kWh; Tue 3 Mar the least, 91.4 kWh.');
  expect(host.querySelector('h1 data')?.getAttribute('data-at')).toBe('/days/0/figures/0/value');
  expect(host.querySelector('.seven')?.getAttribute('data-answer')).toBe('/api/v1/days?from=2026-03-02T06%3A00%3A00.000Z&to=2026-03-04T06%3A00%3A00.000Z&system=main');
  expect(host.querySelectorAll('.strip svg[role=img]').length).toBe(2);
  expect(host.querySelector('.strip svg')?.getAttribute('aria-label')).toBe('Mon 2 Mar: comp1 ran between 00:00 and 12:00; loaded 12 h 0 min, off 12 h 0 min.'.replaceAll(/(\d) (h|min)/g, '$1\u00a0$2').replaceAll('h 0', 'h\u00a00'));
});

it('shows an hour that was not observed as such, and leads to Trace from every cell', async () => {
  answers = { '/api/v1/days': daysAnswer, '/api/v1/periods': periodsAnswer };
  show();
  await there('.map.power a', 2);
  const [seen, unseen] = host.querySelectorAll<HTMLAnchorElement>('.map.power a');
  expect(seen?.textContent).toBe('Mon 13:00: 31.3');
  expect(unseen?.textContent).toBe('Mon 14:00: not observed');
  expect(unseen?.className).toContain('unseen');
  expect(seen?.getAttribute('href')).toContain('from=2026-03-02T19:00:00Z');
  expect([...host.querySelectorAll('.map.power a')].map((a) => a.getAttribute('tabindex'))).toEqual(['0', '-1']);
  seen?.dispatchEvent(new KeyboardEvent('keydown', { key: 'ArrowRight', bubbles: true }));
  await settled();
  expect(document.activeElement).toBe(unseen);
  expect(text()).toContain('Not known: no pressure is read.');
  // Keys may come faster than the table is drawn anew: there and back again at once.
  unseen?.dispatchEvent(new KeyboardEvent('keydown', { key: 'ArrowLeft', bubbles: true }));
  seen?.dispatchEvent(new KeyboardEvent('keydown', { key: 'ArrowRight', bubbles: true }));
  expect(document.activeElement).toBe(unseen);
});

it('sets periods side by side in words, and says what cannot be compared', async () => {
  answers = { '/api/v1/days': daysAnswer, '/api/v1/periods': periodsAnswer };
  show();
  await there('.side');
  expect(waited).toContain('/api/v1/periods?first=2026-02-28%2F2026-03-01&second=2026-03-02%2F2026-03-03&system=main');
  const side = host.querySelector('.side');
  expect(side?.querySelector('.by data')?.getAttribute('data-at')).toBe('/rows/0/difference/value');
  expect(side?.textContent).toContain('−143.7 ± 2.0');
  expect(side?.textContent).toContain('more than we can be wrong by');
  expect(text()).toContain('not known in the first period: why');
});

it('opens a day with every figure, also one that is not known', async () => {
  window.location.hash = '#/seven-days?from=2026-03-02&to=2026-03-03&day=2026-03-03';
  await settled();
  answers = { '/api/v1/days': daysAnswer, '/api/v1/periods': periodsAnswer };
  show();
  await there('.full .figure');
  const full = host.querySelector('.full');
  expect(full?.textContent).toContain('91.4 ± 2.0');
  expect(full?.textContent).toContain('Not known: nobody rests.');
  expect(full?.querySelectorAll('.figure').length).toBe(3);
});

it('keeps what it has and says so when the server fails, and shows a refusal', async () => {
  answers = { '/api/v1/days': new Error('40 days are asked for: at most 35 can be at once') };
  show();
  await there('.standing.warn');
  expect(text()).toContain('Could not fetch days: 40 days are asked for: at most 35 can be at once.');
  answers = { '/api/v1/days': daysAnswer, '/api/v1/periods': periodsAnswer };
  [...host.querySelectorAll('button')].find((b) => b.textContent === 'Try now')?.click();
  await there('.strip');
  expect(text()).not.toContain('Could not fetch');
  expect(text()).toContain('took the most energy');
});

it('says whose days these are where the address asks for a machine that is not there', async () => {
  window.location.hash = '#/seven-days?from=2026-03-02&to=2026-03-03&machine=comp9';
  await settled();
  answers = { '/api/v1/days': daysAnswer, '/api/v1/periods': periodsAnswer };
  show();
  await there('.strips');
  expect(text()).toContain('The site has no machine “comp9”: these are the days of system main.');
});

it('halves the days where the ones before were hardly recorded', async () => {
  window.location.hash = '#/seven-days?from=2026-03-02&to=2026-03-05';
  await settled();
  answers = { '/api/v1/days': daysAnswer, '/api/v1/periods': { ...periodsAnswer, first: { ...span, coverage: 0.08 } } };
  show();
  await vi.waitFor(() => expect(waited.filter((a) => a.startsWith('/api/v1/periods')).length).toBe(2), { timeout: 4_000 });
  expect(waited.filter((a) => a.startsWith('/api/v1/periods'))).toEqual([
    '/api/v1/periods?first=2026-02-26%2F2026-03-01&second=2026-03-02%2F2026-03-05&system=main',
    '/api/v1/periods?first=2026-03-02%2F2026-03-03&second=2026-03-04%2F2026-03-05&system=main',
  ]);
  await vi.waitFor(() => { expect(text()).toContain('so these days are halved'); }, { timeout: 4_000 }); // its answer is drawn after it was asked for
});

it('says that there is nothing to show: no machine, or no energy known', async () => {
  show({ machines: [], systems: [] });
  expect(text()).toBe('The site file names no machine, so there are no days to show.');
  expect(waited).toEqual([]);
  render(null, host);
  answers = { '/api/v1/days': { ...daysAnswer, days: [{ ...daysAnswer.days[0], figures: [{ name: 'energy', absent: 'no power' }], machines: [{ machine: 'comp1', figures: [], states: {}, absent: 'no signal' }] }] }, '/api/v1/periods': periodsAnswer };
  show();
  await there('.strips');
  expect(text()).toContain('No energy is known of these days.');
  expect(text()).toContain('What comp1 did is not known: no signal.');
});
