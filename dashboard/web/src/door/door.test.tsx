// @vitest-environment happy-dom
import { signal } from '@preact/signals';
import { render } from 'preact';
import { afterEach, beforeEach, expect, it, vi } from 'vitest';
import type { Door, Site } from '../api';
import type { Live } from '../live/live';
import { Page } from '../page';
import { place, placeOf } from '../route';
import { cameIn, door, doubt, endsSoon, leaving, shut } from './state';
import { watchDoor } from './watch';

const nobody: Door = { sign_in: true, set_up: false, person: null, role: '', idle_s: 1800, fingerprint: 'AB:CD' };
const vale: Door = { ...nobody, person: { name: 'R. Vale', role: 'operate' }, role: 'operate' };
const desk = { time: '2026-03-04T17:00:00.000Z', sentence: 'No audit was begun.', steps: [] };

interface Reply { status: number; body: unknown; after?: string }
const host = document.createElement('div');
const asked: { address: string; method: string; body: unknown }[] = [];
const replies = new Map<string, Reply | Reply[]>();
const undo: (() => void)[] = [];
const signInFirst: Reply = { status: 401, body: { error: { message: 'sign in', field: 'sign_in' } } };

beforeEach(() => {
  document.body.append(host);
  localStorage.clear();
  place.value = placeOf('#/audit-desk');
  vi.stubGlobal('fetch', vi.fn(async (address: string, request?: RequestInit) => {
    asked.push({ address, method: request?.method ?? 'GET', body: request?.body ? JSON.parse(String(request.body)) : undefined });
    const known = replies.get(address) ?? { status: 404, body: null };
    const r = Array.isArray(known) ? (known.length > 1 ? known.shift() : known[0]) as Reply : known;
    return { ok: r.status === 200, status: r.status, headers: new Headers(r.after ? { 'retry-after': r.after } : {}), json: async () => r.body };
  }));
  replies.set('/api/v1/door', { status: 200, body: nobody });
});
afterEach(() => {
  render(null, host);
  for (const f of undo.splice(0)) f();
  asked.length = 0;
  replies.clear();
  vi.useRealTimers();
  vi.unstubAllGlobals();
  door.value = undefined;
  shut.value = undefined;
  endsSoon.value = 0;
  leaving.value = false;
});

const view = { now: Date.parse('2026-03-04T17:00:00Z'), connection: 'live', readings: new Map(), devices: new Map(), machines: new Map() };
const live = { held: signal(false), outdated: signal(false), siteError: signal(''), eventTick: signal(0), site: signal({ name: 'Shop', timezone: 'UTC', machines: [], systems: [], channels: [] } as unknown as Site), view: signal(view) } as unknown as Live;
const show = () => render(<Page live={live} />, host);
const find = (selector: string) => vi.waitFor(() => { const e = host.querySelector(selector); if (!e) throw new Error(`no ${selector}`); return e as HTMLElement; });
const text = (selector: string) => (host.querySelector(selector)?.textContent ?? '').replaceAll('\u00a0', ' ');
const put = (name: string, value: string) => { const e = host.querySelector<HTMLInputElement>(`.door [name=${name}]`); if (!e) throw new Error(`no field ${name}`); e.value = value; };
const send = () => host.querySelector('.door form')?.dispatchEvent(new Event('submit', { bubbles: true, cancelable: true }));
const posts = (path: string) => asked.filter((a) => a.method === 'POST' && a.address === path).map((a) => a.body);

it('asks who is here, and for a sign-in of nobody; a wrong pair is told at the password', async () => {
  undo.push(watchDoor());
  show();
  await find('.door form');
  expect(text('.door h1')).toBe('Sign in.');
  await vi.waitFor(() => { expect(document.title).toBe('Sign in'); });
  expect(text('.door .note-line')).toBe(''); // nobody was in: nothing has ended
  expect(host.querySelector('main[data-page=desk]')?.hasAttribute('hidden')).toBe(true);
  expect(host.querySelector('nav')).toBeNull();
  expect(host.querySelector('.door [name=name]')?.getAttribute('autocomplete')).toBe('username');
  expect(host.querySelector('.door [name=password]')?.getAttribute('autocomplete')).toBe('current-password');
  send();
  await find('[name=name][aria-invalid]');
  put('name', ' R. Vale ');
  put('password', ' wrong horse ');
  replies.set('/api/v1/door/in', { status: 401, body: { error: { message: 'this name and password do not fit', field: 'password' } } });
  send();
  await find('[name=password][aria-invalid]');
  expect(text('.door .warn')).toBe('This name and password do not fit.');
  expect(posts('/api/v1/door/in')).toEqual([{ name: 'R. Vale', password: ' wrong horse ' }]); // a password’s spaces are its own
  replies.set('/api/v1/door/in', { status: 200, body: vale });
  send();
  await vi.waitFor(() => { expect(shut.value).toBeUndefined(); });
  await vi.waitFor(() => { expect(host.querySelector('.door')).toBeNull(); });
  expect(text('.who a')).toBe('R. Vale');
});

it('makes the first person with the set-up code', async () => {
  replies.set('/api/v1/door', { status: 200, body: { ...nobody, set_up: true } });
  undo.push(watchDoor());
  show();
  await find('.door [name=code]');
  expect(text('.door')).toContain('loadscribe people code');
  expect(host.querySelector('.door [name=password]')?.getAttribute('autocomplete')).toBe('new-password');
  put('code', '12ab-34cd');
  put('name', 'R. Vale');
  put('password', 'short');
  replies.set('/api/v1/door/set-up', { status: 400, body: { error: { message: 'a password has 10 characters or more', field: 'password' } } });
  send();
  await find('[name=password][aria-invalid]');
  put('password', 'nine tall green ladders');
  replies.set('/api/v1/door/set-up', { status: 200, body: vale });
  send();
  await vi.waitFor(() => { expect(shut.value).toBeUndefined(); });
  expect(posts('/api/v1/door/set-up').at(-1)).toEqual({ code: '12ab-34cd', name: 'R. Vale', password: 'nine tall green ladders' });
});

it('says until when attempts are limited, and takes none before', async () => {
  shut.value = '';
  door.value = nobody;
  show();
  await find('.door form');
  put('name', 'R. Vale');
  put('password', 'wrong');
  replies.set('/api/v1/door/in', { status: 429, after: '2', body: { error: { message: 'too many attempts', field: '' } } });
  const before = Date.now();
  send();
  await find('.limited time');
  const until = Date.parse(host.querySelector('.limited time')?.getAttribute('datetime') ?? '');
  expect(until - before).toBeGreaterThanOrEqual(2000);
  expect(until - Date.now()).toBeLessThanOrEqual(2000);
  expect((await find('.door [type=submit]')).hasAttribute('disabled')).toBe(true);
  await vi.waitFor(() => { expect(host.querySelector('.door [type=submit]')?.hasAttribute('disabled')).toBe(false); });
  expect(text('.door .warn')).toBe('');
});

it('a session that ended: says why, keeps what was typed and where, asks nothing meanwhile, goes on', async () => {
  door.value = vale;
  replies.set('/api/v1/audit', { status: 200, body: desk });
  show();
  const who = (await find('.begin [name=who]')) as HTMLInputElement;
  who.value = 'half a na';
  who.focus();
  replies.set('/api/v1/audit/begin', { ...signInFirst, body: { error: { message: 'the session was ended by M. Oak', field: 'sign_in' } } });
  host.querySelector('.begin')?.dispatchEvent(new Event('submit', { bubbles: true, cancelable: true }));
  await find('.door form');
  expect(text('.door .note-line')).toBe('The session was ended by M. Oak. What you typed is still there.');
  await vi.waitFor(() => { expect(document.activeElement?.getAttribute('name')).toBe('name'); }); // an effect moves it, after the drawing
  const n = asked.length;
  const { answerOf } = await import('../api');
  await expect(answerOf('/api/v1/audit', new URLSearchParams())).rejects.toThrow('it needed a sign-in');
  expect(asked.length).toBe(n);
  put('name', 'R. Vale');
  put('password', 'nine tall green ladders');
  replies.set('/api/v1/door/in', { status: 200, body: vale });
  send();
  await vi.waitFor(() => { expect(host.querySelector('.door')).toBeNull(); });
  expect(host.querySelector('main[data-page=desk]')?.hasAttribute('hidden')).toBe(false);
  expect(host.querySelector('.begin [name=who]')).toBe(who);
  expect(who.value).toBe('half a na');
});

it('loads the page anew for another person than the one who typed into it', async () => {
  const reload = vi.spyOn(window.location, 'reload').mockImplementation(() => undefined);
  door.value = vale;
  shut.value = 'the session has ended';
  show();
  await find('.door form');
  put('name', 'M. Oak');
  put('password', 'six grey stone arches');
  replies.set('/api/v1/door/in', { status: 200, body: { ...vale, person: { name: 'M. Oak', role: 'look' }, role: 'look' } });
  send();
  await vi.waitFor(() => { expect(reload).toHaveBeenCalledOnce(); });
  expect(shut.value).toBe('the session has ended'); // nothing is shown before
  reload.mockRestore();
});

it('asks again who is here after a refusal for the role, and takes the forms away', async () => {
  door.value = vale;
  replies.set('/api/v1/audit', { status: 200, body: desk });
  replies.set('/api/v1/door', [{ status: 200, body: vale }, { status: 200, body: { ...vale, person: { name: 'R. Vale', role: 'look' }, role: 'look' } }]);
  undo.push(watchDoor());
  show();
  await find('.begin');
  const before = doubt.value;
  replies.set('/api/v1/audit/begin', { status: 403, body: { error: { message: 'the role look may not', field: 'role' } } });
  host.querySelector('.begin')?.dispatchEvent(new Event('submit', { bubbles: true, cancelable: true }));
  await vi.waitFor(() => { expect(doubt.value).toBe(before + 1); });
  await find('[data-not-allowed]');
  expect(host.querySelector('.begin')).toBeNull();
  expect(text('[data-not-allowed]')).toBe('With the role look one does not begin an audit here. The role operate may.');
});

it('is in nobody’s way where no sign-in is asked for', async () => {
  replies.set('/api/v1/door', { status: 200, body: { ...nobody, sign_in: false, role: 'operate', fingerprint: '' } });
  replies.set('/api/v1/audit', { status: 200, body: desk });
  undo.push(watchDoor());
  show();
  await find('.begin');
  await vi.waitFor(() => { expect(door.value?.sign_in).toBe(false); });
  expect(host.querySelector('.who')).toBeNull();
  expect(host.querySelector('.door')).toBeNull();
});

it('stays open where the server cannot be asked', async () => {
  replies.set('/api/v1/door', { status: 503, body: null });
  replies.set('/api/v1/audit', { status: 200, body: desk });
  undo.push(watchDoor());
  show();
  await find('.begin');
  expect(shut.value).toBeUndefined();
});

/** Whether anybody sees the page. */
function look(seen: boolean): void {
  vi.spyOn(document, 'hidden', 'get').mockReturnValue(!seen);
  document.dispatchEvent(new Event('visibilitychange'));
}

it('asks who is here as soon as a page is seen that was opened in the background', async () => {
  undo.push(() => vi.restoreAllMocks());
  look(false);
  replies.set('/api/v1/door', { status: 200, body: vale });
  undo.push(watchDoor());
  await new Promise((r) => setTimeout(r, 20));
  expect(asked).toEqual([]);
  look(true);
  await vi.waitFor(() => { expect(door.value).toEqual(vale); });
});

it('asks again after a while where the first question met no answer', async () => {
  vi.useFakeTimers();
  replies.set('/api/v1/door', [{ status: 503, body: null }, { status: 200, body: vale }]);
  undo.push(watchDoor());
  await vi.advanceTimersByTimeAsync(1_000);
  expect(door.value).toBeUndefined();
  await vi.advanceTimersByTimeAsync(20_000);
  expect(door.value).toEqual(vale);
});

it('asks once more where doubt came while it was asking', async () => {
  replies.set('/api/v1/door', [{ status: 200, body: vale }, { status: 200, body: { ...vale, role: 'look' } }]);
  undo.push(watchDoor());
  doubt.value += 1;
  await vi.waitFor(() => { expect(door.value?.role).toBe('look'); });
});

it('lets nobody in who was signed out for want of use before the server has confirmed it', async () => {
  door.value = vale;
  shut.value = 'You were signed out';
  leaving.value = true;
  replies.set('/api/v1/door', { status: 200, body: vale }); // the session is still there
  replies.set('/api/v1/door/out', { status: 503, body: null });
  undo.push(watchDoor());
  await vi.waitFor(() => { expect(posts('/api/v1/door/out').length).toBe(1); });
  await new Promise((r) => setTimeout(r, 20));
  expect(shut.value).toBe('You were signed out');
  replies.set('/api/v1/door/out', { status: 200, body: nobody });
  replies.set('/api/v1/door', { status: 200, body: nobody });
  look(true);
  await vi.waitFor(() => { expect(leaving.value).toBe(false); });
  expect(shut.value).toBe('You were signed out');
});

it('does not turn away who has just come in for the refusal of a request begun before', async () => {
  const { answerOf } = await import('../api');
  door.value = vale;
  let late: (r: unknown) => void = () => undefined;
  vi.stubGlobal('fetch', vi.fn(() => new Promise((r) => { late = r; })));
  const waits = expect(answerOf('/api/v1/audit', new URLSearchParams())).rejects.toThrow('it needed a sign-in');
  shut.value = 'the session has ended';
  cameIn(vale);
  const before = doubt.value;
  late({ ok: false, status: 401, json: async () => signInFirst.body });
  await waits;
  expect(shut.value).toBeUndefined();
  expect(doubt.value).toBe(before + 1); // it is asked all the same
});

it('sends once what is sent twice, and writes with the name of who is in', async () => {
  localStorage.setItem('author', 'M. Oak');
  door.value = vale;
  replies.set('/api/v1/audit', { status: 200, body: desk });
  show();
  const who = (await find('.begin [name=who]')) as HTMLInputElement;
  expect(who.value).toBe('R. Vale');
  replies.set('/api/v1/audit/begin', { status: 200, body: desk });
  for (let i = 0; i < 2; i++) host.querySelector('.begin')?.dispatchEvent(new Event('submit', { bubbles: true, cancelable: true }));
  await vi.waitFor(() => { expect(posts('/api/v1/audit/begin').length).toBe(1); });
  await new Promise((r) => setTimeout(r, 20));
  expect(posts('/api/v1/audit/begin').length).toBe(1);
});

it('leads the focus into the page where none was before the sign-in', async () => {
  undo.push(watchDoor());
  show();
  await find('.door form');
  put('name', 'R. Vale');
  put('password', 'nine tall green ladders');
  replies.set('/api/v1/door/in', { status: 200, body: vale });
  send();
  await vi.waitFor(() => { expect(document.activeElement?.id).toBe('main'); });
  expect(document.activeElement?.getAttribute('data-page')).toBe('desk');
});
