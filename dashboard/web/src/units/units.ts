// Conversion at the edge: the API gives a channel's value in its map's unit and
// figures in fixed units; people are shown US or SI units. Conversion factors
// follow from the inch, foot, gallon and pound, which are exact by definition
// (1959 yard and pound agreement: from memory).
import { duration } from './words';

export type UnitSystem = 'us' | 'si';

/** How a quantity is shown: shown = SI value * scale + offset. */
export interface Display {
  unit: string;
  decimals: number;
  scale: number;
  offset: number;
}

const psiPa = (0.45359237 * 9.80665) / (0.0254 * 0.0254);
const cubicFootM3 = (12 * 0.0254) ** 3;
const gallonM3 = 231 * 0.0254 ** 3;
const cfmM3S = cubicFootM3 / 60;

const plain = (unit: string, decimals: number, scale = 1, offset = 0): Display => ({ unit, decimals, scale, offset });
const same = (d: Display): Record<UnitSystem, Display> => ({ us: d, si: d });

/** Keyed by the API's word for a channel's quantity. */
const displays: Record<string, Record<UnitSystem, Display>> = {
  pressure: { us: plain('psi', 1, 1 / psiPa), si: plain('bar', 2, 1e-5) },
  flow: { us: plain('cfm', 1, 1 / cfmM3S), si: plain('m³/min', 2, 60) },
  power: same(plain('kW', 1, 1e-3)),
  energy: same(plain('kWh', 1, 1 / 3.6e6)),
  temperature: { us: plain('°F', 1, 1.8, -459.67), si: plain('°C', 1, 1, -273.15) },
  // The volume that a channel tells is delivered air, in gallons nobody counts it.
  volume: { us: plain('ft³', 0, 1 / cubicFootM3), si: plain('m³', 1) },
  current: same(plain('A', 1)),
  voltage: same(plain('V', 1)),
  frequency: same(plain('Hz', 2)),
  rotation_speed: same(plain('rpm', 0, 60)),
  ratio: same(plain('%', 1, 100)),
  apparent_power: same(plain('kVA', 1, 1e-3)),
};

/** The display of a quantity, or undefined where the map's own unit is shown. */
export function displayOf(quantity: string, system: UnitSystem): Display | undefined {
  return displays[quantity]?.[system];
}

/** What conversion needs to know of a channel. */
export interface ChannelUnit {
  unit: string;
  quantity: string;
  si_scale: number;
  si_offset: number;
  absolute: boolean;
  /** least difference between two values; undefined: not known */
  step?: number | undefined;
}

/** A channel's value in SI: pascals, watts, kelvins and so on. */
export function toSI(channel: ChannelUnit, value: number): number {
  return value * channel.si_scale + channel.si_offset;
}

/** The display of a channel's value, straight from the map's unit. */
export function channelDisplay(channel: ChannelUnit, system: UnitSystem): Display {
  const d = displayOf(channel.quantity, system);
  if (!d) return plain(channel.unit === '1' ? '' : channel.unit, decimalsOfStep(channel.step, 4) ?? 2);
  const scale = channel.si_scale * d.scale;
  // An absolute pressure says so; an unmarked one is gauge.
  return {
    unit: channel.absolute ? `${d.unit}(a)` : d.unit,
    decimals: decimalsOfStep(channel.step === undefined ? undefined : channel.step * scale, d.decimals) ?? d.decimals,
    scale,
    offset: channel.si_offset * d.scale + d.offset,
  };
}

/** Decimals that tell values a step apart, at most so many; undefined: the step is not known. */
function decimalsOfStep(step: number | undefined, most: number): number | undefined {
  if (step === undefined || !(step > 0)) return undefined;
  return Math.min(most, Math.max(0, Math.ceil(-Math.log10(step) - 1e-6)));
}

/** A number with a fixed count of decimals; a rounded -0.04 is 0.0. */
export function fixed(value: number, decimals: number): string {
  if (!Number.isFinite(value)) return '–';
  const text = value.toFixed(decimals);
  return (/^-0(\.0*)?$/.test(text) ? text.slice(1) : text).replace('-', '−');
}

export function convert(d: Display, value: number): number {
  return value * d.scale + d.offset;
}

/** "104.2 psi" */
export function write(d: Display, value: number): string {
  const text = fixed(convert(d, value), d.decimals);
  return d.unit ? `${text} ${d.unit}` : text;
}

// Keyed by the unit in which /figures gives a value.
const figureDisplays: Record<string, Record<UnitSystem, Display>> = {
  kPa: { us: plain('psi', 1, 1e3 / psiPa), si: plain('bar', 2, 1e-2) },
  '°C': { us: plain('°F', 1, 1.8, 32), si: plain('°C', 1) },
  'm³': { us: plain('ft³', 0, 1 / cubicFootM3), si: plain('m³', 1) },
  'm³/min': { us: plain('cfm', 1, 1 / (cfmM3S * 60)), si: plain('m³/min', 2) },
  // 100 cfm is the trade's US denominator of specific power.
  'kW/(m³/min)': { us: plain('kW/100 cfm', 2, 100 * cfmM3S * 60), si: plain('kW/(m³/min)', 2) },
  'kWh/m³': { us: plain('kWh/1000 ft³', 2, 1000 * cubicFootM3), si: plain('kWh/m³', 3) },
  kW: same(plain('kW', 1)),
  kWh: same(plain('kWh', 1)),
  '1/h': same(plain('per hour', 2)),
  // Of figures K is a difference of temperatures: no zero is moved.
  K: { us: plain('°F', 1, 1.8), si: plain('K', 1) },
  // What stores hold is counted in gallons, free air never.
  'm³ stored': { us: plain('gal', 0, 1 / gallonM3), si: plain('m³', 2) },
  '1/Pa': { us: plain('%/psi', 2, 100 * psiPa), si: plain('%/bar', 1, 1e7) },
  'l/d': { us: plain('gal/d', 1, 1e-3 / gallonM3), si: plain('l/d', 1) },
};

/** Figures whose plain number is a share and is shown in percent. */
const shares = new Set(['duty_cycle', 'loaded_share', 'mean_load_fraction', 'leak_share', 'isentropic_efficiency', 'motor_derating', 'water_risk_share', 'standing_below_minimum_share']);

/** The display of a figure's value, by name and unit. */
export function figureDisplay(name: string, unit: string, system: UnitSystem): Display {
  if (name === 'starts_per_hour_max') return plain('per hour', 0); // so many were counted in one
  if (unit === '1') return shares.has(name) ? plain('%', 1, 100) : plain('', 0);
  const known = figureDisplays[unit]?.[system];
  if (known) return known;
  // Money for a volume of air, whatever the currency is called.
  const money = /^(.+)\/m³$/.exec(unit)?.[1];
  if (money) return system === 'us' ? plain(`${money}/1000 ft³`, 3, 1000 * cubicFootM3) : plain(unit, 4);
  return plain(unit, 2);
}

/** Decimals that show an uncertainty with two figures, within 0 to 4. */
export function decimalsFor(uncertainty: number): number {
  if (!(uncertainty > 0)) return 0;
  const first = Math.floor(Math.log10(uncertainty));
  return Math.min(4, Math.max(0, 1 - first));
}

/** Whole tens, hundreds and so on of a volume that show its uncertainty with two figures: nobody reads 232397 ± 21632 ft³. */
function tens(half: number): number {
  return half < 100 ? 1 : 10 ** (Math.floor(Math.log10(half)) - 1);
}

export interface ShownFigure {
  value: string;
  /** Half width of the interval in the shown unit, "<0.01", or empty. */
  uncertainty: string;
  unit: string;
  /** "61.2 to 61.8", "within 0.01 of 0.25", or empty. */
  interval: string;
  /** The ends of the interval, where they can be told apart. */
  ends?: [string, string];
}

/** Seconds in words; tenths below a minute. */
function seconds(value: number): string {
  return value < 59.95 ? `${value === 0 ? '0' : value.toFixed(1)}\u00a0s` : duration(value * 1000);
}

/** The tenth below which an uncertainty is shown as less than it, s. */
const tenth = 0.05;

function showSeconds(value: number, uncertainty: number | undefined): ShownFigure {
  if (uncertainty === undefined || !(uncertainty > 0)) return { value: seconds(value), uncertainty: '', unit: '', interval: '' };
  if (uncertainty < tenth) return { value: seconds(value), uncertainty: '<0.1\u00a0s', unit: '', interval: `within 0.1\u00a0s of ${seconds(value)}` };
  const ends: [string, string] = [seconds(Math.max(0, value - uncertainty)), seconds(value + uncertainty)]; // no time is less than none
  return { value: seconds(value), uncertainty: seconds(uncertainty), unit: '', interval: ends.join(' to '), ends };
}

/** A figure's value and interval in the shown unit, rounded by its uncertainty. */
export function showFigure(
  name: string, value: number, unit: string, uncertainty: number | undefined, system: UnitSystem,
): ShownFigure {
  if (unit === 's') return showSeconds(value, uncertainty);
  const d = figureDisplay(name, unit, system);
  const shown = convert(d, value);
  if (uncertainty === undefined || !(uncertainty > 0)) {
    return { value: fixed(shown, d.decimals), uncertainty: '', unit: d.unit, interval: '' };
  }
  const half = uncertainty * d.scale; // a width has no offset
  // Four figures of a value are all that anybody reads.
  const four = shown === 0 ? 4 : Math.max(0, 3 - Math.floor(Math.log10(Math.abs(shown))));
  const decimals = Math.min(decimalsFor(half), d.decimals + 1, four);
  const step = unit === 'm³' ? tens(half) : 1;
  const text = (v: number) => fixed(step === 1 ? v : Math.round(v / step) * step, decimals);
  const rounded = text(half);
  if (Number(rounded) === 0) {
    // Smaller than what is worth showing, but not nothing.
    const places = Math.min(d.decimals, four);
    const least = fixed(10 ** -places, places);
    return { value: fixed(shown, places), uncertainty: `<${least}`, unit: d.unit, interval: `within ${least} of ${fixed(shown, places)}` };
  }
  return {
    value: text(shown),
    uncertainty: rounded,
    unit: d.unit,
    interval: `${text(shown - half)} to ${text(shown + half)}`,
    ends: [text(shown - half), text(shown + half)],
  };
}
