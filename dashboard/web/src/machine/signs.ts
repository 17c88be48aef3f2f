// Plain signs: what is wrong with the readings and what to do about it.
import type { Event, Site } from '../api';
import type { View } from '../live/live';
import { isFresh } from '../live/picture';
import { reasonWords, sentence } from '../look/words';
import { duration, when } from '../units/words';
import type { Words } from './said';

export interface Sign {
  key: string;
  what: string;
  /** the same with its numbers marked, where they are the API's */
  words?: Words;
  todo: string;
  /** in few words, for the page that is read from across the room */
  brief?: string;
}

const advice: Record<string, string> = {
  timeout: 'Check that it has power, that its cable is in, and that its unit id and serial settings are those of the site file.',
  'bad checksum': 'Answers come damaged: check the cable, its screen and termination, and the serial settings.',
  'device exception': 'It refuses the request: check the register map against its manual.',
  implausible: 'The value is outside the range in the register map: check the sensor, then scale and type in the map.',
  'no value': 'The device says that it has no value: check the sensor.',
  'port gone': 'Check the adapter or network cable. loadscribe opens the line again by itself.',
  'wrong answer': 'Something else answers or speaks on this line: check unit ids, and that nothing else polls it.',
  'line busy': 'Another master polls this line; loadscribe stays silent on it. Free the line or use another one.',
  'sensor fault': 'The sensor loop reports a fault: check its wiring.',
  'wrong map': 'The map does not fit this device: choose another map or correct it.',
  dropped: 'Read but not stored: see the sign about storage.',
};

const otherwise = 'Run “loadscribe check” and look at the agent’s log.';

function ago(at: string | null, view: View, zone: string): string {
  if (at === null) return 'has not answered yet';
  const ms = Date.parse(at);
  return `has not answered since ${when(ms, view.now, zone)} (${duration(view.now - ms)})`;
}

/** All signs, the most fundamental first; those that follow from another are left out. */
export function signs(view: View, site: Site | null, losses: Event[] = []): Sign[] {
  const zone = site?.timezone ?? 'UTC';
  if (view.connection !== 'live') {
    const since = view.heard > 0 ? ` for ${duration(view.now - view.heard)}` : '';
    return [{
      key: 'connection',
      what: `No contact with loadscribe${since}.`,
      todo: 'Check that its computer is on and that this device is on the network. The page tries again by itself.',
    }];
  }
  const out: Sign[] = [];
  const store = view.store;
  if (store && !store.ok) {
    out.push({ key: 'store', what: `Readings are not being saved: ${store.detail || 'the disk does not take them'}.`, brief: 'Readings are not being saved.', todo: `${store.mend} Recording goes on in memory and is saved when the disk takes it; if that takes many hours, the oldest are lost.`.trim() });
  }
  if (store && !store.clock_set) {
    out.push({ key: 'clock', what: "This computer's clock is not set: times are wrong.", todo: 'Connect it to the network or set its clock. Times of readings taken before are corrected then.' });
  }
  if (store?.record_to) {
    out.push({ key: 'clock behind', what: `This computer's clock is behind the record, which goes on until ${when(Date.parse(store.record_to), view.now, zone)}.`, todo: 'If the clock is wrong, set it. If it is right, it was ahead in an earlier run, and those readings have times that are too late.' });
  }
  const last = losses[0];
  if (last) {
    const more = losses.length > 1 ? `, ${losses.length} entries in the last days` : '';
    out.push({ key: 'damage', what: `Part of the record is damaged (told ${when(Date.parse(last.time), view.now, zone)}${more}).`, todo: 'What is lost is in the service book, under “Lines and recording”. Copy the data directory to another disk: this one may be failing.' });
  }
  const downLines = new Set<string>();
  for (const line of view.lines.values()) {
    if (line.up) continue;
    downLines.add(line.line);
    const where = site?.lines.find((l) => l.name === line.line)?.where;
    out.push({ key: `line ${line.line}`, what: `Line ${line.line}${where ? ` (${where})` : ''} is down${line.detail ? `: ${line.detail}` : ''}.`, todo: 'Check the cable and the power at its far end. loadscribe opens it again by itself.', brief: `Line ${line.line} is down.` });
  }
  const downDevices = new Set<string>();
  for (const d of view.devices.values()) {
    if (d.up) continue;
    downDevices.add(d.device);
    if (downLines.has(d.line)) continue;
    out.push({ key: `device ${d.device}`, what: `${d.device} ${ago(d.last_scan, view, zone)}${d.reason ? `: ${reasonWords(d.reason)}` : ''}.`, todo: d.detail ? sentence(d.detail) : (advice[d.reason] ?? otherwise), brief: `${d.device} does not answer.` });
  }
  out.push(...channelSigns(view, site, downDevices));
  return out;
}

/** Channels without a live value although their device answers, gathered by device and reason. */
function channelSigns(view: View, site: Site | null, down: Set<string>): Sign[] {
  const by = new Map<string, { device: string; reason: string; names: string[] }>();
  for (const c of site?.channels ?? []) {
    const reading = view.readings.get(c.id);
    if (down.has(c.device) || !reading || c.role === '' || isFresh(reading, c.period_ms, view.now)) continue;
    const reason = reading.reason === 'good' ? 'late' : reading.reason;
    const key = `${c.device} ${reason}`;
    const entry = by.get(key) ?? { device: c.device, reason, names: [] };
    entry.names.push(c.name.replaceAll('_', ' '));
    by.set(key, entry);
  }
  return [...by].map(([key, e]) => {
    const names = e.names.length > 3 ? `${e.names.slice(0, 3).join(', ')} and ${e.names.length - 3} more` : e.names.join(', ');
    const late = e.reason === 'late';
    return {
      key: `channel ${key}`,
      what: late ? `${e.device}: readings are late (${names}).` : `${e.device}: ${names} cannot be used: ${reasonWords(e.reason)}.`,
      todo: late ? 'If this stays, the line is too slow for the periods in the site file.' : (advice[e.reason] ?? otherwise),
    };
  });
}
