// @vitest-environment happy-dom
import { render } from 'preact';
import { act } from 'preact/test-utils';
import { expect, it } from 'vitest';
import type { Site } from '../api';
import type { View } from '../live/live';
import { emptyPicture } from '../live/picture';
import { Readings } from './readings';

const now = Date.UTC(2026, 10, 25, 18);
const site = { timezone: 'UTC', channels: [{ id: 'comp.out', device: 'comp', name: 'out', role: 'discharge_pressure', unit: 'bar', quantity: 'pressure', si_scale: 1e5, si_offset: 0, absolute: false, period_ms: 1000, bit: false }], machines: [], systems: [], devices: [], lines: [] } as unknown as Site;
const viewOf = (value: number): View => ({ ...emptyPicture(), readings: new Map([['comp.out', { value, at: now - 200, reason: 'good' }]]), now, heard: now, connection: 'live' });

it('makes the table of readings while it is open, and follows them', async () => {
  const host = document.createElement('div');
  const show = (value: number) => act(() => render(<Readings site={site} view={viewOf(value)} system="si" />, host));
  await show(7.1);
  expect(host.querySelector('table')).toBeNull();
  const details = host.querySelector('details');
  details?.setAttribute('open', '');
  await act(() => { details?.dispatchEvent(new Event('toggle')); });
  expect(host.querySelector('tbody td.num')?.textContent).toMatch(/^7\.1/);
  await show(7.4);
  expect(host.querySelector('tbody td.num')?.textContent).toMatch(/^7\.4/);
  details?.removeAttribute('open');
  await act(() => { details?.dispatchEvent(new Event('toggle')); });
  expect(host.querySelector('table')).toBeNull();
  render(null, host);
});
