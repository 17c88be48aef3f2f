// The section drawing in words, for who cannot see it.
import type { SiteSystem } from '../api';
import { displayOf, write, type UnitSystem } from '../units/units';
import type { Column, Drawing, Group } from './layout';
import { stateWord } from './sentence';

function measured(columns: Column[], system: UnitSystem): string {
  const d = displayOf('pressure', system);
  return columns
    .filter((c) => d && c.pressure?.fresh && c.pressure.si !== undefined)
    .map((c) => `${c.name} ${d ? write(d, c.pressure?.si ?? 0) : ''}`).join(', ');
}

function band(g: Group, system: UnitSystem): string {
  const d = displayOf('pressure', system);
  const { cut_in_pa: low, cut_out_pa: high } = g.machine;
  return d && low !== undefined && high !== undefined ? `loads at ${write(d, low)} and unloads at ${write(d, high)}` : '';
}

function minimum(plant: SiteSystem | undefined, system: UnitSystem): string {
  const d = displayOf('pressure', system);
  return d && plant?.minimum_pressure_pa !== undefined ? `The system needs at least ${write(d, plant.minimum_pressure_pa)}.` : '';
}

export function describe(d: Drawing, plant: SiteSystem | undefined, system: UnitSystem): string {
  const groups = d.tiers.flatMap((t) => t.groups);
  const tail = d.tiers.flatMap((t) => t.tail);
  const out: string[] = [];
  const [one] = groups;
  if (d.single && one) {
    const places = measured([...one.columns, ...tail], system);
    out.push(places ? `Pressure along the way: ${places}.` : 'No live pressure reading.');
    const limits = band(one, system);
    if (limits) out.push(`The machine ${limits}.`);
  } else {
    for (const g of groups) {
      const parts = [g.state ? stateWord[g.state] : 'state not known', measured(g.columns, system), band(g, system)];
      out.push(`${g.machine.name}: ${parts.filter((p) => p !== '').join(', ')}.`);
    }
    const places = measured(tail, system);
    out.push(places ? `After they join: ${places}.` : 'No live pressure reading after they join.');
  }
  out.push(minimum(plant, system));
  if (d.air !== 'unknown') out.push(d.air === 'yes' ? 'Air passes into the system.' : `No air passes from ${d.single ? 'the machine' : 'any machine'} into the system.`);
  return out.filter((s) => s !== '').join(' ');
}
