import { describe, expect, it } from 'vitest';
import type { Site, SiteMachine, SiteSystem, StateName } from '../api';
import type { View } from '../live/live';
import { emptyPicture, type Reading } from '../live/picture';
import { describe as inWords } from './describe';
import { layOut } from './layout';
import { makeScale } from './scale';
import { signs } from './signs';
import { edgeSide } from './section-text';
import { levels, passing, stations } from './stations';

const psi = 6894.757293168361;
const now = Date.UTC(2026, 10, 25, 18);

describe('scale of the section', () => {
  const scale = makeScale([100 * psi, 114 * psi, 90 * psi, 107 * psi], psi, 30, 370);

  it('keeps distances above the break true to each other', () => {
    const d = (a: number, b: number) => scale.y(a * psi) - scale.y(b * psi);
    expect(d(100, 107)).toBeCloseTo(7 * d(106, 107), 6);
    expect(d(90, 100)).toBeCloseTo(10 * d(106, 107), 6);
  });

  it('puts zero on the ground, higher pressure higher, and says where it is broken', () => {
    expect(scale.y(0)).toBe(370);
    let before = Infinity;
    for (let p = 0; p <= 120; p += 1) {
      expect(scale.y(p * psi)).toBeLessThanOrEqual(before);
      before = scale.y(p * psi);
    }
    expect(scale.breakY).toBeGreaterThan(scale.y(scale.bottomPa));
    expect(scale.ticks.map((t) => Math.round(t / psi))).toEqual([0, 80, 90, 100, 110, 120]);
  });

  it('is not broken when the pressures reach far down', () => {
    const whole = makeScale([10 * psi, 110 * psi], psi, 30, 370);
    expect(whole.breakY).toBeUndefined();
    expect(whole.y(55 * psi) - whole.y(110 * psi)).toBeCloseTo(whole.y(0) - whole.y(55 * psi), 6);
  });

  it('does not tremble with the last digit of a reading', () => {
    const at = (p: number) => makeScale([100 * psi, 114 * psi, 90 * psi, p * psi], psi, 30, 370).ticks;
    expect(at(107.1)).toEqual(at(107.4));
  });

  it('stands on its own without any pressure', () => expect(makeScale([], 1e5, 30, 370).ticks.length).toBeGreaterThan(2));
});

const channel = (id: string, role: string) => ({ id, device: id.split('.')[0], name: id.split('.')[1], role, unit: 'psi', quantity: 'pressure', si_scale: psi, si_offset: 0, absolute: false, period_ms: 1000, bit: false });
const machine = { name: 'comp1', control: 'load/unload', cut_in_pa: 100 * psi, cut_out_pa: 114 * psi, channels: { discharge_pressure: 'c.out', sump_pressure: 'c.sump' } } as SiteMachine;
const site = {
  timezone: 'UTC',
  lines: [{ name: 'bus', kind: 'modbus-tcp', where: '192.0.2.7:502' }],
  channels: [channel('c.out', 'discharge_pressure'), channel('c.sump', 'sump_pressure'), channel('i.rec', 'receiver_pressure')],
  machines: [machine],
  systems: [{ name: 'main', machines: ['comp1'], minimum_pressure_pa: 90 * psi, parts: [{ name: 'dryer', kind: 'dryer' }, { name: 'tank', kind: 'receiver' }], taps: [{ at: 'tank', pressure: 'i.rec' }] }],
} as unknown as Site;
const good = (value: number): Reading => ({ value, at: now - 200, reason: 'good' });

function view(readings: [string, Reading][], change: Partial<View> = {}): View {
  return { ...emptyPicture(), readings: new Map(readings), now, heard: now, connection: 'live', ...change };
}

describe('levels along the way', () => {
  const all: [string, Reading][] = [['c.out', good(108)], ['c.sump', good(112)], ['i.rec', good(106)]];
  const at = (v: View, air: 'yes' | 'no' | 'unknown') => levels(stations(site, v, machine), air).map((l) => (l ? `${Math.round(l.pa / psi)} ${l.known}` : '-'));

  it('takes measured places as measured and carries the others', () => {
    //                                       room          air end separator     cooler          dryer          tank            plant
    expect(at(view(all), 'yes')).toEqual(['0 measured', '-', '112 measured', '108 measured', '108 carried', '106 measured', '106 carried']);
  });

  it('marks all as old when contact is lost', () => {
    expect(at(view(all, { connection: 'lost' }), 'unknown').slice(2)).toEqual(['112 old', '108 old', '108 old', '106 old', '106 old']);
  });

  it('marks the place of a late device alone', () => {
    expect(at(view([['c.out', good(108)], ['i.rec', { value: 106, at: now - 9_000, reason: 'good' }]]), 'yes').slice(3)).toEqual(['108 measured', '108 carried', '106 old', '106 old']);
  });

  it('guesses nothing inside a machine that does not deliver', () => {
    expect(at(view([['i.rec', good(106)]]), 'no').slice(2, 5)).toEqual(['-', '-', '-']);
    expect(at(view([['i.rec', good(106)]]), 'yes')[3]).toBe('106 carried');
  });

  it('does not claim that air passes, or not, when the state is not known', () => {
    expect([passing('loaded'), passing('part-load'), passing('unloaded'), passing('standby'), passing('unobserved'), passing(undefined)]).toEqual(['yes', 'yes', 'no', 'no', 'unknown', 'unknown']);
  });

  it('says the same in words', () => {
    const say = (v: View, system: SiteSystem | undefined, state: StateName | undefined) => inWords(layOut(site, v, { machines: [machine], system }, [state], 'us', 1200), system, 'us');
    const text = say(view(all), site.systems[0], 'loaded');
    expect(text).toContain('separator 112.0 psi, cooler 108.0 psi, tank 106.0 psi');
    expect(text).toContain('loads at 100.0 psi and unloads at 114.0 psi');
    expect(text).toContain('Air passes into the system.');
    expect(say(view([]), undefined, undefined)).toContain('No live pressure reading');
  });
});

describe('signs', () => {
  const up = { device: 'c', line: 'bus', up: true, last_scan: null, reason: '', detail: '', round_trip_ms: 1, scans: 1, errors: {} };
  const line = { line: 'bus', up: true, detail: '' };

  it('shows none when all is well', () => {
    expect(signs(view([['c.out', good(1)]], { devices: new Map([['c', up]]), lines: new Map([['bus', line]]) }), site)).toEqual([]);
  });

  it('names a line that is down with its address, once, not each device on it', () => {
    const list = signs(view([], { devices: new Map([['c', { ...up, up: false, reason: 'port gone' }]]), lines: new Map([['bus', { line: 'bus', up: false, detail: 'connection refused' }]]) }), site);
    expect(list.map((s) => s.key)).toEqual(['line bus']);
    expect(list[0]?.what).toBe('Line bus (192.0.2.7:502) is down: connection refused.');
    expect(list[0]?.todo).not.toBe('');
  });

  it('says since when a device is silent', () => {
    const list = signs(view([], { devices: new Map([['c', { ...up, up: false, reason: 'timeout', last_scan: new Date(now - 49_000).toISOString() }]]) }), site);
    expect(list[0]?.what.replaceAll('\u00a0', ' ')).toBe('c has not answered since 17:59:11 (49 s): timeout.');
    expect(list[0]?.todo).toContain('unit id');
  });

  it('gathers late and unusable channels of a device that answers', () => {
    const late: Reading = { value: 1, at: now - 60_000, reason: 'good' };
    const list = signs(view([['c.out', late], ['c.sump', { ...late, reason: 'implausible' }]], { devices: new Map([['c', up]]) }), site);
    expect(list.map((s) => s.what)).toEqual(['c: readings are late (out).', 'c: sump cannot be used: implausible.']);
  });

  it('says lost contact alone, for nothing else is known then', () => {
    const list = signs(view([], { connection: 'lost', heard: now - 12_000, lines: new Map([['bus', { ...line, up: false }]]) }), site);
    expect(list.map((s) => s.key)).toEqual(['connection']);
  });

  it('tells of a clock behind the record, and of a damaged record', () => {
    const store = { ok: true, detail: '', mend: '', waiting_scans: 0, directory_bytes: 0, dropped_scans: 0, clock_set: true };
    expect(signs(view([], { store }), site, [])).toEqual([]);
    const loss = (time: string) => ({ seq: 1, time, kind: 'data_damaged', subject: 'c', text: '', data: {} });
    const list = signs(view([], { store: { ...store, record_to: new Date(now + 3 * 86_400_000).toISOString() } }), site,
      [loss(new Date(now - 60_000).toISOString()), loss(new Date(now - 86_400_000).toISOString())]);
    expect(list.map((s) => s.what)).toEqual([
      expect.stringMatching(/^This computer's clock is behind the record, which goes on until .+ \d\d:\d\d:\d\d\.$/),
      'Part of the record is damaged (told 17:59:00, 2 entries in the last days).',
    ]);
    expect(list[1]?.todo).toContain('another disk');
  });

  it('tells when readings are not saved', () => {
    const list = signs(view([], { store: { ok: false, detail: 'the disk is full', mend: 'Free space.', waiting_scans: 7, directory_bytes: 0, dropped_scans: 3, clock_set: false } }), site);
    expect(list[0]?.what).toBe('Readings are not being saved: the disk is full.');
    expect(list[0]?.todo).toMatch(/^Free space\. Recording goes on in memory/);
    expect(list[1]?.what).toContain('clock is not set');
  });
});

describe('the words of a band’s edge', () => {
  it('stand at its beginning, or at its end where a reading would lie on them', () => {
    const band: [number, number] = [50, 380];
    expect(edgeSide([{ x: 141, y: 220 }], band, 300)).toBe('start'); // another height
    expect(edgeSide([{ x: 200, y: 300 }], band, 300)).toBe('start'); // beside them
    expect(edgeSide([{ x: 141, y: 295 }], band, 300)).toBe('end'); // the sump's, on a phone
    expect(edgeSide([{ x: 141, y: 295 }, { x: 350, y: 305 }], band, 300)).toBe('start'); // no end is free
    expect(edgeSide([], band, 300)).toBe('start');
  });
});
