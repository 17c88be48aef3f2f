// The places on the air's way, from the room through the machine to the plant,
// with what is measured at each. Pure.
import type { Site, SiteMachine, StateName } from '../api';
import type { View } from '../live/live';
import { readChannel, readRole, systemOf, type Read } from './taps';

export interface Station {
  key: string;
  name: string;
  kind: 'room' | 'airend' | 'separator' | 'outlet' | 'dryer' | 'filter' | 'receiver' | 'piping' | 'plant';
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

export function stations(site: Site, view: View, machine: SiteMachine): Station[] {
  const role = (name: string) => readRole(site, view, machine, name);
  const system = systemOf(site, machine);
  const out: Station[] = [
    { key: 'room', name: 'room', kind: 'room', pressure: undefined, notes: present([role('ambient_temperature')]), weight: 1.1 },
    { key: 'airend', name: 'air end', kind: 'airend', pressure: undefined, notes: present([role('power') ?? role('motor_current'), role('discharge_temperature')]), weight: 1 },
  ];
  if (machine.channels['sump_pressure']) {
    out.push({ key: 'separator', name: 'separator', kind: 'separator', pressure: role('sump_pressure'), notes: present([role('oil_temperature')]), weight: 1 });
  }
  out.push({ key: 'outlet', name: 'cooler', kind: 'outlet', pressure: role('discharge_pressure'), notes: present([role('aftercooler_temperature')]), weight: 1.1 });
  const taps = new Map((system?.taps ?? []).map((t) => [t.at, t.pressure]));
  const receiverRole = role('receiver_pressure');
  let receiverSeen = false;
  for (const part of system?.parts ?? []) {
    const first: boolean = part.kind === 'receiver' && !receiverSeen;
    receiverSeen ||= first;
    const pressure = readChannel(site, view, taps.get(part.name)) ?? (first ? receiverRole : undefined);
    out.push({ key: `part ${part.name}`, name: part.name, kind: part.kind, pressure, notes: part.kind === 'dryer' ? present([role('dew_point')]) : [], weight: weights[part.kind] ?? 1 });
  }
  if (!receiverSeen && receiverRole) {
    out.push({ key: 'receiver', name: 'receiver', kind: 'receiver', pressure: receiverRole, notes: [], weight: 1.7 });
  }
  out.push({ key: 'plant', name: 'plant', kind: 'plant', pressure: role('header_pressure'), notes: [], weight: 1.6 });
  return out;
}

/** How a level is known: measured now, by a reading that is old, or taken from the place before. */
export type Known = 'measured' | 'old' | 'carried';

export interface Level {
  pa: number;
  known: Known;
}

/**
 * The level at each station, undefined where nothing can be said. The room is at
 * zero by definition of gauge pressure. Past the outlet an unmeasured place takes
 * the level before it, carried. What stands in a machine that does not deliver is
 * not guessed.
 */
export function levels(list: Station[], air: Passing): (Level | undefined)[] {
  const out: (Level | undefined)[] = [];
  const outlet = list.findIndex((s) => s.kind === 'outlet');
  let before: Level | undefined;
  list.forEach((s, i) => {
    if (s.kind === 'room') {
      out.push({ pa: 0, known: 'measured' });
      return;
    }
    if (s.kind === 'airend') {
      out.push(undefined);
      return;
    }
    const own = s.pressure?.si === undefined ? undefined : { pa: s.pressure.si, known: s.pressure.fresh ? 'measured' as const : 'old' as const };
    const level = own ?? (i > outlet && before ? { pa: before.pa, known: before.known === 'old' ? 'old' as const : 'carried' as const } : undefined);
    if (i >= outlet) before = level ?? before;
    out.push(level);
  });
  // The outlet itself unmeasured while air passes: the first level downstream, carried.
  if (outlet >= 0 && !out[outlet]) {
    const next = out.slice(outlet + 1).find((l) => l !== undefined);
    if (next && air !== 'no') out[outlet] = { pa: next.pa, known: next.known === 'old' ? 'old' : 'carried' };
  }
  return out;
}
