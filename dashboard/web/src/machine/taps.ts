// Which channel is read where on the air's way, from the site's machines and systems.
import type { Site, SiteChannel, SiteMachine, SiteSystem } from '../api';
import type { View } from '../live/live';
import { isFresh } from '../live/picture';
import { toSI } from '../units/units';

export interface Read {
  channel: SiteChannel;
  /** in the map's unit; undefined: never read */
  raw: number | undefined;
  /** SI; the last good one, however old */
  si: number | undefined;
  at: number | undefined;
  fresh: boolean;
  reason: string;
}

export function readChannel(site: Site, view: View, id: string | undefined): Read | undefined {
  const channel = id === undefined ? undefined : site.channels.find((c) => c.id === id);
  if (!channel) return undefined;
  const r = view.readings.get(channel.id);
  return {
    channel,
    raw: r?.value ?? undefined,
    si: r?.value === null || r?.value === undefined ? undefined : toSI(channel, r.value),
    at: r?.at,
    fresh: view.connection === 'live' && isFresh(r, channel.period_ms, view.now),
    reason: r?.reason ?? 'not read yet',
  };
}

/** A channel id as a part of a JSON pointer (RFC 6901). */
export const pointer = (id: string): string => id.replaceAll('~', '~0').replaceAll('/', '~1');

/** What a shown reading says of itself, for tests and for whoever copies the page. */
export function marks(read: Read) {
  return { 'data-reading': read.channel.id, 'data-fresh': String(read.fresh), 'data-value': read.raw, 'data-time': read.at === undefined ? undefined : new Date(read.at).toISOString() };
}

export function readRole(site: Site, view: View, machine: SiteMachine, role: string): Read | undefined {
  return readChannel(site, view, machine.channels[role]);
}

export function systemOf(site: Site, machine: SiteMachine): SiteSystem | undefined {
  return site.systems.find((s) => s.machines.includes(machine.name));
}

/** The pressure that stands for the machine in the last hour's chart. */
export function mainPressure(site: Site, machine: SiteMachine): SiteChannel | undefined {
  const tap = systemOf(site, machine)?.taps.find((t) => t.pressure)?.pressure;
  const id = machine.channels['discharge_pressure'] ?? machine.channels['receiver_pressure'] ?? tap ?? machine.channels['sump_pressure'];
  return site.channels.find((c) => c.id === id);
}

export function powerChannel(site: Site, machine: SiteMachine): SiteChannel | undefined {
  const id = machine.channels['power'] ?? machine.channels['motor_current'];
  return site.channels.find((c) => c.id === id);
}
