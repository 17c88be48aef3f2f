// The sentence first: what the machine is doing and since when. Pure text, so
// that each wording can be tested.
import type { MachineState, StateName } from '../api';
import type { Connection } from '../live/socket';
import { hourMs } from '../live/hour';
import { capital, reasonWords } from '../look/words';
import { duration, when } from '../units/words';
import type { Told, Words } from './said';

export interface Moment {
  now: number;
  heard: number;
  connection: Connection;
  timeZone: string;
}

export interface Sentence {
  /** the big line */
  text: string;
  /** a line below for what matters beside it, or empty */
  note: string;
  /** false when the state is not known to hold now */
  live: boolean;
}

/** The word for a state, as a person would say it. */
export const stateWord: Record<StateName, string> = {
  loaded: 'loaded',
  'part-load': 'part loaded',
  unloaded: 'running unloaded',
  starting: 'starting',
  standby: 'on standby',
  stopped: 'stopped',
  off: 'off',
  tripped: 'tripped',
  unobserved: 'not observed',
};

function since(m: MachineState, at: Moment): string {
  if (m.since === null) return '';
  const ms = at.now - Date.parse(m.since);
  return m.since_known ? ` for ${duration(ms)}` : ` for at least ${duration(ms)}`;
}

/** The trend is told over so long: in a younger state it is partly that of the state before. */
const trendMs = 20_000;

function trend(m: MachineState, at: Moment): string {
  const young = m.since !== null && m.since_known && at.now - Date.parse(m.since) < trendMs;
  return young || m.pressure_trend === 'unknown' ? '' : `, pressure ${m.pressure_trend}`;
}

const mayStart = 'It may start without warning.';

function text(m: MachineState, at: Moment): string {
  const start = m.since === null ? undefined : Date.parse(m.since);
  switch (m.state) {
    case 'tripped':
      if (start !== undefined && !m.since_known) return `Tripped${since(m, at)}.`;
      return start === undefined ? 'Tripped.' : `Tripped at ${when(start, at.now, at.timeZone)}, ${duration(at.now - start)} ago.`;
    case 'off':
      if (start !== undefined && !m.since_known) return `Off${since(m, at)}${trend(m, at)}.`;
      return start === undefined ? 'Off.' : `Off since ${when(start, at.now, at.timeZone)}${trend(m, at)}.`;
    case 'unobserved':
      return start === undefined
        ? 'Not observed: what it does is not known.'
        : `Not observed since ${when(start, at.now, at.timeZone)}.`;
    default:
      return `${capital(stateWord[m.state])}${since(m, at)}${trend(m, at)}.`;
  }
}

function remark(m: MachineState): string {
  switch (m.state) {
    case 'standby':
      return mayStart;
    case 'stopped':
      return `${mayStart} Its controller does not tell standby from off.`;
    case 'unobserved':
      return m.reason ? `Reason: ${reasonWords(m.reason)}. ${mayStart}` : mayStart;
    default:
      return '';
  }
}

/** What to say of a machine now. An old state is said to be old. well: nothing is wrong that the page can know. */
export function sentence(m: MachineState | undefined, at: Moment, well = false): Sentence {
  if (at.connection !== 'live') {
    const known = m && m.state !== 'unobserved' ? `Last seen ${stateWord[m.state]}` : 'Nothing seen';
    const text = at.heard > 0 ? `${known} at ${when(at.heard, at.now, at.timeZone)}.` : 'Waiting for the first readings.';
    return { text, note: at.heard > 0 ? 'What it does now is not known here.' : '', live: false };
  }
  if (!m) return { text: 'Nothing is known of this machine yet.', note: '', live: false };
  return { text: well ? text(m, at).replace(/\.$/, ', all well.') : text(m, at), note: remark(m), live: m.state !== 'unobserved' };
}

interface FarSentence {
  state: StateName;
  text: string;
  mayStart: boolean;
}

/** "3 min": seconds cannot be read from afar before they are gone. */
const coarse = (ms: number): string => (ms < 60_000 ? duration(ms) : duration(ms).replace(/\u00a0min\u00a0\d+\u00a0s$/, '\u00a0min'));

/** The sentence in few words, for across the room. */
export function farSentence(m: MachineState | undefined, at: Moment): FarSentence {
  if (at.connection !== 'live' || !m) return { state: 'unobserved', text: sentence(m, at).text, mayStart: true };
  const word = capital(stateWord[m.state]);
  const for_ = m.since === null ? '' : ` for ${m.since_known || m.state === 'unobserved' ? '' : 'at least '}${coarse(at.now - Date.parse(m.since))}`;
  return { state: m.state, text: `${word}${for_}.`, mayStart: remark(m) !== '' };
}

const counted = ['no', 'one', 'two', 'three', 'four', 'five', 'six', 'seven', 'eight', 'nine', 'ten', 'eleven', 'twelve'];
/** A small number in words. */
export const number = (n: number): string => counted[n] ?? String(n);

/** The order in which a plant's states are told: who delivers first. */
const told: StateName[] = ['loaded', 'part-load', 'starting', 'unloaded', 'standby', 'stopped', 'off', 'tripped', 'unobserved'];

/** What several machines do, for across the room: "On standby, may start: trim, base2." A line for each state. */
export function farLines(machines: { name: string; state: MachineState | undefined }[], at: Moment): { state: StateName; text: string }[] {
  const says = machines.map((m) => ({ name: m.name, ...farSentence(m.state, at) }));
  return told.flatMap((state) => {
    const own = says.filter((s) => s.state === state);
    if (own.length === 0) return [];
    const who = own.length === machines.length && own.length > 2 ? `all ${number(own.length)}` : own.map((s) => s.name).join(', ');
    return [{ state, text: `${capital(stateWord[state])}${own.some((s) => s.mayStart) ? ', may start' : ''}: ${who}.` }];
  });
}

/** "Two of three machines loaded, one on standby, pressure rising, all well." */
export function plantSentence(machines: (MachineState | undefined)[], at: Moment, well: boolean): Sentence {
  if (at.connection !== 'live') {
    return { text: at.heard > 0 ? `No machine has been seen since ${when(at.heard, at.now, at.timeZone)}.` : 'Waiting for the first readings.', note: at.heard > 0 ? 'What they do now is not known here.' : '', live: false };
  }
  const states = machines.map((m) => m?.state ?? 'unobserved');
  const groups = told.map((s) => ({ word: stateWord[s], n: states.filter((x) => x === s).length })).filter((g) => g.n > 0);
  const [first, ...rest] = groups;
  if (!first) return { text: 'No machine is named in the site file.', note: '', live: false };
  const head = rest.length === 0
    ? `${first.n === 2 ? 'Both' : `All ${number(first.n)}`} machines ${first.word}`
    : `${capital(number(first.n))} of ${number(states.length)} machines ${first.word}, ${rest.map((g) => `${number(g.n)} ${g.word}`).join(', ')}`;
  // Each machine has its own gauge: only what all say is said of the plant.
  const trends = [...new Set(machines.map((m) => m?.pressure_trend ?? 'unknown').filter((t) => t !== 'unknown'))];
  return { text: `${head}${trends.length === 1 ? `, pressure ${trends[0]}` : ''}${well ? ', all well' : ''}.`, note: '', live: states.some((s) => s !== 'unobserved') };
}

/** For the live region: without running seconds, so that it speaks on changes only. Nothing while there is no contact. */
export function announcement(name: string, m: MachineState | undefined, at: Moment): string {
  if (at.connection !== 'live' || !m) return '';
  const since = m.since_known ? 'since' : 'since at least';
  const start = m.since === null ? '' : ` ${since} ${when(Date.parse(m.since), at.now, at.timeZone)}`;
  return `${name}: ${stateWord[m.state]}${start}.`;
}

/** So little of an hour unobserved, a hundredth, is not worth a word, ms. */
const slackMs = 36_000;

/** Where a machine's own numbers stand in the answers; index as the site lists it. */
export interface Place {
  index: number;
  limit: number | undefined;
}

const count = (m: MachineState, at: Place): Told => ({ value: m.starts_last_hour, answer: '/api/v1/state', at: `/machines/${at.index}/starts_last_hour`, shown: String(m.starts_last_hour) });

/**
 * "Started 6 times in the last hour; the limit is 6." Of an hour that was observed
 * in part only that part is spoken of; while that is not known yet, nothing is.
 */
export function starts(m: MachineState, at: Place, observedMs: number | undefined): Words {
  const n = m.starts_last_hour;
  if (n === 0 && observedMs === undefined) return [];
  const part = observedMs !== undefined && observedMs < hourMs - slackMs ? duration(observedMs) : '';
  const end: Words = at.limit === undefined ? ['.']
    : ['; the motor’s limit is ', { value: at.limit, answer: '/api/v1/site', at: `/machines/${at.index}/motor_starts_per_hour`, shown: String(at.limit) }, '.'];
  if (n === 0) return part ? [`No start in the ${part} observed of the last hour.`] : ['No start in the last hour', ...end];
  const times: Words = n === 1 ? ['once'] : [count(m, at), ' times'];
  return part ? ['Started at least ', ...times, ` in the last hour, of which ${part} were observed`, ...end] : ['Started ', ...times, ' in the last hour', ...end];
}
