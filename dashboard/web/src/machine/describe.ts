// The section drawing in words, for who cannot see it.
import type { SiteMachine, SiteSystem, StateName } from '../api';
import { displayOf, write, type UnitSystem } from '../units/units';
import { passing, type Station } from './stations';

export function describe(
  list: Station[], machine: SiteMachine, plant: SiteSystem | undefined, state: StateName | undefined, system: UnitSystem,
): string {
  const d = displayOf('pressure', system);
  if (!d) return '';
  const out: string[] = [];
  const measured = list.filter((s) => s.pressure?.fresh && s.pressure.si !== undefined);
  out.push(measured.length > 0
    ? `Pressure along the way: ${measured.map((s) => `${s.name} ${write(d, s.pressure?.si ?? 0)}`).join(', ')}.`
    : 'No live pressure reading.');
  if (machine.cut_in_pa !== undefined && machine.cut_out_pa !== undefined) {
    out.push(`The machine loads at ${write(d, machine.cut_in_pa)} and unloads at ${write(d, machine.cut_out_pa)}.`);
  }
  if (plant?.minimum_pressure_pa !== undefined) out.push(`The system needs at least ${write(d, plant.minimum_pressure_pa)}.`);
  const air = passing(state);
  if (air !== 'unknown') out.push(air === 'yes' ? 'Air passes into the system.' : 'No air passes from the machine into the system.');
  return out.join(' ');
}
