import { describe, expect, it } from 'vitest';
import type { MachineState, Site, StateName, StoreState } from '../api';
import type { View } from '../live/live';
import { emptyPicture, type Reading } from '../live/picture';
import { plantSentence, type Moment } from './sentence';
import { signs } from './signs';
import { allWell, plantSigns } from './wrong';

const psi = 6894.757293168361;
const now = Date.UTC(2026, 10, 25, 18);
const at: Moment = { now, heard: now - 300, connection: 'live', timeZone: 'UTC' };
const pressure = (id: string) => ({ id, device: 'io', name: 'mains', role: 'header_pressure', unit: 'psi', quantity: 'pressure', si_scale: psi, si_offset: 0, absolute: false, period_ms: 1000, bit: false });
const code = (id: string, faults?: Record<string, string>) => ({ id, device: id.split('.')[0], name: 'code', role: 'fault_code', unit: '1', quantity: 'plain', si_scale: 1, si_offset: 0, absolute: false, period_ms: 1000, bit: false, faults });
const site = {
  timezone: 'UTC', lines: [],
  channels: [pressure('io.mains'), code('c1.code', { 2: 'motor overload' }), code('dryer.code')],
  machines: [{ name: 'comp1', motor_starts_per_hour: 6, channels: { fault_code: 'c1.code' } }, { name: 'comp2', channels: {} }],
  systems: [{ name: 'main', machines: ['comp1', 'comp2'], minimum_pressure_pa: 90 * psi, pressure: 'io.mains', parts: [], taps: [{ at: 'mains', pressure: 'io.mains' }] }],
} as unknown as Site;
const state = (machine: string, s: StateName, change: Partial<MachineState> = {}): MachineState => ({ machine, state: s, since: new Date(now - 60_000).toISOString(), since_known: true, reason: '', method: '', starts_last_hour: 0, pressure_trend: 'rising', ...change });
const store: StoreState = { ok: true, detail: '', mend: '', waiting_scans: 0, directory_bytes: 0, dropped_scans: 0, clock_set: true };
const good = (value: number, age = 200): Reading => ({ value, at: now - age, reason: 'good' });
function view(readings: Record<string, Reading> = {}, machines = [state('comp1', 'loaded'), state('comp2', 'standby')], change: Partial<View> = {}): View {
  const all = { 'io.mains': good(97), 'c1.code': good(0), 'dryer.code': good(0), ...readings };
  return { ...emptyPicture(), readings: new Map(Object.entries(all)), machines: new Map(machines.map((m) => [m.machine, m])), store, now, heard: now, connection: 'live', ...change };
}
const what = (v: View) => plantSigns(v, site, 'us').map((s) => s.what.replaceAll('\u00a0', ' '));
const well = (v: View, known = true) => allWell(v, site, [...plantSigns(v, site, 'us'), ...signs(v, site)], known);

describe('what is wrong with the plant', () => {
  it('names nothing while nothing is wrong, and only then is all well', () => {
    expect(what(view())).toEqual([]);
    expect(well(view())).toBe(true);
  });

  it.each<[string, View, string]>([
    ['pressure', view({ 'io.mains': good(88.4) }), 'The pressure is below its minimum: 88.4 psi at the mains, and it needs 90.0 psi.'],
    ['a fault with its text', view({ 'c1.code': good(2) }), 'comp1 reports a fault: motor overload (code 2).'],
    ['a fault of a device that is no machine', view({ 'dryer.code': good(7) }), 'dryer reports a fault: code 7.'],
    ['a trip', view({ 'c1.code': good(2) }, [state('comp1', 'tripped'), state('comp2', 'off')]), 'comp1 was stopped by its controller: motor overload (code 2).'],
    ['a trip without a code', view({}, [state('comp1', 'loaded'), state('comp2', 'tripped')]), 'comp2 was stopped by its controller for a fault.'],
    ['starts at the limit', view({}, [state('comp1', 'loaded', { starts_last_hour: 6 }), state('comp2', 'off')]), 'comp1: Started 6 times in the last hour; the motor’s limit is 6.'],
  ])('tells of %s, and then all is not well', (_, v, want) => {
    expect(what(v)).toEqual([want]);
    expect(well(v)).toBe(false);
    expect(plantSigns(v, site, 'us')[0]?.todo).not.toBe('');
  });

  it('judges nothing of old readings, but says that they are late', () => {
    const v = view({ 'io.mains': good(60, 20_000), 'c1.code': good(2, 20_000) });
    expect(what(v)).toEqual([]);
    expect(well(v)).toBe(false);
  });

  it('shows the least pressure in the reader’s units', () => {
    expect(plantSigns(view({ 'io.mains': good(88.4) }), site, 'si')[0]?.what).toContain('6.09 bar at the mains, and it needs 6.21 bar');
  });

  it.each<[string, View, boolean]>([
    ['no contact', view({}, undefined, { connection: 'lost' }), true],
    ['a machine that is not seen', view({}, [state('comp1', 'loaded'), state('comp2', 'unobserved')]), true],
    ['a machine of which nothing came', view({}, [state('comp1', 'loaded')]), true],
    ['no word on whether readings are saved', view({}, undefined, { store: undefined }), true],
    ['readings that are not saved', view({}, undefined, { store: { ...store, ok: false } }), true],
    ['a record not yet asked for losses', view(), false],
  ])('does not call all well with %s', (_, v, known) => expect(well(v, known)).toBe(false));
});

describe('the plant in a sentence', () => {
  it.each<[StateName[], boolean, string]>([
    [['loaded', 'standby', 'standby'], true, 'One of three machines loaded, two on standby, pressure rising, all well.'],
    [['standby', 'loaded'], false, 'One of two machines loaded, one on standby, pressure rising.'],
    [['loaded', 'loaded'], true, 'Both machines loaded, pressure rising, all well.'],
    [['off', 'off', 'off', 'off'], true, 'All four machines off, pressure rising, all well.'],
    [['tripped', 'unloaded', 'loaded'], false, 'One of three machines loaded, one running unloaded, one tripped, pressure rising.'],
  ])('%o', (states, good, want) => expect(plantSentence(states.map((s, i) => state(`m${i}`, s)), at, good).text).toBe(want));

  it('says a trend only when all say it', () => {
    expect(plantSentence([state('a', 'loaded'), state('b', 'loaded', { pressure_trend: 'falling' })], at, false).text).toBe('Both machines loaded.');
    expect(plantSentence([state('a', 'loaded'), state('b', 'loaded', { pressure_trend: 'unknown' })], at, false).text).toBe('Both machines loaded, pressure rising.');
  });

  it('never tells an old state as the present', () => {
    expect(plantSentence([state('a', 'loaded')], { ...at, connection: 'lost', heard: now - 60_000 }, false)).toMatchObject({ text: 'No machine has been seen since 17:59:00.', live: false });
    expect(plantSentence([undefined, undefined], at, false)).toMatchObject({ text: 'Both machines not observed.', live: false });
  });
});
