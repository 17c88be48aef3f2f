import { expect, it } from 'vitest';
import type { Site } from '../api';
import { alternativesOf, requestOf, searchOf, systemOf, variesOf, withAlternatives, written, wrongLimit } from './address';

const days = { from: '2026-03-02', to: '2026-03-08', now: false };

it('gives back from an address the alternatives that were written into it', () => {
  const all = [
    { name: 'Narrow', set: [{ key: 'comp1.cut_in', value: '97 psi' }, { key: 'comp1.schedule', value: 'Mon-Fri 06:55-16:05; Sat 07:00-12:00' }] },
    { name: 'More | users', set: [{ key: 'user.a', value: '+20 cfm Mon-Fri 07:00-16:00' }] },
  ];
  const query = withAlternatives(new URLSearchParams('from=2026-03-02&alt=old|x=1&sheet=1'), all);
  expect(query.get('from')).toBe('2026-03-02');
  expect(query.get('sheet')).toBeNull();
  expect(alternativesOf(new URLSearchParams(query.toString()))).toEqual([all[0], { ...all[1], name: 'More   users' }]);
  expect(written(all[0] as never)).toContain('comp1.cut_in=97 psi');
});

it('passes over what is no alternative, and names what has no name', () => {
  expect(alternativesOf(new URLSearchParams('alt=|comp1.cut_in=97 psi&alt=empty&alt=a|=3'))).toEqual([{ name: 'alternative 1', set: [{ key: 'comp1.cut_in', value: '97 psi' }] }]);
  expect(alternativesOf(new URLSearchParams(Array.from({ length: 9 }, (_, i) => ['alt', `${i}|a=1`])))).toHaveLength(6);
});

it('asks for traces only of as many days as an answer may have', () => {
  const ask = (query: string, d = days) => requestOf('main', d, new URLSearchParams(query));
  expect(ask('')).toEqual({ from: '2026-03-02', to: '2026-03-08', system: 'main', alternatives: [], trace: true });
  expect(ask('alt=a|b=1').trace).toBe(true);
  expect(ask('alt=a|b=1', { from: '2026-02-01', to: '2026-03-01', now: true })).toMatchObject({ trace: false, to: 'now' });
});

it('reads what a search varies and holds to', () => {
  const query = new URLSearchParams('vary=comp1.no_load_stop|3 min;never&vary=|x&vary=volume_add|&starts_per_hour=6&lowest_pressure=88 psi&short=');
  expect(variesOf(query)).toEqual([{ key: 'comp1.no_load_stop', text: '3 min;never' }]);
  expect(searchOf(query)).toEqual({ vary: { 'comp1.no_load_stop': ['3 min', 'never'] }, limits: { starts_per_hour: 6, lowest_pressure: '88 psi' } });
  expect(searchOf(new URLSearchParams())).toBeUndefined();
  expect(searchOf(new URLSearchParams('vary=comp1.cut_in|90 to 100 psi by 2'))?.vary).toEqual({ 'comp1.cut_in': { from: '90 psi', to: '100 psi', step: '2 psi' } });
  expect(searchOf(new URLSearchParams('vary=comp1.cut_in|6 bar to 7 bar by 0.1 bar'))?.vary).toEqual({ 'comp1.cut_in': { from: '6 bar', to: '7 bar', step: '0.1 bar' } });
});

it('takes no limit that is no number', () => {
  const limit = (text: string) => {
    const search = searchOf(new URLSearchParams({ vary: 'comp1.no_load_stop|3 min', starts_per_hour: text }));
    return search && wrongLimit(search)?.field;
  };
  expect(limit('six')).toBe('search.limits.starts_per_hour'); // JSON has null for it, and the search held nothing
  expect(limit('6')).toBeUndefined();
  expect(limit('')).toBeUndefined();
});

it('finds the system that is asked for, or the machine’s', () => {
  const site = { systems: [{ name: 'a', machines: ['x'] }, { name: 'b', machines: ['y'] }] } as unknown as Site;
  expect(systemOf(site, new URLSearchParams('system=b'))?.name).toBe('b');
  expect(systemOf(site, new URLSearchParams('machine=y'))?.name).toBe('b');
  expect(systemOf(site, new URLSearchParams('system=c'))?.name).toBe('a');
  expect(systemOf({ systems: [] } as unknown as Site, new URLSearchParams())).toBeUndefined();
});
