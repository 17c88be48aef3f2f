// @vitest-environment happy-dom
import { signal } from '@preact/signals';
import { render } from 'preact';
import { act } from 'preact/test-utils';
import { afterEach, beforeEach, describe, expect, it, vi } from 'vitest';
import type { MachineState, Site, StandingAlarm, StateName, StoreState } from '../api';
import type { Live, View } from '../live/live';
import { emptyPicture, type Reading } from '../live/picture';
import { place, placeOf } from '../route';
import { siteUnits } from '../settings';
import { AtTheMachine } from './page';

const psi = 6894.757293168361;
const now = Date.UTC(2026, 10, 25, 18);
const host = document.createElement('div');
const channel = (id: string, role: string) => ({ id, device: id.split('.')[0], name: id.split('.')[1], role, unit: 'psi', quantity: 'pressure', si_scale: psi, si_offset: 0, absolute: false, period_ms: 1000, bit: false });
function siteOf(n: number): Site {
  const names = ['trim', 'base1', 'base2'].slice(0, n);
  return {
    name: 'Tannery Lane Castings', timezone: 'UTC', units: 'us', site_hash: 'h', lines: [], devices: [],
    channels: [...names.map((m) => channel(`${m}.out`, 'discharge_pressure')), channel('air.mains', 'header_pressure')],
    machines: names.map((m) => ({ name: m, control: 'load/unload', motor_starts_per_hour: 6, channels: { discharge_pressure: `${m}.out` } })),
    systems: [{ name: 'main', machines: names, minimum_pressure_pa: 86 * psi, pressure: 'air.mains', parts: [{ name: 'mains', kind: 'piping' }], taps: [{ at: 'mains', pressure: 'air.mains' }] }],
  } as unknown as Site;
}
const state = (machine: string, s: StateName, change: Partial<MachineState> = {}): MachineState => ({ machine, state: s, since: new Date(now - 192_000).toISOString(), since_known: true, reason: '', method: 'from the bits', starts_last_hour: 2, pressure_trend: 'falling', ...change });
const store: StoreState = { ok: true, detail: '', mend: '', waiting_scans: 0, directory_bytes: 0, dropped_scans: 0, clock_set: true };
const good = (value: number): Reading => ({ value, at: now - 200, reason: 'good' });
function viewOf(site: Site, states: StateName[], change: Partial<View> = {}, each: Partial<MachineState> = {}): View {
  return {
    ...emptyPicture(), store, now, heard: now, connection: 'live',
    readings: new Map([...site.machines.map((m, i) => [`${m.name}.out`, good(104 + i)] as const), ['air.mains', good(101)]]),
    machines: new Map(site.machines.map((m, i) => [m.name, state(m.name, states[i] ?? 'off', each)])), ...change,
  };
}

let live: Live;
let asked: string[];
beforeEach(() => {
  asked = [];
  siteUnits.value = 'us';
  vi.stubGlobal('fetch', (address: string) => {
    asked.push(address);
    const body = address.includes('/events') ? { events: [], next: '' }
      : address.includes('/figures') ? { from: '2026-11-25T00:00:00Z', to: '2026-11-25T18:00:00Z', machines: [], systems: [], instruments: [] }
        : { from: '', to: '', series: [], runs: [] };
    return Promise.resolve(new Response(JSON.stringify(body)));
  });
  live = { site: signal(null), held: signal(false), eventTick: signal(0), figuresTick: signal(0), record: () => () => undefined, now: () => now, hold: vi.fn() } as unknown as Live;
  place.value = placeOf('#/');
});
afterEach(() => {
  render(null, host);
  vi.unstubAllGlobals();
});

/** Draws the page and lets what it asks for come. */
async function show(site: Site, view: View, alarms: StandingAlarm[] | undefined = []): Promise<string> {
  live.site.value = site;
  const draw = () => render(<AtTheMachine live={live} site={site} view={view} alarms={alarms} />, host);
  await act(async () => {
    draw();
    await new Promise((r) => setTimeout(r, 20));
    draw();
  });
  return (host.textContent ?? '').replaceAll('\u00a0', ' ');
}
const h1 = () => host.querySelector('h1')?.textContent?.replaceAll('\u00a0', ' ');
const all = (selector: string) => [...host.querySelectorAll(selector)];

describe('several machines', () => {
  it('has each in a row, with its sentence and its pressure, and the plant in the title', async () => {
    const site = siteOf(3);
    await show(site, viewOf(site, ['standby', 'loaded', 'standby']));
    expect(h1()).toBe('One of three machines loaded, two on standby, pressure falling, all well.');
    expect(all('.rows li').map((e) => `${e.getAttribute('data-machine')} ${e.getAttribute('data-state')}`)).toEqual(['trim standby', 'base1 loaded', 'base2 standby']);
    expect(all('.rows [data-reading]').map((e) => `${e.getAttribute('data-reading')} ${e.textContent}`)).toEqual(['trim.out 104.0', 'base1.out 105.0', 'base2.out 106.0']);
    expect(all('.rows .must').length).toBe(2);
    expect(all('.rows a[aria-current]').map((e) => e.textContent)).toEqual(['trim']);
  });

  it('shows the machine that the address names in its lower half, and asks for its hour and figures', async () => {
    const site = siteOf(3);
    place.value = placeOf('#/?machine=base2');
    await show(site, viewOf(site, ['off', 'loaded', 'off']));
    expect(host.querySelector('#chosen-title')?.textContent).toBe('base2');
    expect(all('.rows a').map((e) => e.getAttribute('href'))).toEqual(['#/?machine=trim', '#/?machine=base1', '#/?machine=base2']);
    expect(asked.some((a) => a.includes('/series') && a.includes('base2.out'))).toBe(true);
  });

  it('says that there is no such machine', async () => {
    const site = siteOf(2);
    place.value = placeOf('#/?machine=comp9');
    expect(await show(site, viewOf(site, ['off', 'off']))).toContain('The site has no machine “comp9”: below is trim.');
    expect(await show(siteOf(1), viewOf(siteOf(1), ['off']))).toContain('The site has no machine “comp9”: this is trim.');
    place.value = placeOf('#/?machine=trim,base1'); // as Trace has several
    expect(await show(site, viewOf(site, ['off', 'off']))).not.toContain('The site has no machine');
  });

  it('announces each machine by itself, without running seconds', async () => {
    const site = siteOf(2);
    await show(site, viewOf(site, ['loaded', 'off']));
    expect(all('.visually-hidden [role=status]').map((e) => e.textContent)).toEqual(['', 'trim: loaded since 17:56:48.', 'base1: off since 17:56:48.']);
  });

  it('tells no present without contact', async () => {
    const site = siteOf(2);
    const text = await show(site, viewOf(site, ['loaded', 'off'], { connection: 'lost', heard: now - 60_000 }));
    expect(h1()).toBe('No machine has been seen since 17:59:00.');
    expect(text).not.toContain('all well');
    expect(all('.rows li').map((e) => e.getAttribute('data-state'))).toEqual(['unobserved', 'unobserved']);
    expect(all('.rows [data-reading]').map((e) => e.textContent)).toEqual(['(104.0)', '(105.0)']);
    expect(all('.visually-hidden [role=status]').map((e) => e.textContent)).toEqual(['No contact with loadscribe. Readings are old.', '', '']);
  });
});

describe('one machine', () => {
  it('says all well only when the record was asked too', async () => {
    const site = siteOf(1);
    vi.stubGlobal('fetch', () => Promise.reject(new TypeError('gone')));
    await show(site, viewOf(site, ['loaded']));
    expect(h1()).toBe('Loaded for 3 min 12 s, pressure falling.');
  });

  it('ends the sentence with all well, and counts starts where nothing is wrong', async () => {
    const site = siteOf(1);
    await show(site, viewOf(site, ['loaded']));
    expect(h1()).toBe('Loaded for 3 min 12 s, pressure falling, all well.');
    expect(host.querySelector('[data-answer="/api/v1/state"] data')?.getAttribute('data-at')).toBe('/machines/0/starts_last_hour');
  });

  it('says the starts that reach the limit once, as a sign', async () => {
    const site = siteOf(1);
    const text = await show(site, viewOf(site, ['loaded'], {}, { starts_last_hour: 6 }));
    expect(text.match(/Started 6 times in the last hour; the motor’s limit is 6\./g)?.length).toBe(1);
    expect(host.querySelector('[data-sign="starts trim"]')).not.toBeNull();
    expect(h1()).toBe('Loaded for 3 min 12 s, pressure falling.');
  });

  it('says that the site file names none', async () => {
    const site = { ...siteOf(1), machines: [], systems: [] };
    expect(await show(site, viewOf(site, []))).toContain('No machine is named in the site file.');
  });
});

describe('across the room', () => {
  it('has a machine’s state, pressure and verdict, and nothing to press but the way back', async () => {
    const site = siteOf(1);
    place.value = placeOf('#/?far=1');
    const text = await show(site, viewOf(site, ['standby']));
    expect(h1()).toBe('On standby for 3 min.');
    for (const part of ['104.0 psi, falling', 'May start without warning.', 'All well.']) expect(text).toContain(part);
    expect(all('a, button, summary, input').map((e) => e.textContent)).toEqual(['Back to the page']);
    expect(host.querySelector('a')?.getAttribute('href')).toMatch(/#\/$/);
    expect(live.hold).toHaveBeenCalledWith(false);
  });

  it('gathers several by what they do, with the pressure that the plant gets', async () => {
    const site = siteOf(3);
    place.value = placeOf('#/?far');
    const text = await show(site, viewOf(site, ['standby', 'loaded', 'standby']));
    expect(all('.board-rows li').map((e) => e.textContent)).toEqual(['Loaded: base1.', 'On standby, may start: trim, base2.']);
    expect(text).toContain('101.0 psi, falling');
    place.value = placeOf('#/?far=1&machine=base1');
    await show(site, viewOf(site, ['standby', 'loaded', 'standby']));
    expect(h1()).toBe('Loaded for 3 min.');
    expect(host.querySelector('a')?.getAttribute('href')).toMatch(/#\/\?machine=base1$/);
  });

  it('says what is wrong, the gravest first, and how much more there is', async () => {
    const site = siteOf(1);
    place.value = placeOf('#/?far');
    const v = viewOf(site, ['tripped'], {}, { starts_last_hour: 7 });
    v.readings.set('air.mains', good(80));
    await show(site, v);
    expect(host.querySelector('.board-wrong')?.textContent).toBe('trim was stopped by its controller for a fault. And two more.');
  });
});

describe('alarms', () => {
  const alarm = (change: Partial<StandingAlarm> = {}): StandingAlarm => ({
    id: '4', rule: 'air end hot', on: 'temperature', subject: 'trim', priority: 'high', text: 'discharge temperature of trim 226 °F, above 221 °F', since: '2026-11-25T17:00:00Z', since_at_least: false,
    raised: '2026-11-25T17:00:30Z', times: 1, returned: null, acknowledged: null, value: null, limit: null, unit: '', told: true, shelved_until: null, ...change,
  });

  it('does not say that all is well while one stands, or before it was heard whether one does', async () => {
    const site = siteOf(1);
    const view = viewOf(site, ['loaded']);
    await show(site, view, [alarm()]);
    expect(h1()).not.toContain('all well');
    render(null, host);
    const draw = () => render(<AtTheMachine live={live} site={site} view={view} alarms={undefined} />, host);
    await act(async () => { draw(); await new Promise((r) => setTimeout(r, 20)); draw(); });
    expect(h1()).not.toContain('all well');
    render(null, host);
    await show(site, view, [alarm({ returned: '2026-11-25T17:30:00Z' })]); // over, and yet to be acknowledged: the head names it
    expect(h1()).not.toContain('all well');
    render(null, host);
    await show(site, view, []);
    expect(h1()).toContain('all well');
  });

  it('tells of one across the room, where no head does', async () => {
    place.value = placeOf('#/?far=1');
    const site = siteOf(1);
    await show(site, viewOf(site, ['loaded']), [alarm()]);
    expect(host.querySelector('.board-wrong')?.textContent).toBe('Alarm: air end hot, trim.');
    render(null, host);
    await show(site, viewOf(site, ['loaded']), [alarm({ returned: '2026-11-25T17:30:00Z' })]);
    expect(host.querySelector('.board-wrong')).toBeNull(); // nothing is bad now, and yet not all is well
    expect(host.querySelector('.board-well')?.textContent).toBe('See the alarms.');
  });
});
