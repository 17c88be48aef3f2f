// @vitest-environment happy-dom
import { signal } from '@preact/signals';
import { render } from 'preact';
import { afterEach, beforeEach, expect, it, vi } from 'vitest';
import type { Audit, AuditStep, Site } from '../api';
import type { PageProps } from '../pages';
import AuditDesk from './page';

const host = document.createElement('div');
const asked: { address: string; method: string; body: unknown }[] = [];
let answer: Audit | Error | undefined;
let refused: { message: string; field: string } | undefined;

beforeEach(() => {
  document.body.append(host);
  localStorage.clear();
  vi.stubGlobal('fetch', vi.fn(async (address: string, request?: RequestInit) => {
    asked.push({ address, method: request?.method ?? 'GET', body: request?.body ? JSON.parse(String(request.body)) : undefined });
    if (request?.method === 'POST') return { ok: !refused, status: refused ? 400 : 200, json: async () => (refused ? { error: refused } : { seq: 9 }) };
    if (answer === undefined) return new Promise((_ok, fail) => request?.signal?.addEventListener('abort', () => { asked.push({ address, method: 'aborted', body: undefined }); fail(new Error('aborted')); }));
    return answer instanceof Error ? { ok: false, status: 503, json: async () => ({ error: { message: (answer as Error).message, field: '' } }) } : { ok: true, json: async () => answer };
  }));
});
afterEach(() => {
  render(null, host);
  asked.length = 0;
  answer = refused = undefined;
});

const step = (name: string, state: AuditStep['state'], more: Partial<AuditStep> = {}): AuditStep => ({
  step: name, title: `Title of ${name}`, why: 'why', state, sentence: 'How it stands.', missing: [], page: '/hook-up', command: `loadscribe ${name}`, cautions: [], marks: [], ...more,
});
const begun: Audit = {
  time: '2026-03-04T17:00:00.000Z', sentence: 'The audit has 1 open step, first: leak test.',
  begun: { seq: 3, time: '2026-03-02T14:00:00.000Z', who: 'R. Vale', ends: '2026-03-09T14:00:00.000Z' },
  steps: [
    step('instruments', 'done'),
    step('leak', 'missing', { missing: ['No result counts of main.'], cautions: ['Hot oil.'], page: '/after-hours-not-there' }),
    step('hookup', 'accepted', { missing: ['No walk was done at comp1.'], marks: [{ seq: 5, time: '2026-03-02T15:00:00.000Z', who: 'R. Vale', text: 'seen by hand' }] }),
    step('mid_week', 'waits', { due: '2026-03-06T02:00:00.000Z' }),
    step('sleep', 'unseen'),
  ],
};

function show(): void {
  render(<AuditDesk {...({ live: { held: signal(false) }, site: { timezone: 'America/Chicago' } as Site, view: { now: Date.parse('2026-03-04T17:00:00Z'), connection: 'live' } } as unknown as PageProps)} />, host);
}
const has = (selector: string) => vi.waitFor(() => { const e = host.querySelector(selector); if (!e) throw new Error(`no ${selector}`); return e as HTMLElement; });
const text = (selector: string) => (host.querySelector(selector)?.textContent ?? '').replaceAll('\u00a0', ' ');

it('says that it fetches, and takes its question back on leaving', async () => {
  show();
  await vi.waitFor(() => { if (!text('.standing').includes('Fetching the audit')) throw new Error('not said'); });
  await vi.waitFor(() => { if (asked.length === 0) throw new Error('not asked'); });
  render(null, host);
  await vi.waitFor(() => { expect(asked.at(-1)).toMatchObject({ address: '/api/v1/audit', method: 'aborted' }); });
});

it('says what went wrong', async () => {
  answer = new Error('the disk is away');
  show();
  await vi.waitFor(() => { if (!text('.standing').includes('Could not fetch the audit: the disk is away')) throw new Error('not said'); });
});

it('shows each step: its state in a word, what is missing, where to do it', async () => {
  answer = begun;
  show();
  await has('.step');
  expect(text('h1')).toBe(begun.sentence);
  expect(text('.note-line')).toMatch(/Begun Mon 2 Mar, \d\d:\d\d by R. Vale, planned until the end of Mon 9 Mar\./);
  expect([...host.querySelectorAll('.step')].map((e) => e.querySelector('.state-word')?.textContent?.trim())).toEqual(['done', 'still missing', 'accepted as it is', 'later', 'look yourself']);
  expect(text('[data-step=leak] .lacks')).toBe('No result counts of main.');
  expect(text('[data-step=leak] .cautions')).toContain('Hot oil.');
  expect(text('[data-step=leak] code')).toBe('loadscribe leak');
  expect(host.querySelector('[data-step=leak] .where a')).toBeNull(); // no such page
  expect(host.querySelector('[data-step=sleep] .where a')?.getAttribute('href')).toBe('#/hook-up');
  expect(text('[data-step=hookup] .said')).toContain('R. Vale: seen by hand');
  expect(host.querySelector('.begin')).toBeNull();
});

it('begins an audit, with what is wrong at its field', async () => {
  answer = { time: begun.time, sentence: 'No audit was begun.', steps: begun.steps };
  show();
  const form = (await has('.begin')) as HTMLFormElement;
  expect(host.querySelector('.say')).toBeNull(); // nothing to be said of no audit
  expect(form.querySelector<HTMLInputElement>('[name=ends]')?.value).toBe('2026-03-11');
  refused = { message: 'say who does the audit', field: 'who' };
  form.dispatchEvent(new Event('submit', { bubbles: true, cancelable: true }));
  await has('[name=who][aria-invalid]');
  expect(text('.begin [role=alert]')).toBe('Say who does the audit.');
  await vi.waitFor(() => { expect(document.activeElement?.getAttribute('name')).toBe('who'); });
  refused = undefined;
  answer = begun;
  const who = form.querySelector<HTMLInputElement>('[name=who]');
  if (who) who.value = 'R. Vale';
  form.dispatchEvent(new Event('submit', { bubbles: true, cancelable: true }));
  await vi.waitFor(() => { if (text('h1') !== begun.sentence) throw new Error('not asked anew'); });
  expect(asked.filter((a) => a.method === 'POST').at(-1)).toEqual({ address: '/api/v1/audit/begin', method: 'POST', body: { who: 'R. Vale', ends: '2026-03-11' } });
});

it('keeps what a person says of a step', async () => {
  answer = begun;
  show();
  const form = (await has('[data-step=sleep] form')) as HTMLFormElement;
  const put = (name: string, value: string) => { const e = form.querySelector<HTMLInputElement>(`[name=${name}]`); if (e) e.value = value; };
  put('text', 'its settings were seen');
  put('who', 'R. Vale');
  form.dispatchEvent(new Event('submit', { bubbles: true, cancelable: true }));
  await vi.waitFor(() => { if (!asked.some((a) => a.method === 'POST')) throw new Error('not sent'); });
  expect(asked.find((a) => a.method === 'POST')).toEqual({ address: '/api/v1/audit/mark', method: 'POST', body: { step: 'sleep', who: 'R. Vale', text: 'its settings were seen' } });
  await vi.waitFor(() => { expect(localStorage.getItem('author')).toBe('R. Vale'); });
});
