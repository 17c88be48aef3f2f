// What Money and air makes of its answer: amounts in words, scales of its
// drawings. Pure.
import type { MoneyAnswer, MoneyHour, MoneyState, Site, StateName } from '../api';
import { channelsToShow } from '../figure/look';
import { traceHref } from '../trace/address';
import { fixed } from '../units/units';
import { clockMinute } from '../units/words';

export const stateWords: Record<StateName, string> = {
  loaded: 'loaded', 'part-load': 'at part load', unloaded: 'running unloaded', starting: 'starting', standby: 'standby', stopped: 'stopped', off: 'off', tripped: 'tripped', unobserved: 'state not known',
};

/** Whether a state makes air. */
export const makesAir = (state: string): boolean => state === 'loaded' || state === 'part-load';

/** Money to its hundredths, energy to what matters of it. */
export function amount(value: number, isMoney: boolean): string {
  if (isMoney) return fixed(value, 2);
  return fixed(value, Math.abs(value) >= 100 ? 0 : Math.abs(value) >= 10 ? 1 : 2);
}

/** What is counted: money where the site has prices and the hours a cost, else energy. */
export interface Counted {
  isMoney: boolean;
  unit: string;
}

export function countedOf(answer: MoneyAnswer): Counted {
  return answer.currency && !answer.hours.cost_absent ? { isMoney: true, unit: answer.currency } : { isMoney: false, unit: 'kWh' };
}

/** The value of an hour, a day or a state, and the key it stands under. */
export function valueOf(of: { energy_kwh: number; cost?: number | undefined }, counted: Counted): { value: number; key: 'cost' | 'energy_kwh' } {
  return counted.isMoney && of.cost !== undefined ? { value: of.cost, key: 'cost' } : { value: of.energy_kwh, key: 'energy_kwh' };
}

/** Figures of the states without work, for the sentence. */
export function resting(states: MoneyState[]): { state: MoneyState; index: number }[] {
  return states.flatMap((state, index) => (makesAir(state.state) ? [] : [{ state, index }]));
}

/** A tick's text without needless zeros. */
export const tickText = (v: number): string => String(Number(v.toPrecision(6)));

/** The address in Trace of a stretch, with power and pressure; a and b mark it where more is shown. */
export function stretchHref(site: Site, answer: MoneyAnswer, from: number, to: number, margin = 0): string {
  const subject = answer.kind === 'system' ? { system: answer.subject } : { machine: answer.subject };
  const machines = answer.kind === 'system' ? (site.systems.find((s) => s.name === answer.subject)?.machines ?? []) : [answer.subject];
  const channels = [...new Set([...channelsToShow(site, subject, { unit: 'kW', inputs: [] }), ...channelsToShow(site, subject, { unit: 'kPa', inputs: [] })])].slice(0, 3);
  return traceHref({ channels, machines, from: from - margin, to: to + margin, a: margin > 0 ? from : undefined, b: margin > 0 ? to : undefined });
}

/** One local date with the hours that lie in it. */
export interface DayRow {
  index: number;
  date: string;
  from: number;
  to: number;
  hours: { index: number; hour: MoneyHour; from: number; to: number }[];
}

/** The days of the answer with their hours. */
export function dayRows(answer: MoneyAnswer): DayRow[] {
  const hours = answer.hours.rows.map((hour, index) => ({ index, hour, from: Date.parse(hour.from), to: Date.parse(hour.to) }));
  return answer.hours.days.map((d, index) => {
    const [from, to] = [Date.parse(d.from), Date.parse(d.to)];
    return { index, date: d.date, from, to, hours: hours.filter((h) => h.from >= from && h.from < to) };
  });
}

/** The hour of the clock at a moment in a zone, 0-23 with its part. */
export function clockHour(ms: number, timeZone: string): number {
  const [h = '0', m = '0'] = clockMinute(ms, timeZone).split(':');
  return Number(h) + Number(m) / 60;
}
