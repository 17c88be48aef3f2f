// What the page asks, as an address: whose days, which settings are tried, what is
// searched, which of them is drawn. Pure.
import type { ReplayAlternative, ReplayRequest, ReplaySearch, ReplaySetting, Site } from '../api';
import { apiWindow, count, type Days } from '../look/days';
import { typedNumber } from '../units/typed';
import { valuesOf } from './ranges';

/** As many alternatives stand side by side. */
export const mostAlternatives = 6;
/** Days of trace that one answer may have, those of each run counted, as the API has it. */
const mostTracedDays = 50;

/** An alternative as the address has it: its name, then key=value, with bars between. */
export function written(a: ReplayAlternative): string {
  return [a.name, ...a.set.map((s) => `${s.key}=${s.value}`)].map((part) => part.replaceAll('|', ' ')).join('|');
}

function readSetting(part: string): ReplaySetting[] {
  const at = part.indexOf('=');
  return at > 0 ? [{ key: part.slice(0, at).trim(), value: part.slice(at + 1).trim() }] : [];
}

/** The alternatives of an address; what is none of them is passed over. */
export function alternativesOf(query: URLSearchParams): ReplayAlternative[] {
  return query.getAll('alt').map((text) => {
    const [name = '', ...parts] = text.split('|');
    return { name: name.trim(), set: parts.flatMap(readSetting) };
  }).filter((a) => a.set.length > 0).slice(0, mostAlternatives).map((a, i) => ({ ...a, name: a.name || `alternative ${i + 1}` }));
}

/** The same address with other alternatives. */
export function withAlternatives(query: URLSearchParams, all: ReplayAlternative[]): URLSearchParams {
  const next = new URLSearchParams(query);
  next.delete('alt');
  next.delete('sheet');
  for (const a of all) next.append('alt', written(a));
  return next;
}

/** What may vary, each with its values as they were written; a bar stands after the key. */
export function variesOf(query: URLSearchParams): { key: string; text: string }[] {
  return query.getAll('vary').map((text) => {
    const [key = '', values = ''] = text.split('|', 2);
    return { key: key.trim(), text: values.trim() };
  }).filter((v) => v.key !== '' && v.text !== '');
}

export const limitKeys = ['lowest_pressure', 'starts_per_hour', 'cycles_per_hour', 'below_minimum', 'short'] as const;

/** The search of an address; undefined: none is asked for. */
export function searchOf(query: URLSearchParams): ReplaySearch | undefined {
  const vary = variesOf(query);
  if (vary.length === 0) return undefined;
  const limits: ReplaySearch['limits'] = {};
  for (const key of limitKeys) {
    const value = (query.get(key) ?? '').trim();
    if (value === '') continue;
    if (key === 'starts_per_hour' || key === 'cycles_per_hour') limits[key] = typedNumber(value);
    else limits[key] = value;
  }
  return { vary: Object.fromEntries(vary.map((v) => [v.key, valuesOf(v.text)])), limits };
}

/** A limit that is no number; sent, it would be null and hold nothing. */
export function wrongLimit(search: ReplaySearch): { field: string; message: string } | undefined {
  const key = (['starts_per_hour', 'cycles_per_hour'] as const).find((k) => search.limits?.[k] !== undefined && !Number.isFinite(search.limits[k]));
  return key && { field: `search.limits.${key}`, message: 'this is no number: write it like 6' };
}

/** The system of an address, else the first; undefined: the site has none. */
export function systemOf(site: Site, query: URLSearchParams): Site['systems'][number] | undefined {
  const machine = query.get('machine');
  return site.systems.find((s) => s.name === query.get('system')) ?? site.systems.find((s) => machine !== null && s.machines.includes(machine)) ?? site.systems[0];
}

/** What is sent. Traces are asked for where the API gives them. */
export function requestOf(system: string, days: Days, query: URLSearchParams): ReplayRequest {
  const alternatives = alternativesOf(query);
  return { ...apiWindow(days), system, alternatives, trace: count(days) * (alternatives.length + 1) < mostTracedDays };
}
