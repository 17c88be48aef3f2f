// @vitest-environment happy-dom
import { signal } from '@preact/signals';
import { render } from 'preact';
import { afterEach, beforeEach, expect, it, vi } from 'vitest';
import type { Site, TestStatus, Tests } from '../api';
import type { Live, View } from '../live/live';
import { askOf } from './begin';
import { newest } from './course';
import { Guided } from './guided';

const host = document.createElement('div');
const sent: { path: string; body: unknown }[] = [];
let tests: Tests;
let history: unknown;
let refuse: { message: string; field: string } | undefined;
const text = () => (host.textContent ?? '').replaceAll('\u00a0', ' ');
const there = (selector: string) => vi.waitFor(() => { if (!host.querySelector(selector)) throw new Error(`no ${selector}`); }, { timeout: 4_000 });

const status: TestStatus = {
  test: 'leak', system: 'main', machine: '', who: 'R. Vale', phase: 'watch', instruction: 'Let nobody use air.', done: 2, needed: 5, needs: '3 more', so_far: '6.2 cfm', detail: '', why: '',
  started: '2026-03-03T02:00:00.000Z', seen: '2026-03-03T02:10:00.000Z', tap: 'inputs.header at receiver', channel: 'inputs.header',
};
const site = {
  timezone: 'America/Chicago', channels: [], machines: [{ name: 'comp1', channels: {} }], systems: [{ name: 'main', machines: ['comp1'], taps: [], parts: [] }],
} as unknown as Site;
const live = { held: signal(false), eventTick: signal(0), tests: signal<Record<string, TestStatus>>({}), now: () => Date.parse('2026-03-03T02:10:00Z'), record: () => () => undefined } as unknown as Live;
const show = () => render(<Guided live={live} site={site} view={{ now: Date.parse('2026-03-03T02:10:00Z') } as View} name="main" system="us" />, host);

class Wide {
  constructor(private readonly tell: (e: { contentRect: { width: number } }[]) => void) {}
  observe() { this.tell([{ contentRect: { width: 0 } }]); }
  disconnect() {}
}

beforeEach(() => {
  document.body.append(host);
  vi.stubGlobal('ResizeObserver', Wide);
  live.tests.value = {};
  refuse = undefined;
  sent.length = 0;
  tests = { running: [], results: [], cautions: { leak: ['Nobody may use air.'], pump_up: ['Shutting the plant valve takes away the air.'] } };
  vi.stubGlobal('fetch', vi.fn(async (path: string, request?: RequestInit) => {
    if (request?.method !== 'POST') return { ok: true, status: 200, json: async () => (path.startsWith('/api/v1/series') ? history : tests) };
    sent.push({ path, body: JSON.parse(String(request.body)) });
    return { ok: !refuse, status: refuse ? 400 : 200, json: async () => (refuse ? { error: refuse } : { ...status, phase: path.endsWith('cancel') ? 'given_up' : 'watch', why: path.endsWith('cancel') ? 'broken off by a person' : '' }) };
  }));
});
afterEach(() => render(null, host));

it('shows the cautions before a test, and what is refused at its field', async () => {
  show();
  await there('[data-test=leak]');
  host.querySelector<HTMLButtonElement>('[data-test=leak]')?.click();
  await there('.night-form');
  expect(text()).toContain('Nobody may use air.');
  refuse = { message: 'read the cautions first', field: 'confirmed' };
  host.querySelector<HTMLFormElement>('.night-form')?.requestSubmit();
  await there('[name=confirmed][aria-invalid=true]');
  expect(text()).toContain('Read the cautions first.');
  expect(sent[0]).toEqual({ path: '/api/v1/tests/start', body: { test: 'leak', who: '', confirmed: false, system: 'main' } });
});

it('opens what hides the field that was refused', async () => {
  show();
  await there('[data-test=pump-up]');
  host.querySelector<HTMLButtonElement>('[data-test=pump-up]')?.click();
  await there('.night-form');
  refuse = { message: 'system "main" has no receiver with a volume', field: 'volume_m3' };
  host.querySelector<HTMLFormElement>('.night-form')?.requestSubmit();
  await there('[name=volume_m3][aria-invalid=true]');
  expect(host.querySelector<HTMLDetailsElement>('.better')?.open).toBe(true);
});

it('goes to the test that was begun here, whoever told of it first', async () => {
  show();
  await there('[data-test=leak]');
  host.querySelector<HTMLButtonElement>('[data-test=leak]')?.click();
  await there('.night-form');
  host.querySelector<HTMLFormElement>('.night-form')?.requestSubmit();
  live.tests.value = { main: status };
  await vi.waitFor(() => expect(document.activeElement?.textContent).toBe('Leak test: timing load cycles'));
});

it('draws the pressure of a test that is over when its history comes', async () => {
  const channel = { id: 'inputs.header', name: 'header', unit: 'psi', quantity: 'pressure', si_scale: 6894.757293168, si_offset: 0, absolute: false, step: 0.1, period_ms: 1000 };
  tests.running = [{ ...status, phase: 'given_up' }];
  history = { series: [{ channel: 'inputs.header', unit: 'psi', step_ms: 60_000, cells: [{ t: Date.parse('2026-03-03T02:05:00Z'), count: 60, min: 91, max: 99, sum: 5700 }] }], states: [] };
  render(<Guided live={live} site={{ ...site, channels: [channel] } as unknown as Site} view={{ now: Date.parse('2026-03-03T03:00:00Z') } as View} name="main" system="us" />, host);
  await there('.course');
  await vi.waitFor(() => expect(host.querySelector('.course')?.getAttribute('aria-label')).toContain('header between 91.0 and 99.0 psi'));
});

it('follows the test that runs by what the socket tells, and breaks it off', async () => {
  tests.running = [status];
  show();
  await there('.running');
  expect(text()).toContain('2 of 5 load cycles count');
  expect(host.querySelector('.running data')?.getAttribute('data-at')).toBe('/running/0/done');
  live.tests.value = { main: { ...status, done: 3, instruction: 'Go on.', seen: '2026-03-03T02:12:00.000Z' } };
  await vi.waitFor(() => expect(text()).toContain('3 of 5 load cycles count'));
  expect(host.querySelector('[role=status]')?.textContent).toBe('Go on.');
  [...host.querySelectorAll('button')].find((b) => b.textContent?.startsWith('Break it off'))?.click();
  await there('.running[data-phase=given_up]');
  expect(sent.at(-1)).toEqual({ path: '/api/v1/tests/cancel', body: { system: 'main' } });
  expect(text()).toContain('Given up: broken off by a person.');
});

it('lists what was filed, and takes back with a name and a reason', async () => {
  tests.results = [
    { seq: 41, test: 'leak', system: 'main', machine: 'comp1', who: 'R. Vale', from: '2026-03-01T02:00:00.000Z', to: '2026-03-01T02:30:00.000Z', flow_m3s: 0.0047194745, flow_uncertainty_m3s: 0.00047194745, pressure_pa: 620528.156, volume_m3: 1, cycles: 5, method: 'm', text: 'leak test by R. Vale' },
    { seq: 40, test: 'leak', system: 'main', machine: '', who: 'R. Vale', from: null, to: '2026-02-01T02:30:00.000Z', share: 0.1, share_uncertainty: 0.01, pressure_pa: 620528.156, volume_m3: 0, cycles: 5, method: 'm', text: 'an older one', withdrawn_by: 42, withdrawn_why: 'a saw ran' },
    { seq: 39, test: 'leak', system: 'other', machine: '', who: 'x', from: null, to: null, pressure_pa: 0, volume_m3: 0, cycles: 0, method: 'm', text: 'of another system' },
  ];
  show();
  await there('.result-list li');
  expect(host.querySelectorAll('.result-list li').length).toBe(2);
  expect(text()).toContain('10.0 ± 1.0 cfm at 90.0 psi');
  expect(text()).toContain('Why: a saw ran');
  host.querySelector<HTMLButtonElement>('[data-seq="41"] button')?.click();
  await there('[data-seq="41"] [name=why]');
  for (const [name, value] of [['who', 'R. Vale'], ['why', 'the drain was open']]) {
    const field = host.querySelector<HTMLInputElement>(`[data-seq="41"] [name=${name}]`);
    if (field) field.value = value ?? '';
  }
  host.querySelector<HTMLFormElement>('[data-seq="41"] form')?.requestSubmit();
  await vi.waitFor(() => expect(sent.at(-1)).toEqual({ path: '/api/v1/tests/withdraw', body: { seq: 41, who: 'R. Vale', why: 'the drain was open' } }));
});

it('asks for volumes in the units shown', () => {
  const get = (fields: Record<string, string>) => (name: string) => fields[name] ?? '';
  // 264.172 US gal are a cubic metre (NIST SP 811, B.8, from memory: 1 gal = 3.785412 L).
  expect(askOf(get({ who: 'R. Vale', confirmed: 'on', volume_m3: '264.172', volume_share: '1' }), 'leak', 'main', 'us').volume_m3).toBeCloseTo(1, 5);
  expect(askOf(get({ who: 'R. Vale', machine: 'comp1', package_m3: '45', rises: '4' }), 'pump-up', 'main', 'si')).toEqual({ test: 'pump-up', who: 'R. Vale', confirmed: false, machine: 'comp1', package_m3: 0.045, rises: 4 });
  expect(() => askOf(get({ volume_m3: 'much' }), 'leak', 'main', 'si')).toThrow('“much” is no number above zero');
  expect(() => askOf(get({ volume_m3: '1,000' }), 'leak', 'main', 'us')).toThrow('can be meant in two ways'); // a thousand, or one
  expect(() => askOf(get({ volume_share: '3' }), 'leak', 'main', 'si')).toThrow('the percent belong to a volume');
});

it('takes the newer word on a test', () => {
  const later = { ...status, seen: '2026-03-03T02:11:00.000Z', done: 3 };
  const done = { ...status, phase: 'done' as const };
  const next = { ...status, started: '2026-03-04T02:00:00.000Z', seen: null };
  expect(newest(undefined, undefined)).toBeUndefined();
  expect(newest(status, later)).toBe(later);
  expect(newest(later, status)).toBe(later);
  expect(newest(done, later)).toBe(done); // it ended; a word from before came late
  expect(newest(done, next)).toBe(next);
});
