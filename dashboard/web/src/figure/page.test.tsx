// @vitest-environment happy-dom
import { signal } from '@preact/signals';
import { render } from 'preact';
import { afterEach, beforeEach, expect, it, vi } from 'vitest';
import type { Site } from '../api';
import type { PageProps } from '../pages';
import { followAddress } from '../route';
import EveryFigure from './page';

const host = document.createElement('div');
let undo = () => {};
const site = { timezone: 'UTC', channels: [], machines: [{ name: 'comp1', channels: {} }, { name: 'comp2', channels: {} }], systems: [] } as unknown as Site;
const of = (machine: string) => ({
  from: '2026-03-02T00:00:00Z', to: '2026-03-04T00:00:00Z', systems: [], instruments: [],
  machines: [{ machine, figures: [{ name: 'energy', value: machine === 'comp1' ? 111 : 222, unit: 'kWh', coverage: 1, method: 'm' }], tables: [], findings: [], remarks: [] }],
});
const text = () => host.textContent ?? '';

beforeEach(() => {
  document.body.append(host);
  window.location.hash = '#/every-figure?from=2026-03-02&to=2026-03-03&machine=comp1';
  undo = followAddress(window as unknown as globalThis.Window);
  vi.stubGlobal('fetch', async (address: string) => {
    if (address.includes('comp2')) return Promise.reject(new Error('gone'));
    const body = address.includes('figure-names') ? { groups: [{ title: 'Energy', figures: [{ name: 'energy', title: 'energy' }] }] } : of('comp1');
    return new Response(JSON.stringify(body));
  });
});
afterEach(() => {
  render(null, host);
  undo();
  vi.unstubAllGlobals();
});

it('neither shows one machine’s figures as another’s nor says that there is none', async () => {
  const props = { live: { held: signal(false) }, site, view: { now: Date.parse('2026-03-09T12:00:00Z') } } as unknown as PageProps;
  const show = () => render(<EveryFigure {...props} />, host);
  show();
  await vi.waitFor(() => expect(text()).toContain('111'));
  window.location.hash = '#/every-figure?from=2026-03-02&to=2026-03-03&machine=comp2';
  await vi.waitFor(() => expect(text()).toContain('cannot be reached'));
  expect(text()).toContain('Every figure of comp2');
  expect(text()).not.toContain('111');
  expect(text()).not.toContain('names no machine');
});
