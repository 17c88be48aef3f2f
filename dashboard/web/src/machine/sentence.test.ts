import { describe, expect, it } from 'vitest';
import type { MachineState } from '../api';
import { plain } from './said';
import { announcement, farLines, farSentence, sentence, starts, type Moment } from './sentence';

const now = Date.UTC(2026, 10, 25, 18);
const at: Moment = { now, heard: now - 300, connection: 'live', timeZone: 'America/Chicago' };
const ago = (s: number) => new Date(now - s * 1000).toISOString();
const machine = (change: Partial<MachineState>): MachineState => ({
  machine: 'comp1', state: 'loaded', since: ago(192), since_known: true, reason: '', method: 'bits', starts_last_hour: 2, pressure_trend: 'rising', ...change,
});
const say = (change: Partial<MachineState>, moment = at) => sentence(machine(change), moment).text.replaceAll('\u00a0', ' ');

describe('sentence', () => {
  it.each<[Partial<MachineState>, string]>([
    [{}, 'Loaded for 3 min 12 s, pressure rising.'],
    [{ pressure_trend: 'unknown' }, 'Loaded for 3 min 12 s.'],
    [{ state: 'unloaded', pressure_trend: 'falling' }, 'Running unloaded for 3 min 12 s, pressure falling.'],
    [{ state: 'part-load', pressure_trend: 'steady' }, 'Part loaded for 3 min 12 s, pressure steady.'],
    [{ since_known: false }, 'Loaded for at least 3 min 12 s, pressure rising.'],
    [{ since: null, since_known: false }, 'Loaded, pressure rising.'],
    [{ state: 'starting', since: ago(4), pressure_trend: 'unknown' }, 'Starting for 4 s.'],
    [{ state: 'off', pressure_trend: 'falling' }, 'Off since 11:56:48, pressure falling.'],
    [{ state: 'off', since_known: false, pressure_trend: 'steady' }, 'Off for at least 3 min 12 s, pressure steady.'],
    [{ state: 'tripped', since_known: false }, 'Tripped for at least 3 min 12 s.'],
    [{ state: 'tripped' }, 'Tripped at 11:56:48, 3 min 12 s ago.'],
    [{ state: 'unobserved', reason: 'timeout' }, 'Not observed since 11:56:48.'],
    [{ state: 'unobserved', since: null }, 'Not observed: what it does is not known.'],
  ])('%o', (change, want) => expect(say(change)).toBe(want));

  it('warns where the machine may start by itself', () => {
    for (const state of ['standby', 'stopped', 'unobserved'] as const) {
      expect(sentence(machine({ state }), at).note).toContain('may start without warning');
    }
    expect(sentence(machine({ state: 'off' }), at).note).toBe('');
  });

  it('never tells an old state as the present', () => {
    const lost: Moment = { ...at, connection: 'lost', heard: now - 60_000 };
    const s = sentence(machine({}), lost);
    expect(s.text).toBe('Last seen loaded at 11:59:00.');
    expect(s.live).toBe(false);
    expect(sentence(undefined, { ...lost, heard: 0 }).text).toBe('Waiting for the first readings.');
  });

  it.each<[string, number, number | undefined, number | undefined, string]>([
    ['a whole hour', 6, 6, 3_600_000, 'Started 6 times in the last hour; the motor’s limit is 6.'],
    ['once', 1, undefined, 3_590_000, 'Started once in the last hour.'],
    ['none', 0, undefined, 3_600_000, 'No start in the last hour.'],
    ['none in the little that was seen', 0, 6, 40_000, 'No start in the 40 s observed of the last hour.'],
    ['some in a part', 2, 6, 1_200_000, 'Started at least 2 times in the last hour, of which 20 min 0 s were observed; the motor’s limit is 6.'],
    ['not known yet how much was seen', 0, 6, undefined, ''],
    ['some, and not known yet', 2, undefined, undefined, 'Started 2 times in the last hour.'],
  ])('counts starts in words: %s', (_, n, limit, observed, want) => {
    expect(plain(starts(machine({ starts_last_hour: n }), { index: 0, limit }, observed)).replaceAll('\u00a0', ' ')).toBe(want);
  });

  it('announces the same words while nothing changes', () => {
    const later = { ...at, now: now + 5_000, heard: now + 5_000 };
    expect(announcement('comp1', machine({}), later)).toBe(announcement('comp1', machine({}), at));
    expect(announcement('comp1', machine({ state: 'unloaded' }), at)).not.toBe(announcement('comp1', machine({}), at));
  });
});

describe('all well, and from afar', () => {
  it('ends the sentence with it', () => {
    expect(sentence(machine({}), at, true).text.replaceAll('\u00a0', ' ')).toBe('Loaded for 3 min 12 s, pressure rising, all well.');
    expect(sentence(machine({}), { ...at, connection: 'lost' }, true).text).not.toContain('well');
  });

  it.each<[Partial<MachineState>, string, boolean]>([
    [{}, 'Loaded for 3 min.', false],
    [{ since: ago(45) }, 'Loaded for 45 s.', false],
    [{ state: 'unloaded', since: ago(7_500), since_known: false }, 'Running unloaded for at least 2 h 5 min.', false],
    [{ state: 'standby' }, 'On standby for 3 min.', true],
    [{ state: 'unobserved', since_known: false }, 'Not observed for 3 min.', true],
  ])('in few words: %o', (change, want, mayStart) => {
    expect({ ...farSentence(machine(change), at), text: farSentence(machine(change), at).text.replaceAll('\u00a0', ' ') }).toEqual({ state: machine(change).state, text: want, mayStart });
  });

  it('gathers several machines by what they do', () => {
    const lines = (states: MachineState['state'][], moment = at) => farLines(states.map((s, i) => ({ name: `m${i}`, state: machine({ state: s }) })), moment).map((l) => l.text);
    expect(lines(['standby', 'loaded', 'standby'])).toEqual(['Loaded: m1.', 'On standby, may start: m0, m2.']);
    expect(lines(['off', 'off', 'off'])).toEqual(['Off: all three.']);
    expect(lines(['loaded', 'loaded'])).toEqual(['Loaded: m0, m1.']);
    expect(lines(['loaded', 'loaded', 'off'], { ...at, connection: 'lost' })).toEqual(['Not observed, may start: all three.']);
  });

  it('knows no present without contact', () => {
    expect(farSentence(machine({}), { ...at, connection: 'lost' })).toMatchObject({ state: 'unobserved', mayStart: true });
  });
});
