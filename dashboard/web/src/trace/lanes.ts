// Which channels lie in one lane, and what they are called. Pure.
import type { Site, SiteChannel, SiteMachine } from '../api';
import { mainPressure, powerChannel } from '../machine/taps';
import { looks } from '../plot/looks';
import type { Curve, Lane, PlotGuide } from '../plot/types';
import { channelDisplay, convert, displayOf, type UnitSystem } from '../units/units';
import { converted, type Cells } from './decode';

/** As many channels as a page shows. */
export const mostChannels = 40;
const bitPx = 40;

/** The machine that a channel is read of, if it is one's. */
export function machineOf(site: Site, id: string): SiteMachine | undefined {
  return site.machines.find((m) => Object.values(m.channels).includes(id));
}

const spaced = (name: string) => name.replace(/_/g, ' ');

/** A channel as people call it; whose it is, where another has one of that name. */
export function channelName(site: Site, c: SiteChannel): string {
  const alike = site.channels.some((o) => o.name === c.name && o.id !== c.id);
  const owner = machineOf(site, c.id)?.name ?? c.device;
  return alike ? `${owner} ${spaced(c.name)}` : spaced(c.name);
}

/** What is shown where the address names no channel: pressure and power of the machines, and where the air goes on. */
export function firstChannels(site: Site, machines: string[]): string[] {
  const of = site.machines.filter((m) => machines.includes(m.name)).slice(0, 3);
  const taps = site.systems.filter((s) => s.machines.some((m) => machines.includes(m))).flatMap((s) => s.taps.map((t) => t.pressure));
  const ids = [...of.map((m) => mainPressure(site, m)?.id), ...taps.slice(0, 1), ...of.map((m) => powerChannel(site, m)?.id)];
  const known = [...new Set(ids.filter((id): id is string => Boolean(id)))];
  return known.length > 0 ? known : site.channels.slice(0, 2).map((c) => c.id);
}

/** The channels asked for that the site has, each once and no more than can be shown. */
export function knownChannels(site: Site, asked: string[]): SiteChannel[] {
  return [...new Set(asked)].map((id) => site.channels.find((c) => c.id === id)).filter((c): c is SiteChannel => c !== undefined).slice(0, mostChannels);
}

/** Channels that one axis can serve have one key. */
function laneKey(c: SiteChannel): string {
  if (c.bit) return `bit ${c.id}`;
  if (c.quantity === 'plain' || c.quantity === 'duration' || c.quantity === 'energy' || c.quantity === 'volume') return `own ${c.id}`;
  return `${c.quantity}${c.absolute ? ' absolute' : ''}`;
}

/** A lane's channels in the order chosen, no more than its looks tell apart. */
export function laned(channels: SiteChannel[]): SiteChannel[][] {
  const lanes = new Map<string, SiteChannel[]>();
  for (const c of channels) {
    let key = laneKey(c);
    for (let n = 2; (lanes.get(key)?.length ?? 0) >= looks.length; n++) key = `${laneKey(c)} ${n}`;
    lanes.set(key, [...(lanes.get(key) ?? []), c]);
  }
  return [...lanes.values()];
}

/** Levels of a pressure lane: what users need, and of one machine where it loads and unloads. */
function guidesOf(site: Site, channels: SiteChannel[], machines: string[], system: UnitSystem): PlotGuide[] {
  const d = displayOf('pressure', system);
  const first = channels[0];
  if (!d || !first || first.quantity !== 'pressure' || first.absolute) return [];
  const out: PlotGuide[] = [];
  const guide = (pa: number | undefined, text: string, below: boolean) => {
    if (pa !== undefined && !out.some((g) => g.value === convert(d, pa))) out.push({ value: convert(d, pa), text, below });
  };
  for (const s of site.systems) if (s.machines.some((m) => machines.includes(m))) guide(s.minimum_pressure_pa, 'minimum', true);
  const only = machines.length === 1 ? site.machines.find((m) => m.name === machines[0]) : undefined;
  guide(only?.cut_in_pa, 'loads', true);
  guide(only?.cut_out_pa, 'unloads', false);
  return out;
}

export interface Drawing {
  site: Site;
  channels: SiteChannel[];
  machines: string[];
  system: UnitSystem;
  /** of all lanes together, CSS px */
  height: number;
}

export function lanesOf(d: Drawing, cellsOf: (id: string) => Cells): Lane[] {
  const groups = laned(d.channels);
  const tall = groups.filter((g) => !g[0]?.bit).length;
  const height = Math.round(Math.min(200, Math.max(84, (d.height - bitPx * (groups.length - tall)) / Math.max(1, tall))));
  return groups.map((group) => {
    const bit = group[0]?.bit ?? false;
    const curves: Curve[] = group.map((c, look) => {
      const display = channelDisplay(c, d.system);
      return { id: c.id, name: channelName(d.site, c), ...converted(cellsOf(c.id), display.scale, display.offset), look, decimals: display.decimals, bit };
    });
    const first = group[0];
    return {
      key: group.map((c) => c.id).join(' '),
      unit: first && !bit ? channelDisplay(first, d.system).unit : '',
      curves,
      guides: guidesOf(d.site, group, d.machines, d.system),
      zeroBased: first?.quantity === 'power' || first?.quantity === 'flow',
      height: bit ? bitPx : height,
    };
  });
}
