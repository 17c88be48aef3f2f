// @vitest-environment happy-dom
import { signal } from '@preact/signals';
import { render } from 'preact';
import { afterEach, beforeEach, expect, it, vi } from 'vitest';
import type { LeaksAnswer, Site } from '../api';
import type { Live } from '../live/live';
import { Tags } from './tags';

const host = document.createElement('div');
const sent: unknown[] = [];
let refuse: { message: string; field: string } | undefined;
const text = () => (host.textContent ?? '').replaceAll('\u00a0', ' ');
const there = (selector: string) => vi.waitFor(() => { if (!host.querySelector(selector)) throw new Error(`no ${selector}`); }, { timeout: 4_000 });

const cfm = 4.719474432e-4;
const answer: LeaksAnswer = {
  system: 'main', from: '2026-03-01T06:00:00.000Z', to: '2026-03-08T06:00:00.000Z', pressure_pa: 620528.156, open_cost: 141.2, currency: 'USD', method: 'choked',
  sentence: '1 tag makes 21 cfm ± 10 cfm of 35 cfm ± 6 cfm measured: some 14 cfm ± 12 cfm have no tag yet.',
  open: { count: 1, unsized: 0, flow_m3s: 21 * cfm, uncertainty_m3s: 10 * cfm }, mended: { count: 1, unsized: 1, flow_m3s: 0, uncertainty_m3s: 0 },
  measured: { count: 0, unsized: 0, flow_m3s: 35 * cfm, uncertainty_m3s: 6 * cfm }, untagged: { count: 0, unsized: 0, flow_m3s: 14 * cfm, uncertainty_m3s: 12 * cfm },
  tags: [
    { tag: 41, system: 'main', place: 'hose reel', state: 'open', hole_m: 0.003, coefficient: 0.65, flow_m3s: 21 * cfm, found: '2026-03-02T18:00:00.000Z', found_by: 'R. Vale', mended: null, mended_by: '', entries: [{ seq: 41, action: 'found', time: '2026-03-02T18:00:00.000Z', who: 'R. Vale', what: 'hisses' }] },
    { tag: 42, system: 'main', place: 'drain', state: 'mended', hole_m: null, coefficient: 0.65, flow_m3s: null, found: '2026-03-02T18:00:00.000Z', found_by: 'R. Vale', mended: '2026-03-03T18:00:00.000Z', mended_by: 'M. Ode', entries: [] },
  ],
};
const site = { timezone: 'America/Chicago' } as unknown as Site;
const live = { held: signal(false), eventTick: signal(0) } as unknown as Live;

beforeEach(async () => {
  document.body.append(host);
  sent.length = 0;
  refuse = undefined;
  vi.stubGlobal('fetch', vi.fn(async (_path: string, request?: RequestInit) => {
    if (request?.method !== 'POST') return { ok: true, status: 200, json: async () => answer };
    sent.push(JSON.parse(String(request.body)));
    return { ok: !refuse, status: refuse ? 400 : 200, json: async () => (refuse ? { error: refuse } : {}) };
  }));
  render(<Tags live={live} site={site} name="main" window={{ from: '-7d', to: 'now' }} system="us" />, host);
  await there('.tag-list li');
});
afterEach(() => render(null, host));

const fill = (within: string, fields: Record<string, string>) => {
  for (const [name, value] of Object.entries(fields)) {
    const field = host.querySelector<HTMLInputElement>(`${within} [name=${name}]`);
    if (!field) throw new Error(`no field ${name}`);
    field.value = value;
  }
  host.querySelector<HTMLFormElement>(`${within} form, form${within}`)?.requestSubmit();
};

it('says what the tags make of what is measured, each number with its place', () => {
  expect(text()).toContain('some 14 cfm ± 12 cfm have no tag yet');
  expect([...host.querySelectorAll('.tag-sums data')].map((e) => e.getAttribute('data-at'))).toEqual(['/open/flow_m3s', '/open/uncertainty_m3s', '/measured/flow_m3s', '/measured/uncertainty_m3s', '/untagged/flow_m3s', '/untagged/uncertainty_m3s', '/open_cost']);
  expect(text()).toContain('Mendedno size guessed'); // and not nothing
  expect(text()).toContain('Tag 41, leaks: hose reel, some 21.0 cfm');
  expect(text()).toContain('Tag 42, mended: drain, no size guessed');
  expect(text()).toContain('mended Tue 3 Mar by M. Ode');
});

it('tags a leak; what is refused stands at its field', async () => {
  host.querySelector<HTMLButtonElement>('.add-tag')?.click();
  await there('.night-form');
  refuse = { message: '“large” is no length', field: 'hole' };
  fill('.night-form', { place: 'bay 2', hole: 'large', who: 'R. Vale' });
  await there('[name=hole][aria-invalid=true]');
  expect(sent).toEqual([{ action: 'found', who: 'R. Vale', system: 'main', place: 'bay 2', hole: 'large' }]);
  expect(text()).toContain('“large” is no length.');
});

it('marks a leak as mended, and offers only what can be said of it', async () => {
  expect([...host.querySelectorAll('[data-tag="41"] [data-action]')].map((b) => b.getAttribute('data-action'))).toEqual(['mended', 'correct', 'withdraw']);
  expect([...host.querySelectorAll('[data-tag="42"] [data-action]')].map((b) => b.getAttribute('data-action'))).toEqual(['again', 'correct']);
  host.querySelector<HTMLButtonElement>('[data-tag="41"] [data-action=mended]')?.click();
  await there('[data-tag="41"] form');
  expect(text()).toContain('never open a fitting under pressure');
  fill('[data-tag="41"]', { what: 'new coupling', who: 'M. Ode' });
  await vi.waitFor(() => expect(sent).toEqual([{ action: 'mended', who: 'M. Ode', tag: 41, what: 'new coupling' }]));
});
