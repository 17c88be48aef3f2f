// From a figure to the readings behind it: the view of Trace that shows them.
import type { Figure, Site, SiteMachine, SiteSystem } from '../api';
import { traceHref } from '../trace/address';

/** What a figure is about: a machine or a system, by name. */
export interface Subject {
  machine?: string | undefined;
  system?: string | undefined;
}

/** At most so many channels are shown at first: more are not read together. */
const most = 4;

/** The channels that a figure's inputs name. */
export function channelsOf(site: Site, figure: Pick<Figure, 'inputs'>): string[] {
  const inputs = figure.inputs ?? [];
  return site.channels.filter((c) => inputs.some((i) => i === c.id || i.startsWith(`${c.id} `))).map((c) => c.id);
}

/** What shows best what a figure of a unit is about, where its inputs name no channel that is drawn as a curve. */
const rolesFor: Record<string, string[]> = {
  kW: ['power', 'motor_current'], kWh: ['power', 'motor_current', 'energy'],
  'm³': ['flow', 'volume'], 'm³/min': ['flow', 'volume'], 'kW/(m³/min)': ['power', 'flow'], 'kWh/m³': ['power', 'flow'],
  K: ['discharge_temperature'], '°C': ['discharge_temperature'],
};

/** The channels of a role of the machine, and for pressure the one that stands for its system. */
function channelsFor(roles: string[], machines: SiteMachine[], system: SiteSystem | undefined): string[] {
  const all = machines.flatMap((m) => roles.map((r) => m.channels[r]));
  if (roles.includes('flow')) all.push(...(system?.taps ?? []).map((t) => t.flow));
  return all.filter((id) => id !== undefined);
}

/** The pressure that shows what happened: of the system, else at the machine's discharge. */
function pressureOf(machines: SiteMachine[], system: SiteSystem | undefined): string | undefined {
  return system?.pressure ?? machines.map((m) => m.channels['discharge_pressure']).find((id) => id !== undefined);
}

/** The channels to show for a figure: its inputs, and beside signals the pressure, which shows what they did. */
export function channelsToShow(site: Site, subject: Subject, figure: Pick<Figure, 'inputs' | 'unit'>): string[] {
  const system = subject.system === undefined ? site.systems.find((s) => subject.machine !== undefined && s.machines.includes(subject.machine)) : site.systems.find((s) => s.name === subject.system);
  const machines = subject.machine === undefined ? site.machines.filter((m) => system?.machines.includes(m.name)) : site.machines.filter((m) => m.name === subject.machine);
  const inputs = channelsOf(site, figure);
  const isSignal = (id: string) => site.channels.find((c) => c.id === id)?.bit === true;
  const curves = inputs.filter((id) => !isSignal(id));
  const more = curves.length > 0 ? [] : channelsFor(rolesFor[figure.unit ?? ''] ?? [], machines, system);
  const pressure = curves.length + more.length > 0 ? undefined : pressureOf(machines, system);
  const known = [...curves, ...more, ...(pressure === undefined ? [] : [pressure]), ...inputs.filter(isSignal)];
  return [...new Set(known)].filter((id) => site.channels.some((c) => c.id === id)).slice(0, most);
}

/** How much is shown to both sides of a moment: half of it, 5 minutes at least. */
const marginMs = (lasted: number) => Math.max(5 * 60_000, lasted / 2);

/**
 * The address in Trace of a figure's readings: at the moment that it tells, with
 * the cursors at its ends, else over its window, Unix ms.
 */
export function lookAt(site: Site, subject: Subject, figure: Pick<Figure, 'inputs' | 'unit' | 'at'>, from: number, to: number): string {
  const channels = channelsToShow(site, subject, figure);
  const machines = subject.machine === undefined ? (site.systems.find((s) => s.name === subject.system)?.machines ?? []) : [subject.machine];
  if (!figure.at) return traceHref({ channels, machines, from, to });
  const [a, b] = [Date.parse(figure.at.from), Date.parse(figure.at.to)];
  const margin = marginMs(b - a);
  return traceHref({ channels, machines, from: a - margin, to: b + margin, a, b: b > a ? b : undefined });
}
