// The picture of the plant as the live messages give it. Pure: no socket, no
// signals. Bounded by the site's channels, devices, machines and lines.
import type { DeviceState, LineState, LiveEnvelope, MachineState, ScanUpdate, Site, State, StoreState } from '../api';
import { parsePeriod } from '../units/words';

/** A channel's last good value, in its map's unit, and how the last try went. */
export interface Reading {
  value: number | null;
  /** when value was read, Unix ms; undefined: never */
  at: number | undefined;
  /** good, or why the last scan gave no value */
  reason: string;
}

export interface Picture {
  readings: Map<string, Reading>;
  machines: Map<string, MachineState>;
  devices: Map<string, DeviceState>;
  lines: Map<string, LineState>;
  store: StoreState | undefined;
  version: string;
}

export function emptyPicture(): Picture {
  return { readings: new Map(), machines: new Map(), devices: new Map(), lines: new Map(), store: undefined, version: '' };
}

/** A copy that later messages do not change. Readings are replaced, never edited, so they may be shared. */
export function copyPicture(p: Picture): Picture {
  return {
    ...p,
    readings: new Map(p.readings), machines: new Map(p.machines), devices: new Map(p.devices), lines: new Map(p.lines),
  };
}

export function applySnapshot(p: Picture, s: State): void {
  const before = new Map(p.readings);
  p.readings.clear();
  for (const [id, c] of Object.entries(s.channels)) {
    const at = c.time === null ? undefined : Date.parse(c.time);
    const held = before.get(id);
    const newer = held?.at !== undefined && (at === undefined || at < held.at);
    if (newer || (c.value === null && held)) {
      p.readings.set(id, { value: held?.value ?? null, at: held?.at, reason: newer ? (held?.reason ?? c.reason) : c.reason });
    } else {
      p.readings.set(id, { value: c.value, at: c.value === null ? undefined : at, reason: c.reason });
    }
  }
  p.machines = new Map(s.machines.map((m) => [m.machine, m]));
  p.devices = new Map(s.devices.map((d) => [d.device, d]));
  p.lines = new Map(s.lines.map((l) => [l.line, l]));
  p.store = s.store;
  p.version = s.version;
}

/** The channels that a scan speaks of: those it names, and on a failure all of its group. */
export function scanChannels(site: Site | null, scan: ScanUpdate): string[] {
  const named = Object.keys(scan.values);
  if (named.length > 0 || scan.reason === 'good' || !site) return named;
  const period = parsePeriod(scan.group);
  return site.channels
    .filter((c) => c.device === scan.device && (period === undefined || c.period_ms === period))
    .map((c) => c.id);
}

function applyScan(p: Picture, site: Site | null, scan: ScanUpdate): void {
  const at = Date.parse(scan.time);
  for (const id of scanChannels(site, scan)) {
    const value = scan.reason === 'good' ? (scan.values[id] ?? null) : null;
    const held = p.readings.get(id);
    if (value !== null) p.readings.set(id, { value, at, reason: 'good' });
    else {
      const reason = scan.reason === 'good' ? (scan.reasons?.[id] ?? 'no value') : scan.reason;
      p.readings.set(id, { value: held?.value ?? null, at: held?.at, reason });
    }
  }
}

/** Applies a message; events, tests and figures_changed change nothing here. */
export function applyMessage(p: Picture, site: Site | null, m: LiveEnvelope): void {
  switch (m.type) {
    case 'snapshot':
      applySnapshot(p, m.data);
      break;
    case 'scan':
      applyScan(p, site, m.data);
      break;
    case 'state':
      p.machines.set(m.data.machine, m.data);
      break;
    case 'device':
      p.devices.set(m.data.device, m.data);
      break;
    case 'line':
      p.lines.set(m.data.line, m.data);
      break;
  }
}

/** Slack for the way from the device to the page. */
const slackMs = 1_500;

/** A reading is live for three of its periods and a little; older is never shown as live. */
export function isFresh(reading: Reading | undefined, periodMs: number, nowMs: number): boolean {
  if (!reading || reading.value === null || reading.at === undefined || reading.reason !== 'good') return false;
  return nowMs - reading.at <= 3 * periodMs + slackMs;
}
