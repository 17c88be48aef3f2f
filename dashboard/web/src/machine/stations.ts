// The places on the air's way, from the room through the machine to the plant,
// with what is measured at each. Pure.
import type { Site, SiteMachine, SiteSystem, StateName } from '../api';
import type { View } from '../live/live';
import { readChannel, readRole, systemOf, type Read } from './taps';

export interface Station {
  key: string;
  name: string;
  kind: 'room' | 'airend' | 'separator' | 'outlet' | 'joint' | 'dryer' | 'filter' | 'receiver' | 'piping' | 'plant';
  /** pressure here, where it is measured */
  pressure: Read | undefined;
  /** other readings in place: temperature, power */
  notes: Read[];
  /** share of the drawing's width */
  weight: number;
}

const weights: Record<string, number> = { receiver: 1.7, piping: 1, dryer: 0.9, filter: 0.8 };

/** Whether air passes from the machine into the system. */
export type Passing = 'yes' | 'no' | 'unknown';

export function passing(state: StateName | undefined): Passing {
  if (state === undefined || state === 'unobserved') return 'unknown';
  return state === 'loaded' || state === 'part-load' ? 'yes' : 'no';
}

const present = (reads: (Read | undefined)[]): Read[] => reads.filter((r) => r !== undefined);

/** The places inside a machine; brief leaves out the room and, where there is no space for it, the separator. */
export function machineStations(site: Site, view: View, machine: SiteMachine, brief?: { separator: boolean }): Station[] {
  const role = (name: string) => readRole(site, view, machine, name);
  const out: Station[] = [];
  const load = role('power') ?? role('motor_current');
  if (!brief) out.push({ key: 'room', name: 'room', kind: 'room', pressure: undefined, notes: present([role('ambient_temperature')]), weight: 1.1 });
  out.push({ key: 'airend', name: 'air end', kind: 'airend', pressure: undefined, notes: present(brief ? [load] : [load, role('discharge_temperature')]), weight: brief ? 0.7 : 1 });
  if (machine.channels['sump_pressure'] && (!brief || brief.separator)) {
    out.push({ key: 'separator', name: 'separator', kind: 'separator', pressure: role('sump_pressure'), notes: present(brief ? [] : [role('oil_temperature')]), weight: brief ? 0.8 : 1 });
  }
  out.push({ key: 'outlet', name: 'cooler', kind: 'outlet', pressure: role('discharge_pressure'), notes: present(brief ? [] : [role('aftercooler_temperature')]), weight: brief ? 0.9 : 1.1 });
  if (brief) out.push({ key: 'joint', name: '', kind: 'joint', pressure: undefined, notes: [], weight: 0.3 });
  return out;
}

/** The places that all machines of a system share, to the plant. */
export function partStations(site: Site, view: View, system: SiteSystem | undefined, machines: SiteMachine[]): Station[] {
  const role = (name: string) => machines.map((m) => readRole(site, view, m, name)).find((r) => r !== undefined);
  const out: Station[] = [];
  const taps = new Map((system?.taps ?? []).map((t) => [t.at, t]));
  const tapped = new Set((system?.taps ?? []).map((t) => t.pressure));
  const own = (read: Read | undefined) => (read && tapped.has(read.channel.id) ? undefined : read); // it stands at its tap
  const receiver = own(role('receiver_pressure'));
  let receiverSeen = false;
  for (const part of system?.parts ?? []) {
    const first: boolean = part.kind === 'receiver' && !receiverSeen;
    receiverSeen ||= first;
    const tap = taps.get(part.name);
    const pressure = readChannel(site, view, tap?.pressure) ?? (first ? receiver : undefined);
    const notes = [readChannel(site, view, tap?.flow), part.kind === 'dryer' ? role('dew_point') : undefined];
    out.push({ key: `part ${part.name}`, name: part.name, kind: part.kind, pressure, notes: present(notes), weight: weights[part.kind] ?? 1 });
  }
  if (!receiverSeen && receiver) {
    out.push({ key: 'receiver', name: 'receiver', kind: 'receiver', pressure: receiver, notes: [], weight: 1.7 });
  }
  out.push({ key: 'plant', name: 'plant', kind: 'plant', pressure: own(role('header_pressure')), notes: [], weight: 1.6 });
  return out;
}

/** All places of one machine's air, from the room to the plant. */
export function stations(site: Site, view: View, machine: SiteMachine): Station[] {
  return [...machineStations(site, view, machine), ...partStations(site, view, systemOf(site, machine), [machine])];
}

/** How a level is known: measured now, by a reading that is old, or taken from the place before. */
export type Known = 'measured' | 'old' | 'carried';

export interface Level {
  pa: number;
  known: Known;
}

/** A level that is taken from another place. */
const carried = (l: Level): Level => ({ pa: l.pa, known: l.known === 'old' ? 'old' : 'carried' });

/**
 * The level at each station, undefined where nothing can be said. The room is at
 * zero by definition of gauge pressure. Past the outlet an unmeasured place takes
 * the level before it, carried. What stands in a machine that does not deliver is
 * not guessed. before is the level at the place before the first; after, that
 * of the first place behind the last.
 */
export function levels(list: Station[], air: Passing, before?: Level, after?: Level): (Level | undefined)[] {
  const out: (Level | undefined)[] = [];
  const outlet = list.findIndex((s) => s.kind === 'outlet');
  let last = before;
  list.forEach((s, i) => {
    if (s.kind === 'room') {
      out.push({ pa: 0, known: 'measured' });
      return;
    }
    if (s.kind === 'airend') {
      out.push(undefined);
      return;
    }
    const level = ownLevel(s) ?? (i > outlet && last ? carried(last) : undefined);
    if (i >= outlet) last = level ?? last;
    out.push(level);
  });
  // The outlet itself unmeasured while air passes: the first level downstream, carried.
  if (outlet >= 0 && !out[outlet]) {
    const next = out.slice(outlet + 1).find((l) => l !== undefined) ?? after;
    if (next && air !== 'no') out[outlet] = carried(next);
  }
  return out;
}

/** The level that is read at a place itself. */
export function ownLevel(s: Station): Level | undefined {
  return s.pressure?.si === undefined ? undefined : { pa: s.pressure.si, known: s.pressure.fresh ? 'measured' : 'old' };
}

/**
 * Where the machines join nobody measures. Air that flows there has come down
 * from every machine that delivers, so the lowest of these stands for it; when
 * none delivers, what is read next in the system.
 */
export function jointLevel(machines: { outlet: Level | undefined; air: Passing }[], next: Level | undefined): Level | undefined {
  const lowest = (list: Level[]): Level | undefined => list.reduce<Level | undefined>((a, b) => (a && a.pa <= b.pa ? a : b), undefined);
  const outlets = (air: Passing[], known: Known[]) =>
    machines.filter((m) => air.includes(m.air)).map((m) => m.outlet).filter((l) => l !== undefined).filter((l) => known.includes(l.known));
  const from = lowest(outlets(['yes'], ['measured'])) ?? next ?? lowest(outlets(['yes', 'no', 'unknown'], ['measured', 'old']));
  return from && carried(from);
}
