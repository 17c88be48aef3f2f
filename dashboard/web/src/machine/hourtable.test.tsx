// @vitest-environment happy-dom
import { signal } from '@preact/signals';
import { render } from 'preact';
import { afterEach, expect, it, vi } from 'vitest';
import type { ColumnsAnswer, Site, SiteChannel } from '../api';
import { HourTable, hourQuestion } from './hourtable';

const host = document.createElement('div');
const now = Date.parse('2026-11-25T18:03:20Z');
const pressure = { id: 'c.out', name: 'out', unit: 'bar', quantity: 'pressure', si_scale: 1e5, si_offset: 0, absolute: false } as SiteChannel;
const power = { id: 'm.power', name: 'power', unit: 'kW', quantity: 'power', si_scale: 1000, si_offset: 0, absolute: false } as SiteChannel;
const at = (text: string) => Date.parse(`2026-11-25T${text}Z`);
const answer: ColumnsAnswer = {
  from: '2026-11-25T17:00:00Z', to: '2026-11-25T18:00:00Z',
  series: [
    // Recording began at 17:05; nothing was read from 17:10 to 17:15.
    { channel: 'c.out', unit: 'bar', start_ms: at('17:05:00'), step_ms: 300_000, count: [300, 0, 300], min: [6.5, null, 6.6], mean: [6.75, null, 6.85], max: [7, null, 7.1] },
    { channel: 'm.power', unit: 'kW', start_ms: at('17:01:00'), step_ms: 0, at: [0, 600_000], count: [1, 1], mean: [30, 31.25] },
  ],
};

afterEach(() => {
  render(null, host);
  vi.unstubAllGlobals();
});

it('asks for whole five minutes, so that the answer does not change any more', () => {
  const key = decodeURIComponent(hourQuestion([pressure, power], now).key);
  expect(key).toBe('/api/v1/series?layout=columns&points=12&from=2026-11-25T17:00:00.000Z&to=2026-11-25T18:00:00.000Z&channel=c.out&channel=m.power');
});

it('shows what the API added up, a dash where nothing was read, and when states began', async () => {
  const asked: string[] = [];
  vi.stubGlobal('fetch', (address: string) => {
    asked.push(address);
    return Promise.resolve(new Response(JSON.stringify(answer)));
  });
  const runs = [{ state: 'loaded' as const, from: at('16:50:00'), to: at('17:06:30'), reason: '' }, { state: 'unloaded' as const, from: at('17:06:30'), to: at('18:03:00'), reason: '' }];
  render(<HourTable pace={{ held: signal(false) }} site={{ timezone: 'UTC' } as Site} channels={[pressure, power]} runs={runs} now={now} system="si" />, host);
  expect(asked).toEqual([]); // closed: nothing is asked
  const details = host.querySelector('details');
  details?.setAttribute('open', '');
  details?.dispatchEvent(new Event('toggle'));
  await vi.waitFor(() => expect(host.querySelectorAll('tbody tr').length).toBe(12), { timeout: 4_000 });
  expect(asked.length).toBe(1);
  const rows = [...host.querySelectorAll('tbody tr')].map((r) => [...r.querySelectorAll('th, td')].map((c) => c.textContent));
  expect(rows.length).toBe(12);
  expect(rows.slice(0, 4)).toEqual([
    ['17:00', '–', '–', '–', '30.0', 'loaded'],
    ['17:05', '6.50', '6.75', '7.00', '–', 'loaded, running unloaded 17:06:30'],
    ['17:10', '–', '–', '–', '31.3', 'running unloaded'],
    ['17:15', '6.60', '6.85', '7.10', '–', 'running unloaded'],
  ]);
  const numbers = [...host.querySelectorAll('tbody tr:nth-child(2) data')].map((d) => `${d.getAttribute('data-at')} ${d.getAttribute('value')}`);
  expect(numbers).toEqual(['/series/0/min/0 6.5', '/series/0/mean/0 6.75', '/series/0/max/0 7']);
  expect(host.querySelector('[data-answer]')?.getAttribute('data-answer')).toBe(hourQuestion([pressure, power], now).key);
});
