// @vitest-environment happy-dom
import { signal } from '@preact/signals';
import { render } from 'preact';
import { afterEach, beforeEach, expect, it, vi } from 'vitest';
import type { Door, DoorPerson, DoorSession, Site } from '../api';
import { door, doubt } from '../door/state';
import type { PageProps } from '../pages';
import People from './page';

const host = document.createElement('div');
const asked: { address: string; method: string; body: unknown }[] = [];
let people: DoorPerson[];
let sessions: DoorSession[];
let status = 400;
let refused: { message: string; field: string } | undefined;
const now = Date.parse('2026-03-04T17:00:00Z');
const vale: DoorPerson = { name: 'R. Vale', role: 'operate', made: '2026-03-01T08:00:00.000Z', last_in: '2026-03-04T16:00:00.000Z', sessions: 2 };
const oak: DoorPerson = { name: 'M. Oak', role: 'look', made: '2026-03-02T08:00:00.000Z', last_in: null, sessions: 0 };
const session = (id: string, mine: boolean, name = 'R. Vale'): DoorSession => ({ id, name, began: '2026-03-04T16:00:00.000Z', last: '2026-03-04T16:59:00.000Z', from: '192.0.2.7', this: mine });
const asOperate: Door = { sign_in: true, set_up: false, person: { name: 'R. Vale', role: 'operate' }, role: 'operate', idle_s: 1800, fingerprint: 'AB:CD' };

beforeEach(() => {
  document.body.append(host);
  people = [vale, oak];
  sessions = [session('s1', true), session('s2', false), session('s3', false, 'M. Oak')];
  vi.stubGlobal('fetch', vi.fn(async (address: string, request?: RequestInit) => {
    asked.push({ address, method: request?.method ?? 'GET', body: request?.body ? JSON.parse(String(request.body)) : undefined });
    if (refused && request?.method === 'POST') return { ok: false, status, headers: new Headers(), json: async () => ({ error: refused }) };
    if (address.includes('/sessions')) return { ok: true, json: async () => ({ sessions }) };
    if (address.endsWith('/password')) return { ok: true, json: async () => asOperate };
    return { ok: true, json: async () => ({ people }) };
  }));
});
afterEach(() => {
  render(null, host);
  asked.length = 0;
  refused = undefined;
  status = 400;
  door.value = undefined;
  vi.unstubAllGlobals();
});

const show = () => render(<People {...({ live: { held: signal(false) }, site: { timezone: 'UTC' } as Site, view: { now, connection: 'live' } } as unknown as PageProps)} />, host);
const find = (selector: string) => vi.waitFor(() => { const e = host.querySelector(selector); if (!e) throw new Error(`no ${selector}`); return e as HTMLElement; });
const text = (selector: string) => (host.querySelector(selector)?.textContent ?? '').replaceAll('\u00a0', ' ');
const press = (selector: string, words: string) => { const b = [...host.querySelectorAll<HTMLButtonElement>(`${selector} button`)].find((x) => x.textContent?.startsWith(words)); if (!b) throw new Error(`no button ${words} in ${selector}`); b.click(); };
const submit = (form: HTMLElement) => form.dispatchEvent(new Event('submit', { bubbles: true, cancelable: true }));
const put = (form: HTMLElement, name: string, value: string) => { const e = form.querySelector<HTMLInputElement>(`[name=${name}]`); if (!e) throw new Error(`no ${name}`); e.value = value; };
const sent = () => asked.filter((a) => a.method === 'POST').at(-1);

it('says that no sign-in is asked for and how to listen on the network, and asks nothing', async () => {
  door.value = { sign_in: false, set_up: false, person: null, role: 'operate', idle_s: 0, fingerprint: '' };
  show();
  expect(text('h1')).toBe('No sign-in is asked for.');
  expect(text('.steps')).toContain('listen = "0.0.0.0:8477"');
  expect(text('.people')).toContain('sign_in = "always"');
  await new Promise((r) => setTimeout(r, 20));
  expect(asked).toEqual([]);
});

it('lists who may come in, and keeps the last who may operate', async () => {
  door.value = asOperate;
  show();
  await find('[data-person="M. Oak"]');
  expect(text('h1')).toBe('2 people may come in: 1 may operate, 1 may look.');
  expect(text('[data-person="R. Vale"]')).toContain('may operate, you');
  expect(text('[data-person="R. Vale"]')).toContain('Last signed in 16:00:00; in now with 2 sessions; here since Sun 1 Mar 08:00:00.');
  expect(text('[data-person="R. Vale"]')).toContain('can be neither removed nor made to look only');
  expect(host.querySelectorAll('[data-person="R. Vale"] button').length).toBe(0);
  expect(text('[data-person="M. Oak"]')).toContain('When they last signed in is not known; not in now');
  expect(text('.fingerprint')).toBe('AB:CD');
});

it('lets somebody in, with what is wrong at its field', async () => {
  door.value = asOperate;
  show();
  await find('.add');
  press('.add', 'Let somebody in');
  const form = await find('.add form');
  put(form, 'name', 'K. Fern');
  put(form, 'password', 'K. Fern 2026');
  refused = { message: 'the name is in it', field: 'password' };
  submit(form);
  await find('.add [name=password][aria-invalid]');
  refused = undefined;
  put(form, 'password', ' four wet brown dogs');
  people = [vale, oak, { ...oak, name: 'K. Fern' }];
  submit(form);
  await find('[data-person="K. Fern"]');
  expect(sent()).toEqual({ address: '/api/v1/door/people', method: 'POST', body: { name: 'K. Fern', role: 'look', password: ' four wet brown dogs' } });
  expect(text('.add [role=status]')).toBe('K. Fern may come in now.');
  expect(text('h1')).toBe('3 people may come in: 1 may operate, 2 may look.');
});

it('changes a role, sets a password, removes: each once it is confirmed', async () => {
  door.value = asOperate;
  people = [vale, { ...oak, role: 'operate' }];
  show();
  await find('[data-person="M. Oak"]');
  const gets = () => asked.filter((a) => a.method === 'GET' && a.address === '/api/v1/door/people').length;
  const before = gets();
  press('[data-person="M. Oak"]', 'Let look only');
  expect(asked.some((a) => a.method === 'POST')).toBe(false);
  people = [vale, oak];
  submit(await find('[data-person="M. Oak"] form'));
  await vi.waitFor(() => { expect(text('[data-person="M. Oak"] h2')).toBe('M. Oak may look'); });
  expect(sent()?.body).toEqual({ name: 'M. Oak', role: 'look' });
  await vi.waitFor(() => { expect(gets()).toBe(before + 1); }); // an answer under way may be older
  press('[data-person="M. Oak"]', 'Set a new password');
  const form = await find('[data-person="M. Oak"] form');
  put(form, 'password', 'six grey stone arches');
  submit(form);
  await vi.waitFor(() => { expect(sent()?.body).toEqual({ name: 'M. Oak', role: 'look', password: 'six grey stone arches' }); });
  await vi.waitFor(() => { expect(host.querySelector('[data-person="M. Oak"] form')).toBeNull(); });
  press('[data-person="M. Oak"]', 'Remove');
  people = [vale];
  submit(await find('[data-person="M. Oak"] form'));
  await vi.waitFor(() => { expect(host.querySelector('[data-person="M. Oak"]')).toBeNull(); });
  expect(sent()).toEqual({ address: '/api/v1/door/people/remove', method: 'POST', body: { name: 'M. Oak' } });
  expect(text('h1')).toBe('One person may come in.');
});

it('asks again who is here when the reader’s own role was changed', async () => {
  door.value = asOperate;
  people = [vale, { ...oak, role: 'operate' }];
  show();
  await find('[data-person="R. Vale"]');
  const before = doubt.value;
  press('[data-person="R. Vale"]', 'Let look only');
  people = [{ ...vale, role: 'look' }, { ...oak, role: 'operate' }];
  submit(await find('[data-person="R. Vale"] form'));
  await vi.waitFor(() => { expect(doubt.value).toBe(before + 1); });
});

it('ends sessions, one or all others of one’s own', async () => {
  door.value = asOperate;
  show();
  await find('.session-list');
  expect(text('[data-session=this]')).toContain('this one');
  expect(host.querySelector('[data-session=this] button')).toBeNull();
  sessions = [session('s1', true), session('s2', false)];
  [...host.querySelectorAll<HTMLButtonElement>('.session-list button')].at(-1)?.click();
  await vi.waitFor(() => { expect(sent()).toEqual({ address: '/api/v1/door/sessions/end', method: 'POST', body: { id: 's3' } }); });
  await vi.waitFor(() => { expect(host.querySelectorAll('.session-list li').length).toBe(2); });
  refused = { message: 'no such session', field: 'id' };
  press('.people', 'End all of mine');
  await vi.waitFor(() => { expect(text('section [role=alert]')).toBe('It was not done: no such session.'); });
  expect(sent()?.body).toEqual({ others: true });
});

it('changes one’s own password, for password managers too', async () => {
  door.value = asOperate;
  show();
  const form = await find('form[aria-label="Change your own password"]');
  expect(form.querySelector<HTMLInputElement>('[autocomplete=username]')?.value).toBe('R. Vale');
  put(form, 'old', 'not that one');
  put(form, 'new', 'ten tall green ladders');
  refused = { message: 'name and password do not belong together', field: 'password' };
  status = 401;
  submit(form);
  await find('[name=old][aria-invalid]');
  status = 400;
  refused = { message: 'it has 10 characters or more', field: 'password' };
  submit(form);
  await find('[name=new][aria-invalid]');
  refused = undefined;
  put(form, 'old', 'nine tall green ladders');
  put(form, 'new', 'ten tall green ladders');
  submit(form);
  await vi.waitFor(() => { expect(sent()).toEqual({ address: '/api/v1/door/password', method: 'POST', body: { old: 'nine tall green ladders', new: 'ten tall green ladders' } }); });
  await vi.waitFor(() => { expect(form.querySelector('[role=status]')?.textContent).toContain('The new password holds.'); });
  expect(form.querySelector<HTMLInputElement>('[name=old]')?.value).toBe('');
});

it('shows the role look its own sessions and password, and why not the rest', async () => {
  door.value = { ...asOperate, person: { name: 'M. Oak', role: 'look' }, role: 'look' };
  sessions = [session('s3', true, 'M. Oak')];
  show();
  await find('.session-list');
  expect(text('h1')).toBe('You are in as M. Oak, and may look.');
  expect(text('[data-not-allowed]')).toContain('role operate');
  expect(asked.some((a) => a.address.endsWith('/people'))).toBe(false);
  expect(host.querySelector('form[aria-label="Change your own password"]')).not.toBeNull();
});
