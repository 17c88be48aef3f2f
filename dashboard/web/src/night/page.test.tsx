// @vitest-environment happy-dom
import { signal } from '@preact/signals';
import { render } from 'preact';
import { afterEach, beforeEach, expect, it, vi } from 'vitest';
import type { NightsAnswer, Site } from '../api';
import type { PageProps } from '../pages';
import { followAddress } from '../route';
import { chooseUnits } from '../settings';
import AfterHours from './page';

const host = document.createElement('div');
let undo = () => {};
const asked: string[] = [];
let answers: Record<string, unknown> = {};
const text = () => (host.textContent ?? '').replaceAll('\u00a0', ' ');
const there = (selector: string, n = 1) => vi.waitFor(() => { if (host.querySelectorAll(selector).length < n) throw new Error(`no ${selector}`); }, { timeout: 4_000 });

class Wide {
  constructor(private readonly tell: (e: { contentRect: { width: number } }[]) => void) {}
  observe() { this.tell([{ contentRect: { width: 960 } }]); }
  disconnect() {}
}

beforeEach(() => {
  document.body.append(host);
  window.location.hash = '#/after-hours?from=2026-03-02&to=2026-03-03';
  undo = followAddress(window as unknown as globalThis.Window);
  chooseUnits('us');
  vi.stubGlobal('ResizeObserver', Wide);
  vi.stubGlobal('fetch', vi.fn(async (address: string, request?: { signal?: AbortSignal }) => {
    asked.push(address);
    const found = answers[address.split('?')[0] ?? ''];
    if (found === undefined) return new Promise((_ok, fail) => request?.signal?.addEventListener('abort', () => { asked.push(`aborted ${address}`); fail(new Error('aborted')); }));
    const refused = found instanceof Error;
    return { ok: !refused, status: refused ? 400 : 200, json: async () => (refused ? { error: { message: found.message, field: 'from' } } : found) };
  }));
});
afterEach(() => {
  render(null, host);
  undo();
  asked.length = 0;
  answers = {};
});

const site = {
  timezone: 'America/Chicago', channels: [], machines: [{ name: 'comp1', channels: { power: 'meter.power' } }],
  systems: [{ name: 'main', machines: ['comp1'], pressure: 'inputs.header', taps: [], parts: [] }],
} as unknown as Site;

const at = (text: string) => `2026-03-0${text}:00.000Z`;
const nights: NightsAnswer = {
  system: 'main', from: at('2T06:00'), to: at('4T06:00'), step_s: 900, basis: 'outside the shifts (Mon-Fri 07:00-16:00)', agreement: '2 methods agree within their uncertainties', instruments: [], notes: [],
  figures: [
    { name: 'quiet_demand', value: 0.3, unit: 'm³/min', uncertainty: 0.04, level: 0.95, coverage: 1 },
    { name: 'leak_flow', value: 0.2831684659, unit: 'm³/min', uncertainty: 0.02831684659, level: 0.95, coverage: 1, note: 'at 90 psi' },
    { name: 'leak_cost', value: 812.4, unit: 'USD', uncertainty: 90, level: 0.95, coverage: 1, at_least: true },
  ],
  tables: [{
    name: 'leak_methods', method: 'by each method', columns: [{ name: 'leak', unit: 'm³/min' }, { name: 'uncertainty', unit: 'm³/min' }],
    rows: [{ name: 'base demand', values: [0.2831684659, 0.02831684659], note: 'mean of the quiet minutes' }, { name: 'bleed-down', values: [null, null], note: 'not valid: no fall' }, { name: 'combined', values: [0.2831684659, 0.02831684659] }],
  }],
  nights: [{ from: at('2T22:00'), to: at('3T13:00'), quiet_s: 7200, flow_m3s: 0.0047194745, pressure_pa: 620528.156 }, { from: at('3T22:00'), to: at('4T06:00'), quiet_s: 0, flow_m3s: null, pressure_pa: null, why: 'the pressure was too low' }],
  quarters: {
    from: at('2T06:00'), found: Array.from({ length: 192 }, (_, i) => (i % 96 >= 28 && i % 96 < 64 ? 'shift' : i >= 64 && i < 72 ? 'taken' : i < 72 ? 'restless' : 'empty')),
    flow_m3s: Array.from({ length: 192 }, (_, i) => (i < 72 ? 0.0047 : null)), pressure_pa: Array.from({ length: 192 }, () => null),
  },
};

function show(over: Partial<Site> = {}): void {
  const props = { live: { held: signal(false), eventTick: signal(0), tests: signal({}) }, site: { ...site, ...over }, view: { now: Date.parse('2026-03-09T17:00:00Z') } } as unknown as PageProps;
  render(<AfterHours {...props} />, host);
}

it('says that it fetches, and takes its question back on leaving', async () => {
  show();
  await vi.waitFor(() => expect(asked).toContain('/api/v1/nights?from=2026-03-02&to=2026-03-03&system=main'));
  expect(text()).toContain('Fetching the nights');
  render(null, host);
  await vi.waitFor(() => expect(asked.some((a) => a.startsWith('aborted /api/v1/nights'))).toBe(true));
});

it('says what leaks and what that costs first, every number with its place in the answer', async () => {
  answers = { '/api/v1/nights': nights };
  show();
  await there('.night-row svg', 2);
  expect(host.querySelector('h1')?.textContent).toBe('When nobody works, 10.00 ± 1.00 cfm leak; in a year that costs at least 812 ± 90 USD.');
  expect([...host.querySelectorAll('h1 data')].map((e) => e.getAttribute('data-at'))).toEqual(['/figures/1/value', '/figures/1/uncertainty', '/figures/2/value', '/figures/2/uncertainty']);
  expect(host.querySelector('.after-hours')?.getAttribute('data-answer')).toContain('/api/v1/nights?from=2026-03-02T06%3A00%3A00.000Z');
});

it('shows which hours count, and why a night gave nothing', async () => {
  answers = { '/api/v1/nights': nights };
  show();
  await there('.night-row svg', 2);
  const rows = [...host.querySelectorAll('.night-row')].map((r) => (r.textContent ?? '').replaceAll('\u00a0', ' '));
  expect(rows.some((r) => r.includes('10.0 cfm at 90.0 psi, 2 h 0 min taken'))).toBe(true);
  expect(rows.some((r) => r.includes('Nothing taken: the pressure was too low.'))).toBe(true);
  const labels = [...host.querySelectorAll('.night-strip svg')].map((e) => e.getAttribute('aria-label')?.replaceAll('\u00a0', ' '));
  expect(labels[1]).toContain('Mon 2 Mar to Tue 3 Mar: quiet, and taken 2 h 0 min');
  expect(host.querySelector('.night-row h3 a')?.getAttribute('href')).toMatch(/^#\/trace\?ch=inputs.header,meter.power&from=/);
});

it('draws each way with its interval, and says why one gives nothing', async () => {
  answers = { '/api/v1/nights': nights };
  show();
  await there('.way-list li', 3);
  expect(host.querySelectorAll('.way-list .way').length).toBe(2);
  expect(host.querySelector('.way-list .none')?.textContent).toBe('Not valid: no fall.');
  expect(host.querySelector('.way')?.getAttribute('aria-label')).toBe('Base demand: 10.00 plus or minus 1.00 cfm');
  expect(text()).toContain('2 methods agree within their uncertainties');
});

it('says why nothing is known', async () => {
  const absent = 'no quiet hour: the shifts leave no time';
  answers = { '/api/v1/nights': { ...nights, absent, agreement: '', tables: [], nights: [], figures: nights.figures.map((f) => ({ name: f.name, absent })), quarters: { from: nights.from, found: [], flow_m3s: [], pressure_pa: [] } } };
  show();
  await there('.figure', 3);
  expect(host.querySelector('h1')?.textContent).toBe(`What leaks is not known: ${absent}.`);
  expect(text()).toContain('No night of these days can be told.');
  expect(text()).toContain(`No way to measure it gave anything: ${absent}.`);
});

it('says what the site file lacks where it names no system', () => {
  show({ systems: [] });
  expect(text()).toContain('the site file has no system');
  expect(asked.filter((a) => a.includes('nights'))).toEqual([]);
});

it('shows what the server refuses in its words', async () => {
  answers = { '/api/v1/nights': new Error('the window is longer than 35 days: ask for less') };
  show();
  await vi.waitFor(() => expect(text()).toContain('Could not fetch the nights: the window is longer than 35 days: ask for less'));
});
