// @vitest-environment happy-dom
import { signal } from '@preact/signals';
import { render } from 'preact';
import { act } from 'preact/test-utils';
import { afterEach, beforeEach, expect, it, vi } from 'vitest';
import type { HookupReport, LinesAnswer, RegistersAnswer, Site, SiteFilesAnswer } from '../api';
import type { Live, View } from '../live/live';
import { emptyPicture } from '../live/picture';
import { place, placeOf } from '../route';
import HookUp from './page';

const now = Date.parse('2026-11-25T18:00:00Z');
const host = document.createElement('div');
document.body.append(host);

const channel = (name: string, unit: string, quantity: string, si: number, bit = false, step = 0.1) =>
  ({ id: `controller.${name}`, device: 'controller', name, role: name, unit, quantity, si_scale: si, si_offset: 0, absolute: false, period_ms: 1000, bit, step });
const site = {
  timezone: 'America/Chicago', devices: [{ name: 'controller' }, { name: 'meter' }], systems: [], lines: [],
  machines: [{ name: 'comp1', channels: { loaded: 'controller.loaded', discharge_pressure: 'controller.discharge_pressure' } }],
  channels: [channel('discharge_pressure', 'psi', 'pressure', 6894.757), channel('loaded', '1', 'plain', 1, true, 1)],
} as unknown as Site;

function viewOf(change: (v: View) => void = () => undefined): View {
  const view: View = { ...emptyPicture(), now, connection: 'live', heard: now };
  for (const device of ['controller', 'meter']) {
    view.devices.set(device, { device, line: 'bus', up: true, last_scan: null, reason: '', detail: '', round_trip_ms: 1, scans: 1, errors: {} });
  }
  view.lines.set('bus', { line: 'bus', up: true, detail: 'open' });
  view.readings.set('controller.discharge_pressure', { value: 103.4, at: now - 400, reason: 'good' });
  view.readings.set('controller.loaded', { value: 1, at: now - 60_000, reason: 'good' });
  change(view);
  return view;
}

const live = { held: signal(false), eventTick: signal(0) } as unknown as Live;
let answers: Record<string, unknown> = {};
let posted: { path: string; body: unknown }[] = [];

beforeEach(() => {
  vi.useFakeTimers();
  posted = [];
  answers = { '/api/v1/events': { events: [], next: '' } };
  vi.stubGlobal('fetch', vi.fn(async (address: string, request?: RequestInit) => {
    const path = address.split('?')[0] ?? '';
    if (request?.method === 'POST') posted.push({ path, body: JSON.parse(String(request.body)) });
    const answer = answers[path];
    if (answer === undefined) return new Response(JSON.stringify({ error: { message: 'this needs a running agent: start it with loadscribe run', field: '' } }), { status: 503 });
    return new Response(JSON.stringify(answer), { status: 200 });
  }));
});
afterEach(() => {
  act(() => render(null, host));
  vi.useRealTimers();
  vi.unstubAllGlobals();
});

const text = () => (host.textContent ?? '').replaceAll('\u00a0', ' ').replaceAll('\u202f', ' ');

async function show(hash: string, view = viewOf()): Promise<string> {
  place.value = placeOf(hash);
  await act(() => render(<HookUp live={live} site={site} view={view} />, host));
  await act(async () => { await vi.advanceTimersByTimeAsync(20); });
  await act(async () => { await vi.advanceTimersByTimeAsync(20); });
  return text();
}

const press = async (label: string) => act(async () => {
  [...host.querySelectorAll('button')].find((b) => (b.textContent ?? '').startsWith(label))?.click();
  await vi.advanceTimersByTimeAsync(20);
});

const idle: HookupReport = { machine: '', step: '', phase: 'idle', instruction: 'No hook-up check was begun.', cautions: [], collected_s: 0, needed_s: 20, detail: '', steps: [], checks: [], findings: [], verdict: '' };
const waiting: HookupReport = {
  ...idle, machine: 'comp1', step: 'loaded', phase: 'waiting', instruction: 'Let the machine run loaded.', cautions: ['Keep clear of belts.'], detail: 'the power changed',
  steps: [
    { step: 'stopped', state: 'skipped', readings: [] },
    { step: 'unloaded', state: 'done', readings: [{ role: 'power', mean: 12_340, unit: 'W', samples: 80 }, { role: 'loaded', mean: 0, unit: '1', samples: 80 }, { role: 'discharge_pressure', mean: 689_476, unit: 'Pa', samples: 80 }] },
    { step: 'loaded', state: 'waiting', readings: [] }, { step: 'unloaded_again', state: 'waiting', readings: [] },
  ],
};

it('begins a walk, says a step, and leaves one out', async () => {
  answers['/api/v1/hookup'] = idle;
  answers['/api/v1/hookup/start'] = { ...waiting, step: 'stopped', steps: waiting.steps.map((s) => ({ ...s, state: 'waiting', readings: [] })) };
  answers['/api/v1/hookup/step'] = { ...waiting, phase: 'collecting', collected_s: 4.2, instruction: 'Hold the machine as it is: stopped.', detail: 'collecting' };
  expect(await show('#/hook-up')).toContain('Begin the check of comp1');
  answers['/api/v1/hookup'] = answers['/api/v1/hookup/start'];
  await press('Begin the check');
  expect(posted).toEqual([{ path: '/api/v1/hookup/start', body: { machine: 'comp1' } }]);
  expect(text()).toContain('It stands still now');
  await press('Leave this step out');
  expect(posted[1]).toEqual({ path: '/api/v1/hookup/step', body: { step: 'stopped', skip: true } });
  answers['/api/v1/hookup'] = answers['/api/v1/hookup/step'];
  await act(async () => { await vi.advanceTimersByTimeAsync(1_100); });
  expect(text()).toContain('4 of 20 s');
  expect(host.querySelector('progress')?.value).toBeCloseTo(4.2);
});

it('shows cautions, what hinders, and the means of steps in the reader’s units', async () => {
  answers['/api/v1/hookup'] = waiting;
  const shown = await show('#/hook-up');
  for (const part of ['Keep clear of belts.', 'the power changed', 'power12.3 kW', 'loadedno', 'It runs loaded now']) expect(shown).toContain(part);
  expect(shown).toMatch(/discharge pressure(100\.0 psi|6\.89 bar)/);
  expect(host.querySelector('[data-step=loaded]')?.getAttribute('aria-current')).toBe('step');
  expect([...host.querySelectorAll('[data-step=loaded] button')].some((b) => b.textContent?.startsWith('Leave'))).toBe(false);
  expect(host.querySelector('[data-step=unloaded] data')?.getAttribute('data-at')).toBe('/steps/1/readings/0/mean');
});

it('names what is wrong, with its basis and what to do', async () => {
  answers['/api/v1/hookup'] = {
    ...waiting, step: '', phase: 'done', verdict: 'wrong', instruction: 'All steps are done.', steps: waiting.steps.map((s) => ({ ...s, state: 'done' })),
    checks: [{ name: 'loaded_bit', result: 'wrong', text: 'it is set while unloaded' }, { name: 'power', result: 'not judged', text: 'no power channel' }],
    findings: [{ code: 'inverted_load_bit', severity: 'wrong', text: 'the loaded bit is inverted', basis: 'set in 0 % of loaded time', mend: 'Write inverted = true.' }],
  } satisfies HookupReport;
  const shown = await show('#/hook-up');
  for (const part of ['Something is wired or mapped wrongly', 'the loaded bit is inverted', 'Write inverted = true.', 'set in 0 % of loaded time', 'not judged']) expect(shown).toContain(part);
});

it('says what the machine says now, and old readings in brackets', async () => {
  answers['/api/v1/hookup'] = idle;
  await show('#/hook-up');
  expect(host.querySelector('[data-role=discharge_pressure]')?.getAttribute('data-fresh')).toBe('true');
  const loaded = host.querySelector('[data-role=loaded]');
  expect(loaded?.textContent?.replaceAll('\u00a0', ' ')).toContain('(yes) 1 min 0 s old');
});

it('says what does not answer and what mends it, and that it does not know', async () => {
  answers['/api/v1/hookup'] = idle;
  const silent = viewOf((v) => v.devices.set('meter', { ...v.devices.get('meter')!, up: false, reason: 'timeout', detail: 'no answer from unit 2: check power' }));
  expect(await show('#/hook-up', silent)).toContain('meter does not answer.');
  expect(text()).toContain('no answer from unit 2: check power');
  const gone = viewOf((v) => v.lines.set('bus', { line: 'bus', up: false, detail: 'plug the adapter in' }));
  expect(await show('#/hook-up', gone)).toContain('Line bus is down.');
  expect(await show('#/hook-up', viewOf((v) => { v.connection = 'lost'; }))).toContain('Not known: no contact with loadscribe.');
  expect(await show('#/hook-up')).toContain('Every device answers.');
});

it('says why there is no walk without a running agent, and tries again', async () => {
  expect(await show('#/hook-up')).toContain('Could not fetch the hook-up check: this needs a running agent: start it with loadscribe run.');
  answers['/api/v1/hookup'] = idle;
  await act(async () => { await vi.advanceTimersByTimeAsync(16_000); });
  expect(text()).toContain('Begin the check of comp1');
});

const registers: RegistersAnswer = {
  time: new Date(now).toISOString(),
  devices: [{
    device: 'controller', line: 'bus', unit_id: 1, map: 'a map', map_file: 'maps/a.toml', protocol: 'modbus', verified: ['holding register 100 (u16) must hold 4820'],
    registers: [
      { id: 'controller.discharge_pressure', name: 'discharge_pressure', role: 'discharge_pressure', period_ms: 1000, function: 4, table: 'input', address: 4, count: 1, type: 'u16', scale: 0.1, offset: 0, unit: 'psi', valid: [0, 250], raw: '1034', words: ['040A'], value: 103.4, quality: 'good', time: new Date(now - 400).toISOString(), stale: false },
      { id: 'controller.loaded', name: 'loaded', role: 'loaded', period_ms: 1000, function: 3, table: 'holding', address: 20, count: 1, type: 'u16', bit: 3, scale: 1, offset: 0, unit: '1', raw: '1', words: [], value: 1, quality: 'good', time: null, stale: true },
      { id: 'controller.hours', name: 'hours', role: 'run_hours', period_ms: 60000, function: 4, table: 'input', address: 10, count: 2, type: 'u32', order: 'little', scale: 1, offset: 0, unit: 'h', raw: '4294967295', words: ['FFFF', 'FFFF'], value: null, quality: 'implausible', time: new Date(now).toISOString(), stale: false },
    ],
  }],
};

it('shows registers as on the wire, and finds one', async () => {
  answers['/api/v1/registers'] = registers;
  const shown = await show('#/hook-up?part=registers&device=controller');
  expect(vi.mocked(fetch).mock.calls.some((c) => String(c[0]).endsWith('/api/v1/registers?device=controller'))).toBe(true);
  for (const part of ['103.4 psi', '1034', '040A', 'input 4', 'holding 20, bit 3', 'low word first', 'must hold 4820', 'implausible', '4294967295', 'FFFF FFFF', 'raw × 0.1']) expect(shown).toContain(part);
  expect(host.querySelector('[data-register="controller.loaded"]')?.textContent).toContain('old');
  expect(host.querySelector('[data-answer]')?.getAttribute('data-answer')).toBe('/api/v1/registers?device=controller');
  expect(host.querySelector('[data-register="controller.hours"] td')?.textContent).toBe('–');
  const find = host.querySelector<HTMLInputElement>('input[type=search]')!;
  await act(() => { find.value = 'run hours'; find.dispatchEvent(new window.Event('input', { bubbles: true })); });
  expect([...host.querySelectorAll('[data-register]')].map((r) => r.getAttribute('data-register'))).toEqual(['controller.hours']);
  await act(() => { find.value = 'nothing such'; find.dispatchEvent(new window.Event('input', { bubbles: true })); });
  expect(text()).toContain('No register of controller fits.');
});

it('says that registers are old once they are', async () => {
  answers['/api/v1/registers'] = { ...registers, time: new Date(now - 30_000).toISOString() };
  expect(await show('#/hook-up?part=registers')).toContain('As of 11:59:30: this is not live.');
});

const lines: LinesAnswer = {
  time: new Date(now).toISOString(), started: new Date(now - 3_600_000).toISOString(),
  lines: [
    { line: 'bus', kind: 'modbus-rtu', where: 'COM3', serial: '19200 8E1', timeout_ms: 1000, turnaround_ms: 5, echo: 'auto', echo_seen: true, listen: false, up: true, detail: 'COM3 open at 19200 8E1', changed: null, reopened: 2, missed: 0,
      busy_share: 0.254, busy_over_s: 60, predicted_share: 0.3, advice: 'make the periods longer', stray_bytes: 12,
      devices: [{ device: 'controller', unit_id: 1, up: true, reason: '', detail: '', hint: 'polled each 250 ms', last_scan: new Date(now).toISOString(), scans: 3600, errors: {}, requests: 14_400, answers: 14_390, failures: { timeout: 7, 'bad checksum': 3 }, retries: 3, damaged: 3, late: 1, replies: { count: 14_390, min_ms: 8, median_ms: 22, p95_ms: 40, max_ms: 310, suggested_timeout_ms: 1000 } }] },
    { line: 'other', kind: 'modbus-rtu', where: 'COM4', serial: '9600 8N1', timeout_ms: 1000, turnaround_ms: 0, listen: true, up: false, detail: 'plug the adapter in', changed: null, reopened: 0, missed: 0, busy_over_s: 0,
      heard: { bytes: 9, requests: 4, answers: 3, unpaired: 0, skipped: 1, last_asked: 'unit 3 is asked for holding registers 0-9' }, devices: [{ device: 'meter', unit_id: 2, up: false, reason: 'port gone', detail: 'line "other" is down', hint: '', last_scan: null, scans: 0, errors: { 'port gone': 9 }, requests: 0, answers: 0, failures: {}, retries: 0, damaged: 0 }] },
  ],
};

it('shows how each line goes, in words beside the picture', async () => {
  answers['/api/v1/lines'] = lines;
  const shown = await show('#/hook-up?part=lines');
  for (const part of ['25 % of the last 60 s; 30 % was predicted', 'make the periods longer', '14 400', '7 timeout, 3 bad checksum', '12 bytes', 'auto: requests come back', 'polled each 250 ms', 'down, only listened to', 'unit 3 is asked for', 'no: port or connection lost']) expect(shown).toContain(part);
  expect(host.querySelector('[data-line=bus] svg[role=img]')?.getAttribute('aria-label')).toBe('How long answers take on line bus. controller: half within 22 ms, 95 % within 40 ms, longest 310 ms. The timeout is 1\u202f000 ms.');
  expect(host.querySelector('[data-line=other] svg[role=img]')).toBeNull();
  expect(await show('#/hook-up?part=lines&device=meter')).not.toContain('COM3');
});

const files: SiteFilesAnswer = {
  checked: new Date(now).toISOString(),
  files: [{ name: 'site.toml', map: false, hash: 'ab', text: '[site]\nname = "x"\n', devices: [] }, { name: 'maps/a.toml', map: true, hash: 'cd', text: 'name = "a map"\n', devices: ['controller'] }],
  warnings: [{ file: 'site.toml', line: 2, col: 1, key: 'site.name', message: 'it is short', mend: 'write more' }],
  disk: { state: 'same', sentence: 'The files on disk are those that run.', files: [], unused: [], problems: [], warnings: [], changes: [] },
};

it('shows the files with what wants looking at, at its line', async () => {
  answers['/api/v1/sitefile'] = files;
  const shown = await show('#/hook-up?part=files');
  expect(shown).toContain('The files on disk are those that run.');
  expect(host.querySelector('li[value="2"]')?.textContent).toBe('name = "x"it is short. Write more.');
  expect(host.querySelector('.problems')?.textContent).toContain('site.toml, line 2: site.name it is short. Write more.');
  expect(shown).not.toContain('On disk');
  expect(await show('#/hook-up?part=files&file=maps/a.toml')).toContain('the map of controller');
});

it('shows the mistake in the file on disk first, and what runs when asked', async () => {
  answers['/api/v1/sitefile'] = {
    ...files,
    disk: {
      state: 'refused', sentence: 'With the files on disk loadscribe would not start: 1 mistake.', unused: [], warnings: [],
      files: [{ name: 'site.toml', map: false, hash: 'ef', text: '[site]\nnam = "y"\n', devices: [] }],
      problems: [{ file: 'site.toml', line: 2, col: 1, key: 'site.nam', message: 'unknown key "nam"', mend: 'did you mean "name"?' }],
      changes: [{ file: 'site.toml', text: 'site nam added: "y"', affects: 'no figure' }],
    },
  } satisfies SiteFilesAnswer;
  const shown = await show('#/hook-up?part=files');
  for (const part of ['would not start', 'Mistake: unknown key "nam". Did you mean "name"?', 'nam = "y"', 'It affects no figure.']) expect(shown).toContain(part);
  const runs = await show('#/hook-up?part=files&version=runs');
  expect(runs).toContain('name = "x"');
  expect(host.querySelector('.listing')?.textContent).not.toContain('nam =');
});
