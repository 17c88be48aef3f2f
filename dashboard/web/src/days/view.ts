// What Seven days makes of its address and its answers. Pure.
import type { Day, DayMachine, DaysAnswer, Figure, Site, SiteChannel, StateName, WeekCell, WeekMap } from '../api';
import type { Found } from '../figure/answer';
import { count, moved, type Days } from '../look/days';
import { niceStep } from '../plot/ticks';
import { href, type PageName } from '../route';
import { traceHref } from '../trace/address';
import { channelDisplay, convert, type Display, type UnitSystem } from '../units/units';

export interface Who {
  kind: 'machine' | 'system';
  name: string;
}

/** Whose days can be shown: systems first, and the machines where that says more. */
export function subjects(site: Site): Who[] {
  const systems = site.systems.map((s): Who => ({ kind: 'system', name: s.name }));
  const machines = site.machines.map((m): Who => ({ kind: 'machine', name: m.name }));
  return [...systems, ...machines];
}

/** Whose days an address asks for; undefined: the site has neither. */
export function whoOf(site: Site, query: URLSearchParams): Who | undefined {
  const all = subjects(site);
  const asked = (kind: Who['kind']) => all.find((w) => w.kind === kind && w.name === query.get(kind));
  return asked('machine') ?? asked('system') ?? all[0];
}

/** The same view with some of it changed; undefined takes a key out. */
export function changed(page: PageName, query: URLSearchParams, change: Record<string, string | undefined>): string {
  const next = new URLSearchParams(query);
  for (const [key, value] of Object.entries(change)) {
    if (value === undefined) next.delete(key);
    else next.set(key, value);
  }
  return href(page, next);
}

/** Figures with the place where they stand. */
export function foundIn(figures: Figure[], at: string): Map<string, Found> {
  return new Map(figures.map((figure, i) => [figure.name, { figure, at: `${at}/figures/${i}` }]));
}

/** From midnight to the end of the whole date, Unix ms. The window begins at a midnight. */
export function spanOf(day: Day): { from: number; to: number } {
  const from = Date.parse(day.from);
  return { from, to: from + Math.round((Date.parse(day.to) - from) / day.share) };
}

export interface Stretch {
  state: StateName;
  /** index of the slot; the share of it from the foot up, 0-1 */
  slot: number;
  low: number;
  high: number;
}

/** Work stands at the foot of a slot, idling on it, rest and what was not seen above. */
const order: StateName[] = ['loaded', 'part-load', 'starting', 'unloaded', 'tripped', 'standby', 'stopped', 'off'];

/** What a machine did in each slot, stacked by how much of it each state took; the rest was not observed. */
export function stacked(day: Day, machine: DayMachine, slotS: number): Stretch[] {
  const all: Stretch[] = [];
  const end = Date.parse(day.to);
  const begin = Date.parse(day.slots_from);
  const from = Date.parse(day.from);
  for (let slot = 0; slot < day.slots; slot += 1) {
    const open = Math.max(from, begin + slot * slotS * 1000);
    const lastedS = (Math.min(end, begin + (slot + 1) * slotS * 1000) - open) / 1000;
    if (!(lastedS > 0)) continue;
    let foot = 0;
    for (const state of order) {
      const share = (machine.states[state]?.[slot] ?? 0) / lastedS;
      if (share > 0.001) all.push({ state, slot, low: foot, high: Math.min(1, foot + share) });
      foot += share;
    }
    // Cells are told by their first scan: a second more or less is no gap.
    if (foot < 0.99) all.push({ state: 'unobserved', slot, low: foot, high: 1 });
  }
  return all;
}

/** The runs of slots with a pressure, each a band from lowest to highest with the mean. */
export interface Band {
  slots: { slot: number; min: number; mean: number; max: number }[];
}

/** The pressure of a day in the shown unit, broken where nothing was read. */
export function bands(day: Day, display: Display): Band[] {
  const all: Band[] = [];
  let open: Band | undefined;
  for (let slot = 0; slot < day.slots; slot += 1) {
    const [min, mean, max] = [day.pressure?.min[slot], day.pressure?.mean[slot], day.pressure?.max[slot]];
    if (min == null || mean == null || max == null) {
      open = undefined;
      continue;
    }
    if (!open) all.push((open = { slots: [] }));
    const shown = [convert(display, min), convert(display, max)];
    open.slots.push({ slot, min: Math.min(...shown), mean: convert(display, mean), max: Math.max(...shown) });
  }
  return all;
}

/** The channel that the days' pressure is read from. */
export function pressureChannel(site: Site, answer: DaysAnswer): SiteChannel | undefined {
  return site.channels.find((c) => c.id === answer.pressure);
}

/** Round ends for all days' pressures, with the minimum among them; undefined: no pressure was read. */
export function scaleOf(all: Band[][], least: number | undefined): { low: number; high: number } | undefined {
  const values = all.flat().flatMap((b) => b.slots.flatMap((s) => [s.min, s.max]));
  if (values.length === 0) return undefined;
  const low = Math.min(...values, least ?? Infinity);
  const high = Math.max(...values, least ?? -Infinity);
  const step = niceStep((high - low || 1) / 3);
  return { low: Math.floor(low / step) * step, high: Math.ceil(high / step) * step };
}

/** The fewest decimals that write these values as they are, three at most. */
export function decimalsOf(values: number[]): number {
  return [0, 1, 2].find((n) => values.every((v) => Math.abs(Number(v.toFixed(n)) - v) < 1e-6)) ?? 3;
}

/** The minimum pressure of the shown system, in the shown unit. */
export function minimumOf(site: Site, answer: DaysAnswer, system: UnitSystem, display: Display | undefined): number | undefined {
  const pa = site.systems.find((s) => (answer.kind === 'system' ? s.name === answer.subject : s.machines.includes(answer.subject)))?.minimum_pressure_pa;
  const channel = pressureChannel(site, answer);
  if (pa === undefined || !channel || !display || channel.absolute) return undefined;
  const own = (pa - channel.si_offset) / channel.si_scale;
  return convert(channelDisplay(channel, system), own);
}

export const weekdays = ['Mon', 'Tue', 'Wed', 'Thu', 'Fri', 'Sat', 'Sun'];

/** The map's cells by day and hour, with their place in the answer. */
export function gridOf(map: WeekMap, at: string): ({ cell: WeekCell; at: string } | undefined)[][] {
  const grid: ({ cell: WeekCell; at: string } | undefined)[][] = weekdays.map(() => Array.from({ length: 24 }, () => undefined));
  map.cells.forEach((cell, i) => { (grid[cell.day] ?? [])[cell.hour] = { cell, at: `${at}/cells/${i}` }; });
  return grid;
}

/** The highest cell and its index; undefined where none has a value. */
export function topOf(map: WeekMap): { cell: WeekCell; index: number } | undefined {
  let top: { cell: WeekCell; index: number } | undefined;
  map.cells.forEach((cell, index) => {
    if (cell.value !== undefined && (top?.cell.value === undefined || cell.value > top.cell.value)) top = { cell, index };
  });
  return top;
}

/** Decimals that fit a small cell and still tell values apart. */
export function cellDecimals(most: number): number {
  if (most >= 100) return 0;
  return most >= 10 ? 1 : 2;
}

/** The place in Trace of some time of a subject: its machines with pressure and power. */
export function placeHref(site: Site, who: Who, pressure: string | undefined, from: number, to: number): string {
  const names = who.kind === 'machine' ? [who.name] : (site.systems.find((s) => s.name === who.name)?.machines ?? []);
  const machines = site.machines.filter((m) => names.includes(m.name));
  const power = machines.map((m) => m.channels['power'] ?? m.channels['motor_current']).filter((id) => id !== undefined);
  return traceHref({ channels: [...new Set([...(pressure ? [pressure] : []), ...power])].slice(0, 4), machines: names, from, to });
}

/** The two periods that an address asks for; without them the shown days and as many before. */
export function periodsOf(query: URLSearchParams, days: Days, today: string): { first: string; second: string; own: boolean } {
  const [first, second] = [query.get('first'), query.get('second')];
  const isPeriod = (text: string | null): text is string => /^\d{4}-\d{2}-\d{2}\/\d{4}-\d{2}-\d{2}$/.test(text ?? '');
  if (isPeriod(first) && isPeriod(second)) return { first, second, own: true };
  const before = moved(days, -count(days), today);
  return { first: `${before.from}/${before.to}`, second: `${days.from}/${days.to}`, own: false };
}

/** The shown days cut in the middle, an odd one to the second: what adds up is compared by the day. Undefined where there is one day only. */
export function halves(days: Days, addDays: (date: string, n: number) => string): { first: string; second: string } | undefined {
  const n = Math.floor(count(days) / 2);
  if (n < 1) return undefined;
  return { first: `${days.from}/${addDays(days.from, n - 1)}`, second: `${addDays(days.from, n)}/${days.to}` };
}
