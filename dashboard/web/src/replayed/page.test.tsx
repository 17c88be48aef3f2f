// @vitest-environment happy-dom
import { signal } from '@preact/signals';
import { render } from 'preact';
import { afterEach, beforeEach, expect, it, vi } from 'vitest';
import type { ReplayAmount, ReplayAnswer, ReplayOutcome, ReplayResult, Site } from '../api';
import type { PageProps } from '../pages';
import { followAddress } from '../route';
import { chooseUnits } from '../settings';
import OtherSettings from './page';

const host = document.createElement('div');
let undo = () => {};
let asked: { address: string; body: unknown }[] = [];
let job: (body: unknown) => unknown = () => ({ id: '5f', state: 'running', done: 1, total: 4 });
let refuse: { message: string; field: string } | undefined;
const there = (selector: string) => vi.waitFor(() => { if (!host.querySelector(selector)) throw new Error(`no ${selector} in ${host.textContent}`); }, { timeout: 4_000 });
const text = () => (host.textContent ?? '').replaceAll('\u00a0', ' ');

class Wide {
  constructor(private readonly tell: (e: { contentRect: { width: number } }[]) => void) {}
  observe() { this.tell([{ contentRect: { width: 1000 } }]); }
  disconnect() {}
}

const site = {
  timezone: 'America/Chicago', channels: [{ id: 'inputs.header', unit: 'psi', quantity: 'pressure', si_scale: 6894.757293168, si_offset: 0, absolute: false, step: 0.1 }],
  machines: [{ name: 'comp1', channels: {} }], systems: [{ name: 'main', machines: ['comp1'], minimum_pressure_pa: 620528, pressure: 'inputs.header', taps: [], parts: [] }],
} as unknown as Site;
const amount = (value: number | null, uncertainty?: number): ReplayAmount => ({ value, ...(uncertainty === undefined ? {} : { uncertainty }) });
const outcome = (kWh: number): ReplayOutcome => ({
  energy_kwh: amount(kWh, 10), cost: amount(200, 2), demand_cost: amount(0), emissions_kg: amount(1), starts: amount(12, 1), starts_per_hour_max: amount(3), load_cycles: amount(800, 20), load_cycles_per_hour: amount(20),
  lowest_pressure_pa: amount(640_000, 7_000), mean_pressure_pa: amount(700_000, 7_000), below_minimum_s: amount(90, 5), specific_power_w_per_m3s: amount(400_000, 9_000), short_s: 30, short_m3: null,
  machines: [{ machine: 'comp1', energy_kwh: kWh, energy_by_state_kwh: {}, time_by_state_s: {}, starts: 12, load_cycles: 800 }],
  trace: [{ at_ms: 1_772_460_000_000, pressure_pa: 689_475.7, states: ['loaded'] }, { at_ms: 1_772_460_030_000, pressure_pa: 760_000, states: ['unloaded'] }],
});
const result = (name: string, saved: number, half: number, over: Partial<ReplayResult> = {}): ReplayResult => ({
  name, set: [{ key: 'comp1.cut_out', value: '112 psi' }], flags: '--set "comp1.cut_out=112 psi"', outcome: outcome(1000 - saved),
  changes: [{ key: 'comp1.cut_out', machine: 'comp1', name: 'cut-out pressure', was: '120 psi', basis: 'as it is set', becomes: '112 psi', does: 'above it the machine unloads', cautions: ['change it in small steps'] }],
  saved_kwh: amount(saved, half), saved_share: amount(saved / 1000, half / 1000), saved_cost: amount(saved / 5, half / 5), saved_emissions_kg: amount(1), saved_kwh_year: amount(saved * 50, half * 50), saved_cost_year: amount(saved * 10, half * 10),
  assumes_year: 'days like these', budget: [{ input: 'meter', share: 1 }], remarks: [], cautions: ['change it in small steps'], ...over,
});
const answer = (over: Partial<ReplayAnswer> = {}): ReplayAnswer => ({
  system: 'main', from: '2026-03-02T06:00:00.000Z', to: '2026-03-04T06:00:00.000Z', coverage: 0.98, resolution: '22 s', currency: 'USD', measured: { ...outcome(1000), short_m3: null }, present: outcome(1000),
  fit: { energy_off_share: 0.009, load_cycles_off_share: 0.02, starts_off: -1, pressure_rms_pa: 30_000, lowest_pressure_off_pa: 8_000, poor: false, words: 'the replay meets what was measured' },
  calibration: [{ machine: 'comp1', name: 'cut-in', value: 652_588, uncertainty: 2_818, unit: 'Pa', basis: 'as seen' }],
  settings: [
    { key: 'comp1.cut_in', machine: 'comp1', name: 'cut-in pressure', value: 655_002, unit: 'Pa', text: '95.0 psi', basis: 'as it is set' },
    { key: 'comp1.cut_out', machine: 'comp1', name: 'cut-out pressure', value: 827_371, unit: 'Pa', text: '120.0 psi', basis: 'as it is set' },
  ],
  alternatives: [], remarks: ['a remark'], method: 'played', inputs: ['meter.power'], ...over,
});
const done = (a: ReplayAnswer) => { job = () => ({ id: '5f', state: 'done', done: 4, total: 4, started: null, ended: null, answer: a }); };

beforeEach(() => {
  document.body.append(host);
  window.location.hash = '#/other-settings?from=2026-03-02&to=2026-03-03';
  undo = followAddress(window as unknown as globalThis.Window);
  chooseUnits('us');
  vi.stubGlobal('ResizeObserver', Wide);
  vi.stubGlobal('fetch', vi.fn(async (address: string, request?: RequestInit) => {
    const body = request?.body ? (JSON.parse(String(request.body)) as unknown) : undefined;
    asked.push({ address, body });
    if (refuse && request?.method === 'POST') return { ok: false, status: 400, json: async () => ({ error: refuse }) };
    const path = address.split('?')[0];
    const given = path === '/api/v1/replay' ? (request?.method === 'POST' ? { id: '5f', state: 'running', done: 0, total: 0 } : job(body))
      : path === '/api/v1/replay/machines' ? { machines: [{ id: 'drive-50hp', about: 'screw with a drive', control: 'variable speed', rated_flow_m3s: 0.1, rated_pressure_pa: 8e5, rated_power_w: 37e3 }] }
        : path === '/api/v1/series' ? { from: '', to: '', series: [{ channel: 'inputs.header', unit: 'psi', start_ms: 1_772_460_000_000, step_ms: 15_000, count: [15, 15, 15], min: [99, 100, 101], max: [101, 102, 103], mean: [100, 101, 102] }], states: [] } : {};
    return { ok: true, status: 200, json: async () => given };
  }));
});
afterEach(() => {
  render(null, host);
  undo();
  asked = [];
  refuse = undefined;
  job = () => ({ id: '5f', state: 'running', done: 1, total: 4 });
});

function show(over: Partial<Site> = {}): void {
  const props = { live: { held: signal(false) }, site: { ...site, ...over }, view: { now: Date.parse('2026-03-09T17:00:00Z') } } as unknown as PageProps;
  render(<OtherSettings {...props} />, host);
}

it('says that it replays, can be stopped, and breaks the replay off on leaving', async () => {
  show();
  await there('progress');
  expect(text()).toContain('Replaying these days as they were');
  await vi.waitFor(() => expect(asked.some((a) => a.address.startsWith('/api/v1/replay?id='))).toBe(true));
  expect(asked[0]).toEqual({ address: '/api/v1/replay', body: { from: '2026-03-02', to: '2026-03-03', system: 'main', alternatives: [], trace: true } });
  render(null, host);
  await vi.waitFor(() => expect(asked.at(-1)).toEqual({ address: '/api/v1/replay/cancel', body: { id: '5f' } }));
});

it('shows first how well the replay meets the days, with what it rests on', async () => {
  done(answer());
  show();
  await there('.fit');
  expect(host.querySelector('h1')?.textContent).toContain('The replay meets these days');
  expect(text()).toContain('Energy, measured1000 ± 10 kWh; the replay has +0.9 %');
  expect(text()).toContain('the replay has −1');
  const at = [...host.querySelectorAll('.fit data')].map((e) => [(e as HTMLElement).dataset['at'], e.textContent]);
  expect(at).toContainEqual(['/answer/fit/pressure_rms_pa', '4.4']);
  expect(host.querySelector('.replayed')?.getAttribute('data-answer')).toBe('/api/v1/replay?id=5f');
  await there('[role=img]');
  expect(host.querySelector('[role=img]')?.getAttribute('aria-label')).toContain('replayed as it is between');
});

it('says loudly that the replay is poor, before anything else', async () => {
  done(answer({ fit: { ...answer().fit, poor: true, words: 'energy +12 %' }, alternatives: [result('Lower', 90, 10)] }));
  show();
  await there('.poor');
  expect(host.querySelector('h1')?.textContent).toContain('poorly');
  expect(text()).toContain('Do not decide on this window alone');
});

it('says of one alternative alone what became of it', async () => {
  const cases: [string, ReturnType<typeof result>][] = [
    ['“It” would have taken more.', result('It', -57, 13)],
    ['What “It” saves is not told from nothing.', result('It', 5, 12)],
    ['“It” would leave users short of air.', result('It', 300, 5, { remarks: ['SHORT OF AIR: do not take that saving'] })],
    ['“It” cannot be replayed.', result('It', 1, 1, { absent: 'leaks are not known' })],
  ];
  for (const [want, r] of cases) {
    window.location.hash = `#/other-settings?from=2026-03-02&to=2026-03-03&alt=It|comp1.cut_out=${100 + cases.findIndex(([w]) => w === want)} psi`;
    done(answer({ alternatives: [r] }));
    show();
    await vi.waitFor(() => expect(host.querySelector('h1')?.textContent).toBe(want));
    render(null, host);
  }
});

it('sets alternatives side by side, and tells a saving from nothing only where its interval does', async () => {
  window.location.hash = '#/other-settings?from=2026-03-02&to=2026-03-03&alt=Lower|comp1.cut_out=112 psi&alt=Wider|comp1.cut_out=125 psi';
  done(answer({ alternatives: [result('Lower', 90, 10), result('Wider', 5, 12), result('Short', 300, 5, { remarks: ['SHORT OF AIR: do not take that saving'] }), result('Untold', 1, 1, { absent: 'leaks are not known' })] }));
  show();
  await there('.option');
  expect(host.querySelector('h1')?.textContent).toContain('Lower');
  const options = [...host.querySelectorAll('.option')].map((e) => (e.textContent ?? '').replaceAll('\u00a0', ' '));
  expect(options[0]).toContain('90 ± 10 kWh');
  expect(options[0]).not.toContain('not told from nothing');
  expect(options[1]).toContain('not told from nothing');
  expect(options[2]).toMatch(/SHORT OF AIR.*Saved/);
  expect(options[3]).toContain('Leaks are not known.');
  expect(options[0]).toContain('112 psi; now 120 psi');
  await there('.whiskers svg'); // drawn once its width is known
  expect(host.querySelector('.whiskers svg')?.getAttribute('aria-label')).toContain('Wider saves 5 kWh, give or take 12, which is not told from nothing');
  expect(host.querySelectorAll('.beside thead th')).toHaveLength(5);
});

it('puts what is filled in into the address, and a wrong setting at its field', async () => {
  done(answer());
  show();
  await there('button.try');
  host.querySelector<HTMLButtonElement>('button.try')?.click();
  await there('.try-form:not(.search-form)');
  expect(text()).toContain('now 120.0 psi');
  const field = host.querySelector<HTMLInputElement>('[name="comp1.cut_out"]');
  const send = () => host.querySelector('.try-form:not(.search-form)')?.dispatchEvent(new Event('submit', { cancelable: true, bubbles: true }));
  send();
  await vi.waitFor(() => expect(text()).toContain('Nothing is changed'));
  if (field) field.value = '112';
  refuse = { message: '"112" has no unit', field: 'comp1.cut_out' };
  send();
  await vi.waitFor(() => expect(host.querySelector('[name="comp1.cut_out"]')?.getAttribute('aria-invalid')).toBe('true'));
  expect(text()).toContain('"112" has no unit');
  expect(window.location.hash).toContain('comp1.cut_out%3D112');
  refuse = undefined;
  const again = host.querySelector<HTMLInputElement>('[name="comp1.cut_out"]');
  if (again) again.value = '112 psi';
  done(answer({ alternatives: [result('comp1.cut out 112', 90, 10)] }));
  send();
  await there('.option');
  await vi.waitFor(() => expect(host.querySelector('.try-form:not(.search-form)')).toBeNull());
  expect(asked.filter((a) => a.address === '/api/v1/replay').at(-1)?.body).toMatchObject({ alternatives: [{ set: [{ key: 'comp1.cut_out', value: '112 psi' }] }] });
});

it('says why nothing can be replayed, and what a site without a system lacks', async () => {
  done(answer({ absent: 'no pressure was read', present: { ...outcome(1), trace: [] } }));
  show();
  await there('.absent');
  expect(text()).toContain('No pressure was read.');
  render(null, host);
  show({ systems: [] });
  expect(text()).toContain('[[system]]');
});

it('writes a sheet with old and new values, cautions at their line, and says what it is not', async () => {
  window.location.hash = '#/other-settings?from=2026-03-02&to=2026-03-03&alt=Lower|comp1.cut_out=112 psi&sheet=1';
  done(answer({ alternatives: [result('Lower', 5, 12, { cautions: ['change it in small steps', 'signs must say so'] })] }));
  show();
  await there('.sheet');
  const line = host.querySelector('[data-setting="comp1.cut_out"]')?.textContent ?? '';
  expect(line).toContain('120 psi');
  expect(line).toContain('112 psi');
  expect(line).toContain('Change it in small steps.');
  const general = host.querySelector('.beware')?.textContent ?? '';
  expect(general).toContain('Signs must say so.');
  expect(general).not.toContain('small steps');
  expect(text()).toContain('loadscribe writes nothing to any machine');
  expect(text()).toContain('Think twice. The saving is not told from nothing.');
  expect(host.querySelector('.replay-plot')).toBeNull();
  const back = host.querySelector('.sheet a')?.getAttribute('href') ?? '';
  expect(back).toContain('alt=');
  expect(back).not.toContain('sheet=');
});

it('shows what a search found as points that explain themselves and open as a replay', async () => {
  window.location.hash = '#/other-settings?from=2026-03-02&to=2026-03-03&vary=comp1.cut_out|105 psi;112 psi&starts_per_hour=6';
  const points = [result('point 1', 90, 10), result('as it is', 0, 4, { set: [] })].map((r) => ({ result: r, alike: 0 }));
  job = () => ({ id: '5f', state: 'done', done: 4, total: 4, started: null, ended: null, answer: answer({ search: { tried: 12, impossible: 1, broke: [], allowed: 9, best: 2, points, remarks: [], method: 'all' } }) });
  show();
  await there('.point');
  expect(asked.some((a) => JSON.stringify((a.body as { search?: unknown } | undefined)?.search) === '{"vary":{"comp1.cut_out":["105 psi","112 psi"]},"limits":{"starts_per_hour":6}}')).toBe(true);
  const buttons = [...host.querySelectorAll<HTMLButtonElement>('.point')];
  expect(buttons.map((b) => b.getAttribute('aria-label'))).toEqual(['Point 1: comp1.cut_out 112 psi; saves 90 kWh, give or take 10; starts 12', 'Point 2: as it is; saves 0.0 kWh, give or take 4.0; starts 12']);
  expect(host.querySelector('.explained')?.textContent?.replaceAll('\u00a0', ' ')).toContain('90 ± 10 kWh');
  buttons[1]?.click();
  await vi.waitFor(() => expect(host.querySelector('.explained')?.textContent).toContain('not told from nothing'));
  expect(host.querySelector('.explained button')).toBeNull(); // as it is there is nothing to open
  buttons[0]?.click();
  await there('.explained button');
  host.querySelector<HTMLButtonElement>('.explained button')?.click();
  await vi.waitFor(() => expect(window.location.hash).toContain('comp1.cut_out%3D112%20psi'));
  expect(window.location.hash).toContain('vary=');
});

it('draws no point at a nought that is not known', async () => {
  window.location.hash = '#/other-settings?from=2026-03-02&to=2026-03-03&vary=comp1.cut_out|105 psi;112 psi&starts_per_hour=6';
  const dark = result('point 2', 40, 10);
  dark.outcome = { ...dark.outcome, starts: { ...dark.outcome.starts, value: null } };
  const points = [result('point 1', 90, 10), dark].map((r) => ({ result: r, alike: 0 }));
  job = () => ({ id: '5f', state: 'done', done: 4, total: 4, started: null, ended: null, answer: answer({ search: { tried: 2, impossible: 0, broke: [], allowed: 2, best: 2, points, remarks: [], method: 'all' } }) });
  show();
  await there('.point');
  expect([...host.querySelectorAll('.point')].map((b) => b.textContent)).toEqual(['1']);
  expect(text()).toContain('1 not drawn: saving or starts not known.');
});

it('puts a wrong limit of a search at its field', async () => {
  window.location.hash = '#/other-settings?from=2026-03-02&to=2026-03-03&vary=comp1.cut_in|90 psi&lowest_pressure=88';
  done(answer());
  const plain = globalThis.fetch;
  vi.stubGlobal('fetch', vi.fn(async (address: string, request?: RequestInit) => {
    if (String(request?.body ?? '').includes('"search"')) return { ok: false, status: 400, json: async () => ({ error: { message: '"88" has no unit', field: 'search.limits.lowest_pressure' } }) };
    return plain(address, request);
  }));
  show();
  await there('.search-form [name=lowest_pressure][aria-invalid]');
  expect(text()).toContain('"88" has no unit');
  expect(host.querySelector<HTMLInputElement>('.search-form [name="comp1.cut_in"]')?.value).toBe('90 psi');
});

it('says what a search lacks in which nothing may vary', async () => {
  window.location.hash = '#/other-settings?from=2026-03-02&to=2026-03-03';
  done(answer());
  show();
  await there('.search-form');
  const send = () => host.querySelector('.search-form')?.dispatchEvent(new Event('submit', { cancelable: true, bubbles: true }));
  send();
  await vi.waitFor(() => expect(text()).toContain('Nothing may vary: write at least one field'));
  expect(window.location.hash).not.toContain('vary=');
  const field = host.querySelector<HTMLInputElement>('.search-form [name=volume_add]');
  if (field) field.value = '240 gal; 400 gal';
  send();
  await vi.waitFor(() => expect(window.location.hash).toContain('vary='));
});
