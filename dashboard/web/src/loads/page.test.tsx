// @vitest-environment happy-dom
import { signal } from '@preact/signals';
import { render } from 'preact';
import { act } from 'preact/test-utils';
import { afterEach, expect, it, vi } from 'vitest';
import type { CyclesAnswer, Site } from '../api';
import type { Live, View } from '../live/live';
import LoadAndRest from './page';

const host = document.createElement('div');
document.body.append(host);
afterEach(() => {
  render(null, host);
  vi.unstubAllGlobals();
});

const now = Date.parse('2026-11-25T18:00:00Z');
const live = { held: signal(false), figuresTick: signal(0), now: () => now } as unknown as Live;
const view = { now, connection: 'live' } as unknown as View;
const site = { timezone: 'America/Chicago', machines: [{ name: 'comp1', channels: {} }], systems: [], channels: [] } as unknown as Site;

const empty: CyclesAnswer = {
  machine: 'comp1', from: '2026-11-19T06:00:00.000Z', to: '2026-11-25T18:00:00.000Z', control: 'load/unload', absent: 'nothing was observed in this window',
  sentences: [], notes: [], method: '', inputs: [], coverage: 0, lengths: [], cycles_total: 0, cycles: [],
  starts: { total: 0, limit_basis: 'none', most: 0, over: 0, list: [], rolling: [], stop_basis: 'none' }, storage: { inputs: [], seen_of: 0, points: [] }, unobserved: [],
};
const full: CyclesAnswer = {
  ...empty, absent: undefined as never, coverage: 0.5, sentences: ['It loaded at least once.'], cycles_total: 2,
  cycles: [
    { start: '2026-11-25T14:00:00.000Z', loaded_s: 60, unloaded_s: 40, ended: 'load', cycle_s: 100, demand: 0.57, cut_in_kpa: 650 },
    { start: '2026-11-25T14:01:40.000Z', loaded_s: 50, unloaded_s: 240, ended: 'stop' },
  ],
  lengths: [{ what: 'loaded', count: 2, shortest_s: 50, median_s: 55, longest_s: 60, classes: [{ from: 45, to: 60, count: 1 }, { from: 60, to: 90, count: 1 }] }],
  starts: { ...empty.starts, total: 9, limit: 6, most: 9, over: 3, at_least: true, list: [{ at: '2026-11-25T13:59:50.000Z', from: 'standby', in_hour: 9 }] },
};

async function shown(answer: unknown, s: Site = site): Promise<void> {
  vi.stubGlobal('fetch', async (address: string) => (address.startsWith('/api/v1/cycles') && answer !== undefined
    ? new Response(JSON.stringify(answer)) : new Response(JSON.stringify({ error: { message: 'the store cannot answer now' } }), { status: 503 })));
  vi.stubGlobal('ResizeObserver', class { observe() {} disconnect() {} });
  await act(() => render(<LoadAndRest live={live} site={s} view={view} />, host));
  await act(async () => { await new Promise((done) => setTimeout(done, 60)); });
}

it('says that a site has no machine, and that nothing was observed', async () => {
  await shown(empty, { ...site, machines: [] } as unknown as Site);
  expect(host.textContent).toContain('No machine is named');
  await shown(empty);
  expect(host.querySelector('h1')?.textContent).toBe('Nothing was observed in these days.');
  expect(host.querySelector('.pick')?.textContent).toContain('There was none.');
});

it('says what failed, and tries again', async () => {
  await shown(undefined);
  expect(host.textContent).toContain('Could not fetch cycles: the store cannot answer now. Trying again.');
  expect(host.querySelector('.standing button')?.textContent).toBe('Try now');
});

it('picks by keys, and tells what is known of the picked one', async () => {
  await shown(full);
  expect(host.querySelector('h1')?.textContent).toBe('comp1 started up to 9 times an hour; the motor bears 6.');
  expect(host.querySelector('.said')?.textContent).toContain('50.0 % of the window was observed.');
  const list = host.querySelector('[role=listbox]') as HTMLElement;
  const press = (key: string) => act(() => { list.dispatchEvent(new window.KeyboardEvent('keydown', { key, bubbles: true, cancelable: true })); });
  await press('Home');
  expect(host.querySelector('[aria-selected=true]')?.id).toBe('pick-0');
  expect(host.querySelector('.detail')?.textContent).toContain('57 % of its full flow');
  await press('ArrowDown');
  expect(host.querySelector('.detail')?.textContent).toContain('then it stopped');
  expect(host.querySelector('.detail')?.textContent).toContain('cannot be said');
  expect((host.querySelector('.trace-link') as HTMLAnchorElement).getAttribute('href')).toContain('#/trace?machine=comp1&from=2026-11-25T14:00:');
  await press('Escape');
  expect(host.querySelector('[aria-selected=true]')).toBeNull();
});
