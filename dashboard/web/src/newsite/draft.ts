// What a person has said of the new site so far. Fields are named by where they
// stand, "device.0.unit", as loadscribe's remarks name them.
import { signal } from '@preact/signals';
import type { DraftRemark, SiteDraft } from '../api';

export const emptyLine = { name: '', kind: 'modbus-rtu', port: '', serial: '', address: '', listen: false };
export const emptyDevice = {
  name: '', line: '', unit: '', map: '', every: '',
  instrument: { serial: '', certificate: '', calibrated: '', calibration_months: '', flow_meter: '', accuracy: {}, current_transformer: { fitted: '', meter: '' } },
};
export const emptyMachine = {
  name: '', control: 'load/unload', rated_flow: '', rated_pressure: '', rated_power: '', cut_in: '', cut_out: '', no_load_stop: '', least_between_starts: '',
  trip_temperature: '', motor: { power: '', poles: '', volts: '', starting: '', starts_per_hour: '' }, channels: {}, service: [],
};
export const emptyPart = { name: '', kind: 'receiver', volume: '', purge: '' };
export const emptyTap = { at: '', pressure: '', flow: '' };
export const emptyPrice = { price: '', when: '' };
export const emptyService = { item: '', hours: '', months: '' };

/** What most sites have: one machine on one line. zone and us are the browser's. */
export function firstDraft(zone: string, us: boolean): SiteDraft {
  return {
    site: { name: '', timezone: zone, units: us ? 'us' : 'si', altitude: '', barometer: '', shifts: [], holidays: [], weeks_per_year: '' },
    tariff: { currency: '', energy: [{ ...emptyPrice }], demand: { price: '', window: '' }, emissions: '' },
    line: [{ ...emptyLine, name: 'bus' }],
    device: [{ ...emptyDevice, name: 'controller', line: 'bus', unit: '1' }],
    machine: [{ ...emptyMachine, name: 'comp1', channels: { controller: '*' } }],
    system: [{ name: 'main', machines: ['comp1'], minimum_pressure: '', parts: [{ ...emptyPart, name: 'receiver' }], taps: [] }],
    report: { prepared_for: '', prepared_by: '', place: '', goals: '', scope: '' },
    maps: [],
  };
}

type Tree = string | boolean | Tree[] | { [key: string]: Tree };

export const draft = signal<SiteDraft>(firstDraft('UTC', false));

/** What stands at a field; nothing where there is no such field. */
export function valueAt(at: string): unknown {
  let v: unknown = draft.value;
  for (const key of at.split('.')) v = v && typeof v === 'object' ? (v as Record<string, unknown>)[key] : undefined;
  return v;
}

export const textAt = (at: string): string => {
  const v = valueAt(at);
  return typeof v === 'string' ? v : '';
};

function replaced(tree: Tree, keys: string[], value: Tree | undefined): Tree {
  const [key, ...rest] = keys;
  if (key === undefined) return value ?? '';
  if (Array.isArray(tree)) return tree.map((t, i) => (String(i) === key ? replaced(t, rest, value) : t));
  if (typeof tree !== 'object') return tree;
  if (rest.length === 0 && value === undefined) return Object.fromEntries(Object.entries(tree).filter(([k]) => k !== key));
  return { ...tree, [key]: replaced(tree[key] ?? '', rest, value) };
}

/** Puts a value at a field; undefined takes a key out of a table. */
export function put(at: string, value: unknown): void {
  draft.value = replaced(draft.value as unknown as Tree, at.split('.'), value as Tree | undefined) as unknown as SiteDraft;
}

export function add(at: string, item: object): void {
  put(at, [...((valueAt(at) as unknown[] | undefined) ?? []), structuredClone(item)]);
}

export function remove(at: string, index: number): void {
  called.clear(); // what stands behind it moves up
  put(at, ((valueAt(at) as unknown[] | undefined) ?? []).filter((_, i) => i !== index));
}

/** What others still call an item while its name, half typed, is another one's: by "line 1". */
const called = new Map<string, string | undefined>();

/**
 * Renames what others refer to: a line, a device, a machine. Names are typed key by
 * key, so that "meter2" is "meter" on the way: what refers to that one stays with it.
 */
export function rename(kind: 'line' | 'device' | 'machine', index: number, name: string): void {
  const item = `${kind} ${index}`;
  const others = draft.value[kind].filter((_, i) => i !== index).map((o) => o.name);
  const now = textAt(`${kind}.${index}.name`);
  const before = called.has(item) ? called.get(item) : others.includes(now) ? undefined : now;
  put(`${kind}.${index}.name`, name);
  if (others.includes(name)) {
    called.set(item, before);
    return;
  }
  called.delete(item);
  if (before === undefined) return;
  const d = draft.value;
  if (kind === 'line') d.device.forEach((v, i) => { if (v.line === before) put(`device.${i}.line`, name); });
  if (kind === 'machine') {
    d.system.forEach((s, i) => put(`system.${i}.machines`, s.machines.map((m) => (m === before ? name : m))));
  }
  if (kind !== 'device') return;
  d.machine.forEach((m, i) => {
    put(`machine.${i}.channels`, Object.fromEntries(Object.entries(m.channels).map(([k, v]) => [k === before ? name : k, v])));
  });
  const other = (id: string) => (id.startsWith(`${before}.`) ? `${name}${id.slice(before.length)}` : id);
  d.system.forEach((s, i) => put(`system.${i}.taps`, s.taps.map((t) => ({ ...t, pressure: other(t.pressure), flow: other(t.flow) }))));
}

const key = (folder: string, file: string) => `new site ${folder}/${file}`;

/** Keeps the draft in this browser, so that a reload loses nothing. */
export function keep(folder: string, file: string): void {
  try {
    localStorage.setItem(key(folder, file), JSON.stringify(draft.value));
  } catch {
    // then it lasts as long as the page
  }
}

export function forget(folder: string, file: string): void {
  try {
    localStorage.removeItem(key(folder, file));
  } catch {
    // nothing was kept
  }
}

/** What was kept, if it has the shape of today's draft. */
export function kept(folder: string, file: string): SiteDraft | undefined {
  try {
    const was = JSON.parse(localStorage.getItem(key(folder, file)) ?? 'null') as unknown;
    const like = { ...firstDraft('UTC', false), machine: [emptyMachine] }; // channels have names of their own
    return sameShape(was, like) ? (was as SiteDraft) : undefined;
  } catch {
    return undefined;
  }
}

function sameShape(a: unknown, like: unknown): boolean {
  if (Array.isArray(like)) return Array.isArray(a) && a.every((v) => like.length === 0 || sameShape(v, like[0]));
  if (like && typeof like === 'object') {
    const keys = Object.keys(like);
    return !!a && typeof a === 'object' && !Array.isArray(a) && keys.every((k) => sameShape((a as Record<string, unknown>)[k], (like as Record<string, unknown>)[k]));
  }
  return typeof a === typeof like;
}

/** The remarks of a field itself. */
export const remarksAt = (remarks: DraftRemark[], at: string): DraftRemark[] => remarks.filter((r) => r.field === at);

/** The input that a remark belongs to: its field, or the nearest that it is part of. */
export function elementOf(field: string, find: (id: string) => HTMLElement | null): HTMLElement | null {
  for (let at = field; at; at = at.slice(0, Math.max(0, at.lastIndexOf('.')))) {
    const found = find(`f-${at}`);
    if (found) return found;
  }
  return null;
}

/** Devices whose readings no compressor and no measured place takes: kept and plotted, but in no figure. */
export const unclaimed = (d: SiteDraft): string[] => d.device.map((v) => v.name).filter((name) => name !== ''
  && !d.machine.some((m) => m.channels[name] !== undefined)
  && !d.system.some((s) => s.taps.some((t) => t.pressure.startsWith(`${name}.`) || t.flow.startsWith(`${name}.`))));
