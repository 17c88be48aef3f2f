import { describe, expect, it } from 'vitest';
import type { Site, SiteMachine, StateName } from '../api';
import type { View } from '../live/live';
import { emptyPicture, type Reading } from '../live/picture';
import { describe as inWords } from './describe';
import { layOut, type Drawing } from './layout';
import { profile } from './profile';

const psi = 6894.757293168361;
const now = Date.UTC(2026, 10, 25, 18);
const ids = ['a', 'b', 'c', 'd', 'e', 'f'];
const channel = (id: string, role: string) => ({ id, device: id.split('.')[0], name: id.split('.')[1], role, unit: 'psi', quantity: 'pressure', si_scale: psi, si_offset: 0, absolute: false, period_ms: 1000, bit: false });
const machineOf = (id: string): SiteMachine => ({ name: id, control: 'load/unload', cut_in_pa: 95 * psi, cut_out_pa: 107 * psi, channels: { discharge_pressure: `${id}.out`, sump_pressure: `${id}.sump`, receiver_pressure: 'a.tank' } }) as SiteMachine;
const site = {
  timezone: 'UTC', lines: [],
  channels: [...ids.flatMap((id) => [channel(`${id}.out`, 'discharge_pressure'), channel(`${id}.sump`, 'sump_pressure')]), channel('a.tank', 'receiver_pressure'), channel('x.mains', 'header_pressure')],
  machines: ids.map(machineOf),
  systems: [{
    name: 'main', machines: ids, minimum_pressure_pa: 86 * psi, pressure: 'x.mains',
    parts: [{ name: 'wet tank', kind: 'receiver' }, { name: 'dryer', kind: 'dryer' }, { name: 'dry tank', kind: 'receiver' }, { name: 'mains', kind: 'piping' }],
    taps: [{ at: 'dry tank', pressure: 'a.tank' }, { at: 'mains', pressure: 'x.mains' }],
  }],
} as unknown as Site;

const good = (value: number): Reading => ({ value, at: now - 200, reason: 'good' });
const view = (readings: Record<string, number>): View => ({ ...emptyPicture(), readings: new Map(Object.entries(readings).map(([k, v]) => [k, good(v)])), now, heard: now, connection: 'live' });
const readings = { 'a.out': 104, 'a.sump': 108, 'b.out': 103, 'b.sump': 30, 'c.out': 105, 'c.sump': 109, 'a.tank': 101, 'x.mains': 100 };

function drawn(n: number, width: number, states: (StateName | undefined)[], read: Record<string, number> = readings): Drawing {
  const system = site.systems[0];
  return layOut(site, view(read), { machines: site.machines.slice(0, n), system }, states, 'us', width);
}

const level = (d: Drawing, key: string) => d.tiers.flatMap((t) => [...t.groups.flatMap((g) => g.columns), ...t.tail]).filter((c) => c.key === key).map((c) => (c.level ? `${Math.round(c.level.pa / psi)} ${c.level.known}` : '-'));

describe('several machines in one drawing', () => {
  it.each([[1, 1200, 1], [2, 1200, 1], [3, 1200, 1], [6, 1200, 1], [3, 800, 1], [6, 700, 2], [2, 356, 2], [3, 356, 2], [6, 356, 2], [6, 286, 2]])('%d machines in %d px take %d rows, side by side within the width', (n, width, rows) => {
    const d = drawn(n, width, ids.map(() => 'loaded'));
    expect(d.tiers.length).toBe(rows);
    expect(d.tiers.flatMap((t) => t.groups).map((g) => g.machine.name)).toEqual(ids.slice(0, n));
    for (const t of d.tiers) {
      const columns = [...t.groups.flatMap((g) => g.columns), ...t.tail];
      let x = d.axisX;
      for (const c of columns) {
        expect(c.x0).toBeCloseTo(x, 6);
        expect(c.x1).toBeGreaterThan(c.x0);
        x = c.x1;
      }
      expect(x).toBeLessThanOrEqual(width);
    }
    for (const g of d.tiers.flatMap((t) => t.groups)) { // a pressure of five figures at 13.5 px is 34 px wide
      expect((g.columns.at(-1)?.x1 ?? 0) - (g.columns[0]?.x0 ?? 0)).toBeGreaterThan(34);
    }
  });

  it('puts machines at their own pressures and joins them at the lowest that delivers', () => {
    const d = drawn(3, 1200, ['loaded', 'unloaded', 'loaded']);
    expect(level(d, 'outlet')).toEqual(['104 measured', '103 measured', '105 measured']);
    expect(level(d, 'joint')).toEqual(['104 carried', '104 carried', '104 carried']);
    expect(level(d, 'part wet tank')).toEqual(['104 carried']);
    expect(level(d, 'part dry tank')).toEqual(['101 measured']);
    expect(level(d, 'plant')).toEqual(['100 carried']);
    expect(d.air).toBe('yes');
  });

  it('takes the system’s own pressure for the join when no machine delivers', () => {
    const d = drawn(2, 1200, ['unloaded', 'standby']);
    expect(level(d, 'joint')).toEqual(['101 carried', '101 carried']);
    expect(d.air).toBe('no');
  });

  it('shows a reading at its tap only, not at every receiver', () => {
    const d = drawn(2, 1200, ['loaded', 'loaded']);
    const shown = d.tiers.flatMap((t) => t.tail).filter((c) => c.pressure?.channel.id === 'a.tank').map((c) => c.name);
    expect(shown).toEqual(['dry tank']);
  });

  it('claims no passing air of a machine that it cannot see', () => {
    const d = drawn(2, 1200, ['unloaded', undefined]);
    expect(d.air).toBe('unknown');
    expect(inWords(d, site.systems[0], 'us')).not.toContain('passes');
    expect(inWords(d, site.systems[0], 'us')).toContain('b: state not known');
  });

  it('draws the climb of each machine from the ground to its sump', () => {
    const d = drawn(2, 1200, ['loaded', 'unloaded']);
    const tier = d.tiers[0];
    if (!tier) throw new Error('no row');
    const climbs = profile(tier, d.scale).filter((s) => s.y0 === d.scale.y(0) && s.x0 !== d.axisX - 1 && s.y1 < s.y0);
    expect(climbs.map((s) => Math.round(s.y1))).toEqual([Math.round(d.scale.y(108 * psi)), Math.round(d.scale.y(30 * psi))]);
  });

  it('says all of it in words', () => {
    const text = inWords(drawn(3, 1200, ['loaded', 'unloaded', 'standby']), site.systems[0], 'us');
    expect(text).toContain('a: loaded, separator 108.0 psi, cooler 104.0 psi, loads at 95.0 psi and unloads at 107.0 psi.');
    expect(text).toContain('b: running unloaded');
    expect(text).toContain('After they join: dry tank 101.0 psi, mains 100.0 psi.');
    expect(text).toContain('The system needs at least 86.0 psi. Air passes into the system.');
  });
});
