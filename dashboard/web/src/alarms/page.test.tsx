// @vitest-environment happy-dom
import { signal } from '@preact/signals';
import { render } from 'preact';
import { afterEach, beforeEach, expect, it, vi } from 'vitest';
import type { AlarmRule, Alarms, Site, StandingAlarm } from '../api';
import { door } from '../door/state';
import type { PageProps } from '../pages';
import { siteUnits } from '../settings';
import { AlarmLine, lineWords } from './line';
import { asking, inOrder } from './order';
import AlarmsPage from './page';

const host = document.createElement('div');
const asked: { address: string; method: string; body: unknown }[] = [];
let answer: Alarms;
let refused: { message: string; field: string } | undefined;
let tested: unknown;
const now = Date.parse('2026-03-04T17:00:00Z');
const ago = (min: number) => new Date(now - min * 60_000).toISOString();

const alarm = (id: string, change: Partial<StandingAlarm> = {}): StandingAlarm => ({
  id, rule: 'air end hot', on: 'temperature', subject: 'comp1', priority: 'high', text: 'discharge temperature of comp1 226.4 °F, above 221.0 °F for 30 s',
  since: ago(70), since_at_least: false, raised: ago(69), times: 1, returned: null, acknowledged: null, value: 108, limit: 105, unit: '°C', told: true, shelved_until: null, ...change,
});
const rule = (name: string, change: Partial<AlarmRule> = {}): AlarmRule => ({ rule: name, on: 'temperature', subjects: ['comp1'], text: `Raised when ${name}.`, priority: 'high', tell: [], state: 'quiet', why: '', shelved: [], since: null, ...change });
const none: Alarms = { standing: [], rules: [], targets: [], caution: 'Not a safety device: what protects people is in the machine.' };

beforeEach(() => {
  document.body.append(host);
  localStorage.clear();
  siteUnits.value = 'us';
  vi.stubGlobal('fetch', vi.fn(async (address: string, request?: RequestInit) => {
    const body = request?.body ? JSON.parse(String(request.body)) : undefined;
    asked.push({ address, method: request?.method ?? 'GET', body });
    if (address.endsWith('/test')) return { ok: true, json: async () => tested };
    if (refused && request?.method === 'POST') return { ok: false, status: 400, json: async () => ({ error: refused }) };
    if (address.includes('/events')) return { ok: true, json: async () => ({ events: [{ seq: 7, time: ago(70), kind: 'alarm', subject: 'comp1', text: '', data: { rule: 'air end hot', subject: 'comp1', says: 'discharge temperature of comp1 226.4 °F', state: 'acknowledged', who: 'R. Vale', why: 'called service' } }, { seq: 6, time: ago(80), kind: 'alarm', subject: '', text: '', data: { rule: 'no data', subject: '', state: 'shelved', until: ago(-60), who: 'R. Vale', why: 'works' } }, { seq: 5, time: ago(90), kind: 'alarm', subject: 'comp1', text: '', data: { rule: 'air end hot', subject: 'comp1', says: 'discharge temperature of comp1 226.4 °F', state: 'raised' } }], next: '' }) };
    return { ok: true, json: async () => answer };
  }));
});
afterEach(() => {
  render(null, host);
  asked.length = 0;
  refused = undefined;
  door.value = undefined;
  vi.unstubAllGlobals();
});

const live = { held: signal(false), alarmTick: signal(0) };
const show = () => render(<AlarmsPage {...({ live, site: { timezone: 'UTC' } as Site, view: { now, connection: 'live' } } as unknown as PageProps)} />, host);
const find = (selector: string) => vi.waitFor(() => { const e = host.querySelector(selector); if (!e) throw new Error(`no ${selector}`); return e as HTMLElement; });
const text = (selector: string) => (host.querySelector(selector)?.textContent ?? '').replaceAll('\u00a0', ' ');
const press = (selector: string, words: string) => { const b = [...host.querySelectorAll<HTMLButtonElement>(`${selector} button`)].find((x) => x.textContent?.startsWith(words)); if (!b) throw new Error(`no button ${words} in ${selector}`); b.click(); };
const submit = (form: HTMLElement) => form.dispatchEvent(new Event('submit', { bubbles: true, cancelable: true }));
const put = (form: HTMLElement, name: string, value: string) => { const e = form.querySelector<HTMLInputElement>(`[name=${name}]`); if (!e) throw new Error(`no ${name}`); e.value = value; };
const sent = () => asked.filter((a) => a.method === 'POST').at(-1);

it('says that nothing is set, how to, and the caution', async () => {
  answer = none;
  show();
  await vi.waitFor(() => { expect(text('h1')).toBe('No alarm is set.'); });
  expect(text('.caution')).toBe(none.caution);
  expect(text('pre')).toContain('[[alarm]]');
  expect(host.querySelector('.standing-alarms')).toBeNull();
});

it('tells each that stands: what, since when, how far from the limit, and whether it is over', async () => {
  answer = { ...none, rules: [rule('air end hot', { state: 'raised' }), rule('pressure low', { state: 'blind', why: 'no tap' })], standing: [alarm('2', { rule: 'pressure low', subject: 'main', priority: 'medium', since_at_least: true, returned: ago(20), value: null, told: false }), alarm('1', { times: 3 })] };
  show();
  await find('[data-alarm="1"]');
  expect(text('[data-alarm="1"]')).toContain('It was raised 3 times within the hour.');
  expect(text('h1')).toBe('1 alarm stands: air end hot, comp1, since 15:50:00. 1 that is over waits to be acknowledged.');
  expect(text('.must')).toBe('1 of 2 rules cannot see what it watches.');
  expect([...host.querySelectorAll('[data-alarm]')].map((e) => e.getAttribute('data-alarm'))).toEqual(['1', '2']); // what is bad now comes first
  expect(text('[data-alarm="1"] h3')).toBe(alarm('1').text);
  expect(text('[data-alarm="1"] .far-from')).toBe('When it was raised: 226.4 °F; the limit is 221.0 °F.');
  expect(host.querySelector('[data-alarm="1"] [data-at]')?.getAttribute('data-at')).toBe('/standing/1/value'); // as the answer has it, not as it is listed
  expect(text('[data-alarm="2"]')).toContain('since at least 15:50:00; over since 16:40:00');
  expect(text('[data-alarm="2"]')).toContain('It stands here until somebody acknowledges it.');
  expect(text('[data-alarm="2"]')).toContain('It was told to nobody but this page.');
  expect(text('[data-rule="pressure low"] .warn')).toBe('It can neither raise nor return: no tap.');
});

it('acknowledges with a name, what is wrong at its field, and shows what holds then', async () => {
  answer = { ...none, standing: [alarm('1')], rules: [rule('air end hot', { state: 'raised' })] };
  show();
  await find('[data-alarm="1"]');
  press('[data-alarm="1"]', 'Acknowledge');
  const form = await find('[data-alarm="1"] form');
  refused = { message: 'say who acknowledges', field: 'who' };
  submit(form);
  await find('[data-alarm="1"] [name=who][aria-invalid]');
  refused = undefined;
  put(form, 'who', 'R. Vale');
  put(form, 'why', 'called service');
  form.querySelector<HTMLElement>('[type=submit]')?.focus();
  const before = asked.filter((a) => a.method === 'GET' && a.address === '/api/v1/alarms').length;
  answer = { ...answer, standing: [alarm('1', { acknowledged: { at: ago(0), who: 'R. Vale', why: 'called service' } })] };
  submit(form);
  await vi.waitFor(() => { expect(text('[data-alarm="1"]')).toContain('Acknowledged 17:00:00 by R. Vale: called service.'); });
  expect(sent()).toEqual({ address: '/api/v1/alarms/acknowledge', method: 'POST', body: { id: '1', who: 'R. Vale', why: 'called service' } });
  expect(host.querySelector('[data-alarm="1"] form')).toBeNull();
  // One that was under way may be older: it is asked anew at once.
  await vi.waitFor(() => { expect(asked.filter((a) => a.method === 'GET' && a.address === '/api/v1/alarms').length).toBe(before + 1); });
  expect(localStorage.getItem('author')).toBe('R. Vale');
  await vi.waitFor(() => { expect(document.activeElement?.textContent).toBe(`Shelve …: ${alarm('1').text}`); }); // the next thing to do there
});

it('shelves an alarm and takes it off, by the person who is signed in', async () => {
  door.value = { sign_in: true, set_up: false, person: { name: 'M. Oak', role: 'operate' }, role: 'operate', idle_s: 0, fingerprint: '' };
  answer = { ...none, standing: [alarm('1')], rules: [rule('air end hot', { state: 'raised' })] };
  show();
  await find('[data-alarm="1"]');
  press('[data-alarm="1"]', 'Shelve');
  const form = await find('[data-alarm="1"] form');
  expect(form.querySelector('[name=who]')).toBeNull();
  put(form, 'for', '8h');
  put(form, 'why', 'the cooler is being washed');
  answer = { ...answer, standing: [alarm('1', { shelved_until: new Date(now + 8 * 3_600_000).toISOString() })] };
  submit(form);
  await vi.waitFor(() => { expect(text('[data-alarm="1"]')).toContain('Shelved until Thu 5 Mar 01:00:00'); });
  expect(sent()?.body).toEqual({ rule: 'air end hot', subject: 'comp1', for: '8h', who: 'M. Oak', why: 'the cooler is being washed' });
  expect(text('h1')).toBe('No alarm stands but what is shelved.');
  press('[data-alarm="1"]', 'Take it off');
  submit(await find('[data-alarm="1"] form'));
  await vi.waitFor(() => { expect(sent()).toEqual({ address: '/api/v1/alarms/unshelve', method: 'POST', body: { rule: 'air end hot', subject: 'comp1', who: 'M. Oak' } }); });
});

it('takes a rule off the shelf where it stands, the whole of it or one thing that it watches', async () => {
  const shelf = { subject: 'comp1', until: new Date(now + 3_600_000).toISOString(), who: 'R. Vale', why: 'being washed' };
  answer = { ...none, rules: [rule('air end hot', { shelved: [shelf] }), rule('no data', { shelved: [{ ...shelf, subject: '' }] })] };
  show();
  await find('[data-rule="air end hot"] .shelves');
  expect(text('[data-rule="air end hot"] .shelves')).toContain('Shelved of comp1 until 18:00:00 by R. Vale: being washed.');
  expect([...host.querySelectorAll('[data-rule="no data"] button')].map((b) => b.textContent)).toEqual(['Take it off the shelf …: no data ']); // it is shelved already
  for (const [name, body] of [['air end hot', { rule: 'air end hot', subject: 'comp1', who: 'R. Vale' }], ['no data', { rule: 'no data', who: 'R. Vale' }]] as const) {
    press(`[data-rule="${name}"]`, 'Take it off');
    const form = await find(`[data-rule="${name}"] form`);
    put(form, 'who', 'R. Vale');
    submit(form);
    await vi.waitFor(() => { expect(sent()?.body).toEqual(body); });
  }
});

it('offers nothing to do to the role look, and says why', async () => {
  door.value = { sign_in: true, set_up: false, person: { name: 'M. Oak', role: 'look' }, role: 'look', idle_s: 0, fingerprint: '' };
  answer = { ...none, standing: [alarm('1')], rules: [rule('air end hot')], targets: [{ name: 'mail', kind: 'mail', to: 'shop@mail.example', waiting: 0, last_sent: null, failing_since: null, why: '', given_up: 0 }] };
  show();
  await find('[data-alarm="1"]');
  await find('.history li');
  expect([...host.querySelectorAll('button')].map((b) => b.textContent)).toEqual([]);
  expect(text('[data-not-allowed]')).toBe('With the role look one does not acknowledge or shelve alarms here. The role operate may.');
});

it('takes an opened form away from whose role was changed', async () => {
  door.value = { sign_in: true, set_up: false, person: { name: 'M. Oak', role: 'operate' }, role: 'operate', idle_s: 0, fingerprint: '' };
  answer = { ...none, standing: [alarm('1')], rules: [rule('air end hot')] };
  show();
  await find('[data-alarm="1"]');
  press('[data-alarm="1"]', 'Acknowledge');
  await find('[data-alarm="1"] form');
  door.value = { ...door.value, role: 'look' };
  await vi.waitFor(() => { expect(host.querySelector('form')).toBeNull(); });
});

it('tells what waits and why, and what a test message met', async () => {
  answer = { ...none, rules: [rule('air end hot')], targets: [{ name: 'dispatch', kind: 'webhook', to: 'https://hooks.example/in', waiting: 3, last_sent: ago(100), failing_since: ago(90), why: 'it does not answer', given_up: 1 }] };
  show();
  const target = await find('[data-target=dispatch]');
  expect(target.textContent).toContain('Last sent 15:20:00; 3 messages wait; 1 given up.');
  expect(target.textContent).toContain('It fails since 15:30:00: it does not answer.');
  tested = { target: 'dispatch', ok: false, answer: 'connection refused' };
  press('[data-target=dispatch]', 'Send a test message');
  await vi.waitFor(() => { expect(text('.tested')).toBe('It was not taken: connection refused.'); });
  tested = { target: 'dispatch', ok: true, answer: '204' };
  press('[data-target=dispatch]', 'Send a test message');
  await vi.waitFor(() => { expect(text('.tested')).toBe('It was taken: 204.'); });
  expect(sent()?.body).toEqual({ target: 'dispatch' });
  expect(text('h1')).toBe('No alarm stands.');
});

it('has the history, with who and why', async () => {
  answer = { ...none, rules: [rule('air end hot')] };
  show();
  await find('.history li');
  expect([...host.querySelectorAll('.history li')].map((e) => e.textContent)).toEqual([
    '15:50:00acknowledgedair end hot, comp1 by R. Vale: called service', '15:40:00shelvedno data until 18:00:00 by R. Vale: works', '15:30:00raisedair end hot: discharge temperature of comp1 226.4 °F',
  ]);
  expect(asked.some((a) => a.address.includes('/api/v1/events?') && a.address.includes('kind=alarm'))).toBe(true);
});

it('orders by what is bad, priority and age, and asks no look at what is shelved', () => {
  const all = [alarm('low', { priority: 'low' }), alarm('over', { returned: ago(1) }), alarm('new', { since: ago(1) }), alarm('shelved', { shelved_until: ago(-60) }), alarm('old')];
  expect(inOrder(all).map((a) => a.id)).toEqual(['old', 'new', 'low', 'over', 'shelved']);
  expect(asking(all).map((a) => a.id)).toEqual(['old', 'new', 'low', 'over']);
});

it('has one line for the head: what, since when, how many more; none where none stands', () => {
  const line = (all: StandingAlarm[]) => { render(<AlarmLine all={all} now={now} zone="UTC" />, host); return text('.alarm-line'); };
  expect(line([])).toBe('');
  expect(line([alarm('1')])).toBe('1 alarm: air end hot, comp1, since 15:50');
  expect(line([alarm('1'), alarm('2')])).toBe('2 alarms: air end hot, comp1, since 15:50, and 1 more');
  expect(host.querySelector('.alarm-line a')?.getAttribute('href')).toBe('#/alarms');
  expect(lineWords(alarm('1', { rule: 'comp1 hot', since: ago(24 * 60 + 70), since_at_least: true }), now, 'UTC')).toBe('comp1 hot, since at least Tue 3 Mar 15:50');
  expect(lineWords(alarm('1', { returned: ago(10) }), now, 'UTC')).toBe('air end hot, comp1, over since 16:50, not acknowledged');
});
