// @vitest-environment happy-dom
import { afterEach, beforeEach, expect, it, vi } from 'vitest';
import { Live } from './live';
import type { Connection } from './socket';

const site = { name: 'Tannery Lane Castings', timezone: 'UTC', units: 'si', site_hash: 'h', version: 'v', channels: [], machines: [], systems: [], devices: [], lines: [] };
let asked: string[];
let answers: () => Promise<Response>;
let live: Live;
const connected = (c: Connection) => (live as unknown as { connected(c: Connection): void }).connected(c);
const settle = () => new Promise((done) => setTimeout(done, 0));

beforeEach(() => {
  asked = [];
  answers = () => Promise.resolve(new Response(JSON.stringify(site)));
  vi.stubGlobal('fetch', (address: string) => { asked.push(address); return answers(); });
  vi.stubGlobal('WebSocket', class { close(): void {} });
  live = new Live({ protocol: 'http:', host: '127.0.0.1:1' });
});
afterEach(() => {
  live.stop();
  vi.unstubAllGlobals();
  vi.useRealTimers();
});

it('asks for the site beside the connection, and not again when that stands', async () => {
  live.start();
  expect(asked).toEqual(['/api/v1/site']);
  await settle();
  expect(live.site.value?.name).toBe('Tannery Lane Castings');
  connected('live');
  expect(asked).toHaveLength(1);
});

it('asks for the site anew after a loss: it may be another', async () => {
  live.start();
  await settle();
  connected('live');
  connected('lost');
  connected('live');
  expect(asked).toHaveLength(2);
});

it('asks again at once when the first answer did not come and the connection stands', async () => {
  answers = () => Promise.reject(new TypeError('refused'));
  live.start();
  await settle();
  expect(live.siteError.value).not.toBe('');
  answers = () => Promise.resolve(new Response(JSON.stringify(site)));
  connected('live');
  await settle();
  expect([asked.length, live.siteError.value, live.site.value?.site_hash]).toEqual([2, '', 'h']);
});

it('shows the first readings as soon as any later ones, though the site came just before', async () => {
  vi.useFakeTimers();
  live.start();
  await vi.advanceTimersByTimeAsync(50); // the site is here, and there is nothing to draw
  expect([live.site.value?.site_hash, live.view.value]).toEqual(['h', null]);
  connected('live');
  await vi.advanceTimersByTimeAsync(50);
  expect(live.view.value?.connection).toBe('live');
});
