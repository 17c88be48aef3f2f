// @vitest-environment happy-dom
import { signal } from '@preact/signals';
import { render } from 'preact';
import { afterEach, beforeEach, expect, it, vi } from 'vitest';
import type { MissedAnswer, Site } from '../api';
import type { PageProps } from '../pages';
import { followAddress } from '../route';
import WhatWeMissed from './page';
import { bytes, counted, holesOf, midnights, percent } from './words';

const host = document.createElement('div');
let undo = () => {};
const waited: string[] = [];
let answers: Record<string, unknown> = {};

class Wide {
  constructor(private readonly tell: (e: { contentRect: { width: number } }[]) => void) {}
  observe() { this.tell([{ contentRect: { width: 700 } }]); }
  disconnect() {}
}

beforeEach(() => {
  document.body.append(host);
  window.location.hash = '#/what-we-missed?from=2026-03-02&to=2026-03-08';
  undo = followAddress(window as unknown as globalThis.Window);
  vi.stubGlobal('ResizeObserver', Wide);
  vi.stubGlobal('fetch', vi.fn(async (address: string, request?: { method?: string; signal?: AbortSignal }) => {
    waited.push(`${request?.method ?? 'GET'} ${address}`);
    const found = answers[`${request?.method === 'POST' ? 'POST ' : ''}${address.split('?')[0]}`];
    if (found === undefined) {
      return new Promise((_ok, fail) => request?.signal?.addEventListener('abort', () => { waited.push(`aborted ${address}`); fail(new Error('aborted')); }));
    }
    const refused = found instanceof Error;
    return { ok: !refused, status: refused ? 503 : 200, json: async () => (refused ? { error: { message: found.message } } : found) };
  }));
});
afterEach(() => {
  render(null, host);
  undo();
  waited.length = 0;
  answers = {};
});

const gap = (device: string, counters: MissedAnswer['gaps'][number]['counters'] = []): MissedAnswer['gaps'][number] => ({
  device, from: '2026-03-06T07:59:59.000Z', to: '2026-03-06T08:30:08.000Z', for_s: 1809, reason: 'timeout', mend: 'Look at the cable.', open: false, counters,
});
const device = (name: string): MissedAnswer['devices'][number] => ({ device: name, line: 'plant', due: 604_800, read: 602_989, read_share: 0.997006, period_ms: 1000, gaps: 1, gap_s: 1809, longest_s: 1809 });
const whole = (): MissedAnswer => ({
  from: '2026-03-02T06:00:00.000Z', to: '2026-03-09T06:00:00.000Z', gaps_more: 0, channels: [], channels_more: 0, events_more: 0,
  devices: [device('controller'), device('meter'), { device: 'inputs', line: 'plant', due: 0, read: 0, read_share: 0, period_ms: 0, gaps: 0, gap_s: 0, longest_s: 0, absent: 'nothing was ever read of it' }],
  gaps: [
    gap('controller', [{ machine: 'comp1', role: 'run_hours', channel: 'controller.run_hours', before: 10, after: 10.4, change: 0.4, step: 0.1, unit: 'h' }]),
    gap('meter', [{ machine: 'comp1', role: 'energy', channel: 'meter.energy', before: 100, after: 9100, change: 9000, step: 1, unit: 'Wh' }]),
  ],
  clock: { zone: 'America/Chicago', set: true, kept: false, steps: 1, largest_step_s: 7 },
  disk: { directory_bytes: 5_900_000, free_bytes: 21_600_000, bytes_per_day: 1_080_000, days_left: 20, keep_raw_days: 400, record_from: '2026-03-02T06:00:00.000Z', raw_from: null, backups: false, last_backup: null },
  evidence: { absent: 'the log has no checkpoint yet' },
  awake: { sleep: 'may', how: 'the login manager', why: 'This computer is set to sleep.', mend: 'Switch it off.' },
  slept: { times: 2, for_s: 120 },
  receivers: [],
  events: [{ seq: 3, time: '2026-03-05T08:30:08.000Z', kind: 'computer_slept', subject: '', text: 'the computer slept for 1m0s', data: {} }],
  to_do: [{ about: 'sleep', what: 'This computer is set to sleep.', mend: 'Switch it off.' }],
});
const site = { name: 'Shop', timezone: 'America/Chicago', channels: [], machines: [], systems: [] } as unknown as Site;

function show(): void {
  const props = { live: { held: signal(false) }, site, view: { now: Date.parse('2026-03-10T17:00:00Z') } } as unknown as PageProps;
  render(<WhatWeMissed {...props} />, host);
}
const text = () => (host.textContent ?? '').replaceAll('\u00a0', ' ');
const there = (part: string) => vi.waitFor(() => expect(text()).toContain(part), { timeout: 4_000 });

it('says that it fetches, and takes its question back on leaving', async () => {
  show();
  await vi.waitFor(() => expect(waited).toContain('GET /api/v1/missed?from=2026-03-02&to=2026-03-08'));
  expect(text()).toContain('Fetching what was missed');
  render(null, host);
  await vi.waitFor(() => expect(waited.at(-1)).toMatch(/^aborted/));
});

it('says first what was missed, each number with its place, and what to do', async () => {
  answers = { '/api/v1/missed': whole() };
  show();
  await there('We missed 30 min 9 s of controller.');
  expect(host.querySelector('h1 data')?.getAttribute('data-at')).toBe('/devices/0/gap_s');
  expect(host.querySelector('.missed')?.getAttribute('data-answer')).toContain('/api/v1/missed?from=2026-03-02T06%3A00%3A00.000Z');
  expect(host.querySelector('.to-do li')?.textContent).toBe('SleepThis computer is set to sleep. Switch it off.');
  expect(host.querySelector('[data-sleep=may] p.warn')?.textContent).toContain('may fall asleep');
});

it('draws each device with what it lacks, in words too, and one that was never read', async () => {
  answers = { '/api/v1/missed': whole() };
  show();
  await vi.waitFor(() => expect(host.querySelectorAll('.bands svg[role=img]').length).toBe(4)); // once its width is known
  const labels = [...host.querySelectorAll('.bands svg[role=img]')].map((e) => e.getAttribute('aria-label')?.replaceAll('\u00a0', ' '));
  expect(labels).toEqual([
    'controller was not read once, 30 min 9 s in all; the longest time 30 min 9 s.', 'meter was not read once, 30 min 9 s in all; the longest time 30 min 9 s.',
    'inputs: nothing was ever read of it.', 'The computer that records: it slept once.',
  ]);
});

it('counts the gaps of a device as loadscribe does, of which only the longest are listed', async () => {
  answers = { '/api/v1/missed': { ...whole(), gaps_more: 30, devices: [{ ...device('controller'), gaps: 31, gap_s: 4000 }] } };
  show();
  await vi.waitFor(() => expect(host.querySelector('.bands svg[role=img]')?.getAttribute('aria-label')?.replaceAll('\u00a0', ' ')).toBe('controller was not read 31 times, 1 h 6 min in all; the longest time 30 min 9 s.'));
});

it('tells each device of a silence its own length', async () => {
  const longer = { ...gap('inputs'), to: '2026-03-06T08:31:08.000Z', for_s: 1869 };
  answers = { '/api/v1/missed': { ...whole(), gaps: [longer, gap('controller'), gap('meter')] } };
  show();
  await there('When nothing was read');
  expect(host.querySelectorAll('.hole').length).toBe(1);
  expect(text()).toContain('31 min 9 s, inputs; 30 min 9 s, controller and meter: timeout.');
});

it('tells one silence of two devices once, with what the machine counted meanwhile', async () => {
  answers = { '/api/v1/missed': whole() };
  show();
  await there('When nothing was read');
  expect(host.querySelectorAll('.hole').length).toBe(1);
  expect(text()).toContain('controller and meter: timeout.');
  expect(text()).toContain('By its own counters comp1 meanwhile ran 0.4 h and took 9.000 kWh.');
  expect(host.querySelector('.hole a')?.getAttribute('href')).toContain('#/trace?from=');
});

const receiver = (over: Partial<MissedAnswer['receivers'][number]>): MissedAnswer['receivers'][number] => ({
  name: 'owner', to: 'https://metrics.example', site: 'harrow-lane', every_s: 15, state: 'sending', since: null, why: '', mend: '', behind_scans: 20, behind_s: 14, newest: '2026-03-10T16:59:45.000Z',
  delivered: '2026-03-10T17:00:00.000Z', samples: 4200, there: 0, refused: {}, set_aside: 0, aside: '', left_out: {}, missed_scans: 0, requests: 100, bytes: 52_000, retried: 1, cursor_fault: '', note: '', ...over,
});

it('says of each receiver how far behind it is, why, and what it refused', async () => {
  answers = { '/api/v1/missed': { ...whole(), receivers: [receiver({}), receiver({ name: 'board', state: 'held', since: '2026-03-10T12:00:00.000Z', why: 'it says 401: no token', mend: 'Put right the token.', behind_s: 18_000,
    refused: { too_old: 3 }, aside: 'data/remote-write/board/refused.jsonl', missed_scans: 7, left_out: { 'clock set back': 2 } })] } };
  show();
  await there('What is stored is sent on.');
  const owner = host.querySelector('[data-receiver=owner]')?.textContent?.replaceAll('\u00a0', ' ') ?? '';
  for (const part of ['Delivered4200 samples, up to', 'Sent for it52.0 kB in 100 requests, 1 of them again']) expect(owner).toContain(part); // what was sent is not what was delivered
  const board = host.querySelector('[data-receiver=board]')?.textContent?.replaceAll('\u00a0', ' ') ?? '';
  expect(host.querySelector('[data-receiver=board] p.warn')?.textContent?.replaceAll('\u00a0', ' ')).toBe('It waits for somebody to mend it, 5 h 0 min of readings wait.');
  for (const part of ['it says 401: no token, since', 'Put right the token.', '3 older than it takes. They stand in data/remote-write/board/refused.jsonl', '7 scans were gone', '2 clock set back']) expect(board).toContain(part);
  expect(host.querySelector('[data-receiver=board] data[data-at="/receivers/1/refused/too_old"]')).not.toBeNull();
});

it('has no section where nothing is sent on', async () => {
  answers = { '/api/v1/missed': whole() };
  show();
  await there('Disk and copies');
  expect(host.querySelector('#sent-title')).toBeNull();
});

it('says what a sound record is, an empty one, and one that is not there yet', async () => {
  answers = { '/api/v1/missed': { ...whole(), gaps: [], to_do: [], devices: [{ ...device('meter'), read_share: 1, gaps: 0, gap_s: 0, longest_s: 0 }] } };
  show();
  await there('We missed nothing of a minute or more.');
  expect(text()).toContain('Nothing: devices were read, there is room and there is a copy.'); // its sleep and its clock are not known to be well
  render(null, host);
  answers = { '/api/v1/missed': { ...whole(), from: null, to: null, devices: [], gaps: [], events: [] } };
  show();
  await there('Nothing was recorded in these days.');
  render(null, host);
  answers = { '/api/v1/missed': new Error('the store is closed') };
  show();
  await there('Could not fetch what was missed: the store is closed.');
});

it('names the channels without a good value in what was read, with reason and mend, and does not say that nothing was missed', async () => {
  const silent = (channel: string, over = {}): MissedAnswer['channels'][number] => ({
    channel, device: 'controller', from: '2026-03-06T08:00:00.000Z', to: '2026-03-09T06:00:00.000Z', for_s: 252_000, spells: 1, reason: 'device exception', mend: 'Check the map.', open: true, ...over,
  });
  const sound = { ...whole(), gaps: [], to_do: [], devices: [{ ...device('controller'), read_share: 1, gaps: 0, gap_s: 0, longest_s: 0 }] };
  answers = { '/api/v1/missed': { ...sound, channels: [silent('controller.motor_running'), silent('controller.sump', { reason: 'sensor fault', mend: 'Check the sensor.', for_s: 90, spells: 3, open: false })], channels_more: 4 } };
  show();
  await there('Every device was read. 2 channels gave no good value for a minute or more.');
  expect(text()).not.toContain('missed nothing');
  const rows = [...host.querySelectorAll('.silent tbody tr')].map((r) => r.textContent?.replaceAll('\u00a0', ' '));
  expect(rows[0]).toMatch(/^controller\.motor_running.*to the end of these days.*2 d 22 hdevice exceptionCheck the map\.$/);
  expect(rows[1]).toMatch(/^controller\.sump.*1 min 30 s, in 3 piecessensor faultCheck the sensor\.$/);
  expect(host.querySelector('.silent data[data-at="/channels/1/for_s"]')).not.toBeNull();
  expect(text()).toContain('4 shorter ones are left out');
  render(null, host);
  answers = { '/api/v1/missed': { ...sound, channels: [silent('controller.sump')] } };
  show();
  await there('Every device was read. One channel gave no good value for a minute or more.');
});

it('checks the log when asked, and says what is wrong with it', async () => {
  answers = { '/api/v1/missed': whole(), 'POST /api/v1/verify': { sound: false, leaves: 9, seals: 1, blocks: 7, dropped: 0, readings: 700, events: 2, unsealed: 0, break_count: 1, breaks: [{ what: 'block', leaf: 3, device: 'meter', from: null, to: null, text: 'a block was changed' }], keys: [], began: null, adopted_blocks: 0, adopted_events: 0 } };
  show();
  await there('Check the whole log now');
  [...host.querySelectorAll('button')].find((b) => b.textContent === 'Check the whole log now')?.click();
  await there('The log is not sound: 1 thing is not as it has them. 9 leaves, 7 blocks with 700 readings');
  expect(text()).toContain('a block was changed');
});

it('takes a backup as a download of the browser, which the page does not hold', async () => {
  const clicked: string[] = [];
  const click = vi.spyOn(HTMLAnchorElement.prototype, 'click').mockImplementation(function (this: HTMLAnchorElement) { clicked.push(`${this.getAttribute('href')} ${this.download}`); });
  answers = { '/api/v1/missed': whole(), 'POST /api/v1/backup/ready': new Error('the disk is full') };
  show();
  await there('Take a backup now');
  const press = () => [...host.querySelectorAll('button')].find((b) => b.textContent === 'Take a backup now')?.click();
  press();
  await there('It failed: the disk is full.');
  expect(clicked).toEqual([]);
  answers['POST /api/v1/backup/ready'] = { ticket: 'A2B+', name: 'loadscribe-20260309T170000Z.backup', bytes: 5_900_000, waits_s: 60 };
  press();
  await there('is on its way to your browser’s downloads as loadscribe-20260309T170000Z.backup');
  expect(clicked).toEqual(['/api/v1/backup/file?ticket=A2B%2B loadscribe-20260309T170000Z.backup']);
  click.mockRestore();
});

it('says of which days a report is, whatever days are shown', async () => {
  window.location.hash = '#/what-we-missed?from=2026-03-02&to=2026-03-08&report=5f';
  answers = {
    '/api/v1/missed': whole(),
    '/api/v1/report': { id: '5f', state: 'done', done: 9, total: 9, started: null, ended: null, answer: { title: 't', site: 'Shop', at: '2026-03-10T17:00:00.000Z', from: '2026-02-23T06:00:00.000Z', to: '2026-03-02T06:00:00.000Z', files: [{ name: 'report.pdf', type: 'application/pdf', bytes: 123_000 }] } },
  };
  show();
  await there('The report of Mon 23 Feb to Sun 1 Mar, 24:00 is there.');
  expect(text()).not.toContain('of the days shown above');
  expect(host.querySelector('.files a')?.getAttribute('href')).toBe('/api/v1/report/file?id=5f&name=report.pdf');
});

it('never rounds a share to all or none of it, and keeps the digits that a counter has', () => {
  expect([percent(1), percent(0.999999), percent(0.99612), percent(0.000001), percent(0)]).toEqual(['100', '99.99', '99.61', '<0.01', '0.00']);
  expect([bytes(940), bytes(5_900_000), bytes(216e9)]).toEqual([{ value: '0.9', unit: 'kB' }, { value: '5.9', unit: 'MB' }, { value: '216', unit: 'GB' }]);
  expect(counted({ machine: 'm', role: 'run_hours', channel: 'c', before: 1, after: 1.25, change: 0.25, step: 0.05, unit: 'h' })).toEqual({ word: 'ran', value: '0.25', unit: 'h' });
  const energy = (unit: string, step: number) => counted({ machine: 'm', role: 'energy', channel: 'c', before: 0, after: 9000, change: 9000, step, unit }).value;
  expect([energy('Wh', 1), energy('Wh', 100), energy('Wh', 1000), energy('kWh', 0.1)]).toEqual(['9.000', '9.0', '9', '9000.0']);
  expect(holesOf([gap('a'), { ...gap('b'), reason: 'port gone' }]).length).toBe(2);
});

it('finds local midnights over a change of clocks', () => {
  // Chicago, 8 March 2026: the day has 23 hours.
  const clockAt = (ms: number) => new Intl.DateTimeFormat('en-GB', { timeZone: 'America/Chicago', hour: '2-digit', minute: '2-digit', hourCycle: 'h23' }).format(ms);
  const all = midnights(Date.parse('2026-03-07T06:00:00Z'), Date.parse('2026-03-10T04:00:00Z'), clockAt);
  expect(all.map((t) => new Date(t).toISOString())).toEqual(['2026-03-07T06:00:00.000Z', '2026-03-08T06:00:00.000Z', '2026-03-09T05:00:00.000Z']);
});
