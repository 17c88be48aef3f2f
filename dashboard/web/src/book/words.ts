// What the service book says, as pure text, so that each wording can be tested.
import type { Event, Fault } from '../api';
import { capital } from '../look/words';
import { clockMinute, day, duration, localDate, when } from '../units/words';

/** What an entry is about: its word, its shape, and by which filter it is found. */
export type Sort = 'fault' | 'trip' | 'motor' | 'load' | 'gap' | 'line' | 'setup' | 'counter' | 'agent' | 'note' | 'alarm' | 'other';

export function sortOf(e: Event): Sort {
  switch (e.kind) {
    case 'fault':
      return 'fault';
    case 'note':
    case 'spot_reading':
    case 'hookup':
    case 'calibration':
      return 'note';
    case 'config_changed':
    case 'levels':
    case 'sign_in':
      return 'setup';
    case 'alarm':
      return 'alarm';
    case 'line_down':
    case 'line_up':
    case 'line_wedged':
    case 'device_down':
    case 'device_up':
      return 'line';
    case 'counter_reset':
    case 'counter_wrapped':
      return 'counter';
    case 'agent_started':
    case 'agent_stopped':
    case 'agent_broke_off':
    case 'clock_step':
    case 'clock_behind':
    case 'data_damaged':
    case 'store_down':
    case 'store_up':
    case 'clock_not_set':
    case 'clock_set':
    case 'computer_slept':
    case 'scans_dropped':
    case 'raw_dropped':
    case 'backup_made':
    case 'keeping_failed':
      return 'agent';
    case 'state':
      switch (e.data.change) {
        case 'trip':
          return 'trip';
        case 'start':
        case 'stop':
          return 'motor';
        case 'lost':
        case 'found':
          return 'gap';
        default:
          return 'load';
      }
    default:
      return 'other';
  }
}

export const sortWord: Record<Sort, string> = {
  fault: 'Fault', trip: 'Trip', motor: 'Motor', load: 'Load', gap: 'Not read', line: 'Line', setup: 'Set-up',
  counter: 'Counter', agent: 'Recording', note: 'Note', alarm: 'Alarm', other: 'Other',
};

/** An entry's word. */
export function wordOf(e: Event): string {
  return e.kind.startsWith('device_') ? 'Device' : sortWord[sortOf(e)];
}

export interface Filter {
  key: string;
  title: string;
  kinds: string[];
  changes: string[];
}

/** The book's filters, in words. The first is what it opens with. */
export const filters: Filter[] = [
  { key: 'all', title: 'What stands out', kinds: [], changes: ['trip'] },
  { key: 'faults', title: 'Faults', kinds: ['fault', 'state'], changes: ['trip'] },
  { key: 'alarms', title: 'Alarms', kinds: ['alarm'], changes: [] },
  { key: 'motor', title: 'Starts and stops', kinds: ['state'], changes: ['start', 'stop', 'trip'] },
  { key: 'state', title: 'Every load and unload', kinds: ['state'], changes: [] },
  { key: 'lines', title: 'Lines and recording', kinds: ['line_down', 'line_up', 'line_wedged', 'loop_wedged', 'device_down', 'device_up', 'agent_started', 'agent_stopped', 'agent_broke_off', 'clock_step', 'clock_behind', 'clock_not_set', 'clock_set', 'computer_slept', 'data_damaged', 'store_down', 'store_up', 'scans_dropped', 'raw_dropped', 'backup_made', 'keeping_failed'], changes: [] },
  { key: 'setup', title: 'Set-up', kinds: ['config_changed', 'levels', 'counter_reset', 'counter_wrapped', 'sign_in'], changes: [] },
  { key: 'notes', title: 'Notes', kinds: ['note', 'hookup', 'spot_reading', 'calibration'], changes: [] },
];

const some = (n: number, one: string, many: string) => `${n === 0 ? 'no' : n} ${n === 1 ? one : many}`;

export function faultName(f: Fault): string {
  return f.text ? capital(f.text) : `Fault code ${f.code}`;
}

/** A sentence with a moment in it: how long ago that was is told as a time. */
export interface Told {
  lead: string;
  /** RFC 3339 */
  at?: string;
  ago: string;
  end: string;
}

/** The sentence first: whether a fault stands, and when the last one came. */
export function bookSentence(faults: Fault[], now: number): Told {
  const on = faults.filter((f) => f.on);
  const stands = on[0];
  const ago = (at: string) => ({ at, ago: `${duration(now - Date.parse(at))} ago`, end: '.' });
  if (stands) {
    const others = on.length > 1 ? ` and ${some(on.length - 1, 'other fault', 'other faults')}` : '';
    const lead = `${faultName(stands)}${others} ${others ? 'stand' : 'stands'} since `;
    return stands.last === null ? { lead: `${lead}before these days`, ago: '', end: '.' } : { lead, ...ago(stands.last) };
  }
  const last = faults.find((f) => f.last !== null);
  if (!last?.last) return { lead: noneCame(faults), ago: '', end: '.' };
  return { lead: `No fault stands; the last was ${lower(faultName(last))}, `, ...ago(last.last) };
}

/** What is said where no fault came: one that had come before was on all the same. */
export function noneCame(faults: Fault[]): string {
  const [first] = faults;
  if (!first) return 'No fault was seen in these days';
  const others = faults.length > 1 ? ` and ${some(faults.length - 1, 'other fault', 'other faults')}` : '';
  return `No fault came in these days; ${lower(faultName(first))}${others} had come before and ${others ? 'were' : 'was'} on in them`;
}

const lower = (s: string) => (/^[A-Z][a-z]/.test(s) ? s.charAt(0).toLowerCase() + s.slice(1) : s);

/** Below it: how many of what the drawn days held, which may be fewer than those that the faults are of. */
export function counted(week: Event[]): [number, string][] {
  const count = (f: (e: Event) => boolean) => week.filter(f).length;
  const some = (n: number, one: string, many: string): [number, string] => [n, n === 1 ? one : many];
  const changes = count(setupChanged);
  const first = changes === 0 && week.some((e) => e.kind === 'config_changed');
  return [
    ...[
      some(count((e) => e.kind === 'data_damaged'), 'loss of data', 'losses of data'),
      some(count((e) => e.kind === 'store_down'), 'disk trouble', 'disk troubles'),
      some(count((e) => e.kind === 'agent_broke_off'), 'break of recording', 'breaks of recording'),
      some(count((e) => e.kind === 'scans_dropped'), 'loss of readings to a full disk', 'losses of readings to a full disk'),
    ].filter(([n]) => n > 0),
    some(count((e) => e.kind === 'fault' && e.data.state === 'raised'), 'fault', 'faults'),
    some(count((e) => e.data.change === 'start'), 'start', 'starts'),
    some(count((e) => e.kind === 'line_down' || e.kind === 'device_down'), 'line trouble', 'line troubles'),
    // A first set-up is no change, and yet the book has it.
    first ? [0, 'change to the first set-up'] : some(changes, 'change to the set-up', 'changes to the set-up'),
    some(count((e) => e.kind === 'note'), 'note', 'notes'),
  ];
}

/** From when on every reading is there, and what was dropped before; empty while nothing was. */
export function keptSentence(rawFrom: number | undefined, week: Event[], now: number, days: number, timeZone: string): string {
  if (rawFrom === undefined) return '';
  const gone = week.filter((e) => e.kind === 'raw_dropped').length;
  const lately = gone > 0 ? `, ${gone === 1 ? 'one day' : `${gone} days`} of it in these ${days} days` : '';
  return ` Single readings are kept from ${when(rawFrom, now, timeZone)} on; what is older was dropped as the site file asks (keep_raw)${lately}, and its figures and curves stay.`;
}

/** What was not observed is no proof of quiet: said where it is a share worth saying. */
export function observedSentence(observedMs: number, days: number): string {
  const share = observedMs / (days * 86_400_000);
  return share >= 0.995 ? '' : ` Observed were ${duration(observedMs)} of them.`;
}

/** A file that was there before says something else, or is gone. */
export function setupChanged(e: Event): boolean {
  return e.kind === 'config_changed' && Boolean(e.data.file) && e.data.before !== '';
}

export interface Day {
  date: string;
  title: string;
  events: Event[];
}

/** Entries by local day, in the order given. */
export function byDay(events: Event[], now: number, timeZone: string): Day[] {
  const days: Day[] = [];
  for (const e of events) {
    const at = Date.parse(e.time);
    const date = localDate(at, timeZone);
    let last = days.at(-1);
    if (last?.date !== date) {
      last = { date, title: dayTitle(at, now, timeZone), events: [] };
      days.push(last);
    }
    last.events.push(e);
  }
  return days;
}

function dayTitle(ms: number, now: number, timeZone: string): string {
  const date = localDate(ms, timeZone);
  const shown = day(ms, timeZone) + (date.slice(0, 4) === localDate(now, timeZone).slice(0, 4) ? '' : ` ${date.slice(0, 4)}`);
  if (date === localDate(now, timeZone)) return `Today, ${shown}`;
  if (date === localDate(now - 86_400_000, timeZone)) return `Yesterday, ${shown}`;
  return shown;
}

/** An entry's text; the first letter is a capital, as in a book. */
export function entryText(e: Event): string {
  if (e.kind === 'config_changed' && e.data.changes) return `${e.data.file ?? ''} has changed.`;
  return /^[a-z]+ /.test(e.text) && !e.text.startsWith(`${e.subject} `) ? capital(e.text) : e.text;
}

/** The subject, where the text does not name it. */
export function entrySubject(e: Event): string {
  return e.text.includes(e.subject) ? '' : e.subject;
}

/** The Unix time of a local date and time, "2026-11-25T10:40", in a zone. */
export function siteTime(local: string, timeZone: string): number | undefined {
  const m = /^(\d{4}-\d\d-\d\d)T(\d\d:\d\d)$/.exec(local);
  const wanted = m ? Date.parse(`${local}:00Z`) : NaN;
  if (Number.isNaN(wanted)) return undefined;
  // The zone's distance at the time wanted; a second look serves the hours
  // around a change of clocks.
  let ms = wanted;
  for (let i = 0; i < 2; i++) ms += wanted - Date.parse(`${localDate(ms, timeZone)}T${clockMinute(ms, timeZone)}:00Z`);
  return ms;
}
