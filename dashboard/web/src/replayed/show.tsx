// Numbers of a replay as people read them: in the shown unit, rounded by their
// interval, tagged with where the answer has them.
import type { ReplayAmount } from '../api';
import { Num } from '../figure/number';
import { showFigure, type ShownFigure, type UnitSystem } from '../units/units';

/** The API's SI unit as the units of figures: name, unit, factor. */
const asFigure: Record<string, [string, string, number]> = {
  Pa: ['', 'kPa', 1e-3], W: ['', 'kW', 1e-3], 'm³/s': ['', 'm³/min', 60], 'W/(m³/s)': ['', 'kW/(m³/min)', 1 / 60_000],
  share: ['leak_share', '1', 1], 'm³ stored': ['', 'm³ stored', 1], '1/Pa': ['', '1/Pa', 1],
};

export function shownAs(value: number, unit: string, uncertainty: number | undefined, system: UnitSystem): ShownFigure {
  const [name, as, factor] = asFigure[unit] ?? ['', unit, 1];
  return showFigure(name, value * factor, as, uncertainty === undefined ? undefined : uncertainty * factor, system);
}

/** "1149.8 ± 13.3 kWh"; at is where the amount stands. sign: a plus is written out. */
export function Amount({ a, at, unit, system, sign = false, plain = false }: { a: ReplayAmount; at: string; unit: string; system: UnitSystem; sign?: boolean; plain?: boolean }) {
  if (a.value === null) return <span class="absent" data-words={a.note ? true : undefined}>{a.note ?? 'not known'}</span>;
  const shown = shownAs(a.value, unit, a.uncertainty, system);
  const own = shown.unit && `\u00a0${shown.unit}`;
  return (
    <>
      <Num value={a.value} at={`${at}/value`} unit={tagOf(unit, shown)}>{sign && a.value > 0 ? `+${shown.value}` : shown.value}</Num>
      {!plain && a.uncertainty !== undefined && shown.uncertainty && <span class="give">{'\u00a0±\u00a0'}<Num value={a.uncertainty} at={`${at}/uncertainty`} unit={tagOf(unit, shown)}>{shown.uncertainty}</Num></span>}
      {own && <span class="unit">{own}</span>}
    </>
  );
}

/** A plain number of the answer. */
export function Plain({ value, at, unit, system, sign = false }: { value: number; at: string; unit: string; system: UnitSystem; sign?: boolean }) {
  const shown = shownAs(value, unit, undefined, system);
  return <><Num value={value} at={at} unit={tagOf(unit, shown)}>{sign && value > 0 ? `+${shown.value}` : shown.value}</Num>{shown.unit && <span class="unit">{`\u00a0${shown.unit}`}</span>}</>;
}

/** The shown unit, where that is not the usual one of what the answer has. */
const tagOf = (unit: string, shown: ShownFigure) => (unit === 'm³ stored' || unit === '1/Pa' || unit === 'share' ? shown.unit : undefined);

/** Whether an interval leaves out zero: then the sign is told. */
export const told = (a: ReplayAmount): boolean => a.value !== null && a.uncertainty !== undefined && Math.abs(a.value) > a.uncertainty;

