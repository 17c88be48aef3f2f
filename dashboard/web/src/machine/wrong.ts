// What is wrong with the machines and their pressure, as far as the controllers,
// the taps and the site file tell; what is wrong with the readings is in signs.ts.
import { alarmName } from '../alarms/line';
import type { Site, SiteMachine, SiteSystem, StandingAlarm } from '../api';
import type { View } from '../live/live';
import { isFresh } from '../live/picture';
import { convert, displayOf, fixed, type UnitSystem } from '../units/units';
import { plain, type Told } from './said';
import { starts } from './sentence';
import type { Sign } from './signs';
import { pointer, readChannel } from './taps';

const readFault = 'Read the fault at the machine before anyone resets it.';

/** Fault codes that are on now, with whose they are. A code of zero is none. */
function faults(view: View, site: Site): { subject: string; text: string }[] {
  const owner = new Map(site.machines.flatMap((m) => Object.entries(m.channels).map(([role, id]) => [id, { machine: m.name, role }] as const)));
  return site.channels.flatMap((c) => {
    const own = owner.get(c.id);
    if (c.role !== 'fault_code' && own?.role !== 'fault_code' && c.faults === undefined) return [];
    const r = view.readings.get(c.id);
    if (!r?.value || !isFresh(r, c.period_ms, view.now)) return [];
    const words = c.faults?.[String(r.value)];
    return [{ subject: own?.machine ?? c.device, text: words ? `${words} (code ${r.value})` : `code ${r.value}` }];
  });
}

/** How many starts of the last hour reach the motor's limit: from there on none is left. */
function startSign(view: View, site: Site, m: SiteMachine): Sign[] {
  const state = view.machines.get(m.name);
  const limit = m.motor_starts_per_hour;
  if (!state || limit === undefined || state.starts_last_hour < limit) return [];
  const words = [site.machines.length > 1 ? `${m.name}: ` : '', ...starts(state, { index: site.machines.indexOf(m), limit }, undefined)];
  return [{
    key: `starts ${m.name}`, what: plain(words), words,
    todo: 'A motor that starts more often overheats. Find what lets the pressure fall so soon: a narrow band, little storage, a short timer, a leak.',
  }];
}

/** The system's pressure where it is tapped furthest downstream; shown SI. */
function systemPressure(site: Site, view: View, system: SiteSystem | undefined) {
  return readChannel(site, view, system?.pressure);
}

function pressureSign(view: View, site: Site, system: SiteSystem, units: UnitSystem): Sign[] {
  const read = systemPressure(site, view, system);
  const least = system.minimum_pressure_pa;
  const d = displayOf('pressure', units);
  if (!d || !read?.fresh || read.si === undefined || least === undefined || read.si >= least) return [];
  const at = system.taps.find((t) => t.pressure === system.pressure)?.at;
  const whose = site.systems.length > 1 ? ` of ${system.name}` : '';
  const reading: Told = { value: read.raw ?? NaN, answer: '/api/v1/state', at: `/channels/${pointer(read.channel.id)}/value`, shown: fixed(convert(d, read.si), d.decimals) };
  const limit: Told = { value: least, answer: '/api/v1/site', at: `/systems/${site.systems.indexOf(system)}/minimum_pressure_pa`, shown: fixed(convert(d, least), d.decimals) };
  const words = [`The pressure${whose} is below its minimum: `, reading, ` ${d.unit}${at ? ` at the ${at}` : ''}, and it needs `, limit, ` ${d.unit}.`];
  return [{
    key: `minimum ${system.name}`, what: plain(words), words,
    todo: 'See whether every machine that should deliver does, and what takes so much air.',
  }];
}

/** What is wrong with the plant, the gravest first. Nothing is judged of old readings. */
export function plantSigns(view: View, site: Site, units: UnitSystem): Sign[] {
  if (view.connection !== 'live') return [];
  const out: Sign[] = [];
  const told = faults(view, site);
  for (const m of site.machines) {
    const tripped = view.machines.get(m.name)?.state === 'tripped';
    const own = told.filter((f) => f.subject === m.name).map((f) => f.text).join(', ');
    if (tripped) out.push({ key: `trip ${m.name}`, what: `${m.name} was stopped by its controller${own ? `: ${own}` : ' for a fault'}.`, todo: readFault });
    else if (own) out.push({ key: `fault ${m.name}`, what: `${m.name} reports a fault: ${own}.`, todo: readFault });
  }
  for (const f of told.filter((f) => !site.machines.some((m) => m.name === f.subject))) {
    out.push({ key: `fault ${f.subject}`, what: `${f.subject} reports a fault: ${f.text}.`, todo: readFault });
  }
  out.push(...site.systems.flatMap((s) => pressureSign(view, site, s, units)));
  out.push(...site.machines.flatMap((m) => startSign(view, site, m)));
  return out;
}

/** Alarms, for the page that has no head to tell of them. */
export function alarmSigns(bad: StandingAlarm[]): Sign[] {
  return bad.map((a) => ({ key: `alarm ${a.id}`, what: `Alarm: ${a.text}.`, brief: `Alarm: ${alarmName(a)}.`, todo: '' }));
}

/** Nothing is wrong that the page can know, and it can see every machine. */
export function allWell(view: View, site: Site, wrong: Sign[], lossesKnown: boolean): boolean {
  return view.connection === 'live' && lossesKnown && wrong.length === 0 && view.store !== undefined && site.machines.length > 0
    && site.machines.every((m) => (view.machines.get(m.name)?.state ?? 'unobserved') !== 'unobserved');
}
