// Where everything in the section drawing stands: machines side by side, each
// climbing to its own pressure, then the places they share. Pure.
import type { Site, SiteMachine, SiteSystem, StateName } from '../api';
import type { View } from '../live/live';
import { displayOf, type Display, type UnitSystem } from '../units/units';
import { makeScale, type Scale } from './scale';
import { jointLevel, levels, machineStations, ownLevel, partStations, passing, type Level, type Passing, type Station } from './stations';

export interface Column extends Station {
  x0: number;
  x1: number;
  level: Level | undefined;
}

/** One machine's part of the drawing. */
export interface Group {
  machine: SiteMachine;
  state: StateName | undefined;
  air: Passing;
  columns: Column[];
}

/** A row of the drawing: on narrow screens the machines stand above the system. */
export interface Tier {
  groups: Group[];
  tail: Column[];
}

export interface Drawing {
  tiers: Tier[];
  /** the whole way of one machine, with the room it breathes from */
  single: boolean;
  scale: Scale;
  display: Display;
  width: number;
  /** of one tier */
  height: number;
  baseY: number;
  axisX: number;
  narrow: boolean;
  /** whether any machine delivers */
  air: Passing;
  minimum: number | undefined;
}

/** What is drawn: the machines that deliver into one system, and the system. */
export interface Shown {
  machines: SiteMachine[];
  system: SiteSystem | undefined;
}

const narrowPx = 560;
/** A unit of weight needs so much room for a pressure in large figures. */
const roomyPx = 56;

/** On a phone the room goes to the places that have a pressure to write. */
function weightOf(s: Station, narrow: boolean): number {
  if (!narrow || s.kind === 'plant' || s.kind === 'receiver' || s.kind === 'joint') return s.weight;
  if (s.pressure) return 1.35;
  return s.notes.length > 0 ? 0.95 : 0.6;
}

interface Stationed {
  groups: Station[][];
  tail: Station[];
  tiers: 1 | 2;
}

/** The first way that leaves room to write in, from the fullest to the tightest. */
function choose(site: Site, view: View, shown: Shown, width: number): Stationed {
  const tail = partStations(site, view, shown.system, shown.machines);
  const one = shown.machines[0];
  if (shown.machines.length === 1 && one) return { groups: [machineStations(site, view, one)], tail, tiers: 1 };
  const groups = (separator: boolean) => shown.machines.map((m) => machineStations(site, view, m, { separator }));
  const sum = (list: Station[]) => list.reduce((n, s) => n + s.weight, 0);
  const joint: Station = { key: 'joint', name: 'header', kind: 'joint', pressure: undefined, notes: [], weight: 0.8 };
  const ways: Stationed[] = [
    { groups: groups(true), tail, tiers: 1 },
    { groups: groups(false), tail, tiers: 1 },
    { groups: groups(true), tail: [joint, ...tail], tiers: 2 },
    { groups: groups(false), tail: [joint, ...tail], tiers: 2 },
  ];
  const unit = (w: Stationed) => width / (sum(w.groups.flat()) + (w.tiers === 1 ? sum(w.tail) : 0));
  return ways.find((w) => unit(w) >= roomyPx) ?? ways[3] ?? { groups: [], tail, tiers: 1 };
}

export function layOut(site: Site, view: View, shown: Shown, states: (StateName | undefined)[], system: UnitSystem, width: number): Drawing {
  const display = displayOf('pressure', system) ?? { unit: 'Pa', decimals: 0, scale: 1, offset: 0 };
  const narrow = width < narrowPx;
  const axisX = narrow ? 34 : 52;
  const inner = width - axisX - 2;
  const way = choose(site, view, shown, inner);
  const height = way.tiers === 2 ? 268 : narrow ? 330 : 400;
  const baseY = height - (narrow ? 46 : 34);
  const single = shown.machines.length === 1;
  const airs = states.map(passing);
  const air: Passing = airs.includes('yes') ? 'yes' : airs.includes('unknown') ? 'unknown' : 'no';
  const next = way.tail.map(ownLevel).find((l) => l !== undefined);
  const inside = way.groups.map((list, i) => levels(list, airs[i] ?? 'unknown', undefined, next));
  const outlets = way.groups.map((list, i) => ({ outlet: inside[i]?.[list.findIndex((s) => s.kind === 'outlet')], air: airs[i] ?? 'unknown' }));
  const joint = single ? outlets[0]?.outlet : jointLevel(outlets, next);
  way.groups.forEach((list, i) => list.forEach((s, k) => { if (s.kind === 'joint' && inside[i]) inside[i][k] = joint; }));
  const behind = levels(way.tail, air, joint);
  const matter = [
    ...shown.machines.flatMap((m) => [m.cut_in_pa, m.cut_out_pa]), shown.system?.minimum_pressure_pa,
    ...way.groups.flatMap((list, i) => (inside[i] ?? []).filter((_, k) => list[k]?.kind !== 'separator' || airs[i] === 'yes').map((l) => l?.pa)),
    ...behind.map((l) => l?.pa),
  ];
  const scale = makeScale(matter.filter((p) => p !== undefined), 1 / display.scale, way.tiers === 2 ? 24 : 30, baseY);
  const tiers = place(way, inside, behind, shown.machines, states, airs, narrow, axisX, inner);
  return { tiers, single, scale, display, width, height, baseY, axisX, narrow, air, minimum: shown.system?.minimum_pressure_pa };
}

function place(
  way: Stationed, inside: (Level | undefined)[][], behind: (Level | undefined)[], machines: SiteMachine[], states: (StateName | undefined)[],
  airs: Passing[], narrow: boolean, axisX: number, inner: number,
): Tier[] {
  let x = axisX;
  let unit = 0;
  const begin = (...lists: Station[][]) => {
    x = axisX;
    unit = inner / lists.flat().reduce((n, s) => n + weightOf(s, narrow), 0);
  };
  const columns = (list: Station[], at: (Level | undefined)[]): Column[] => list.map((s, i) => {
    const x0 = x;
    x += weightOf(s, narrow) * unit;
    return { ...s, x0, x1: x, level: at[i] };
  });
  begin(...way.groups, way.tiers === 1 ? way.tail : []);
  const groups = machines.map((machine, i): Group => ({
    machine, state: states[i], air: airs[i] ?? 'unknown', columns: columns(way.groups[i] ?? [], inside[i] ?? []),
  }));
  if (way.tiers === 1) return [{ groups, tail: columns(way.tail, behind) }];
  begin(way.tail);
  return [{ groups, tail: [] }, { groups: [], tail: columns(way.tail, behind) }];
}
