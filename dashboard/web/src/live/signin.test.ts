// @vitest-environment happy-dom
import { afterEach, beforeEach, expect, it, vi } from 'vitest';
import type { Door } from '../api';
import { cameIn, door, shut } from '../door/state';
import { Live } from './live';

const vale: Door = { sign_in: true, set_up: false, person: { name: 'R. Vale', role: 'operate' }, role: 'operate', idle_s: 1800, fingerprint: '' };
const site = { name: 'Tannery Lane Castings', timezone: 'UTC', units: 'si', site_hash: 'h', version: 'v', channels: [], machines: [], systems: [], devices: [], lines: [] };
class Socket {
  static all: Socket[] = [];
  onclose: ((e: { code: number; reason: string }) => void) | null = null;
  closed = false;
  constructor() { Socket.all.push(this); }
  close(): void { this.closed = true; }
}
const ended = () => { Socket.all.at(-1)?.onclose?.({ code: 4401, reason: 'this session was ended by M. Oak' }); };
const open = () => Socket.all.filter((s) => !s.closed).length;

let asked: string[];
let answer: Door;
let live: Live;
beforeEach(() => {
  asked = [];
  Socket.all = [];
  door.value = vale;
  vi.stubGlobal('fetch', (address: string) => { asked.push(address); return Promise.resolve(new Response(JSON.stringify(address.endsWith('/door') ? answer : site))); });
  vi.stubGlobal('WebSocket', Socket);
  live = new Live({ protocol: 'https:', host: '127.0.0.1:1' });
  live.start();
});
afterEach(() => {
  live.stop();
  door.value = undefined;
  shut.value = undefined;
  vi.unstubAllGlobals();
});

it('asks for a sign-in with the socket’s reason, keeps quiet meanwhile, and goes on with another socket and the site anew', async () => {
  answer = { ...vale, person: null, role: '' };
  ended();
  await vi.waitFor(() => { expect(shut.value).toBe('this session was ended by M. Oak'); });
  expect(open()).toBe(0);
  window.dispatchEvent(new Event('online'));
  window.dispatchEvent(new Event('pageshow'));
  expect(open()).toBe(0);
  const before = asked.filter((a) => a.endsWith('/site')).length;
  shut.value = undefined;
  expect(open()).toBe(1);
  await vi.waitFor(() => { expect(asked.filter((a) => a.endsWith('/site')).length).toBe(before + 1); });
});

it('does not turn away who has come in while it asked', async () => {
  let late: (r: Response) => void = () => undefined;
  vi.stubGlobal('fetch', () => new Promise((r) => { late = r; }));
  ended();
  cameIn(vale); // a changed password answers before the question of the old session does
  late(new Response(JSON.stringify({ ...vale, person: null, role: '' })));
  await vi.waitFor(() => { expect(open()).toBe(1); });
  expect(shut.value).toBeUndefined();
});

it('is loaded anew where another person came in on another page of this browser', async () => {
  const reload = vi.spyOn(window.location, 'reload').mockImplementation(() => undefined);
  answer = { ...vale, person: { name: 'M. Oak', role: 'look' }, role: 'look' };
  ended();
  await vi.waitFor(() => { expect(reload).toHaveBeenCalledOnce(); });
  reload.mockRestore();
});

it('only connects again where the page is in all the same: a changed password makes another session', async () => {
  answer = vale;
  ended();
  await vi.waitFor(() => { expect(Socket.all.length).toBe(2); });
  expect(shut.value).toBeUndefined();
  expect(open()).toBe(1);
});
