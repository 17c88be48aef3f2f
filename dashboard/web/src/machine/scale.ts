// The section's height scale: pressure on a straight scale from zero, or, when
// all that matters is high up, with the part below it pressed together and a
// break drawn across. Distances above the break are true to each other.
import { niceStep } from '../plot/ticks';

export interface Scale {
  /** height in the drawing of a pressure, Pa */
  y(pa: number): number;
  /** where the break is drawn; undefined: none */
  breakY: number | undefined;
  /** lowest pressure above the break, Pa; 0 without a break */
  bottomPa: number;
  topPa: number;
  ticks: number[];
}

/** Share of the height that the pressed-together part takes. */
const lowShare = 0.3;

/**
 * Makes the scale for pressures that must be told apart. unitPa is one shown
 * unit, so that ticks fall on round numbers of it. The ends move in whole ticks:
 * the drawing does not tremble with its readings.
 */
export function makeScale(pressuresPa: number[], unitPa: number, topY: number, baseY: number): Scale {
  const known = pressuresPa.filter((p) => Number.isFinite(p) && p > 0);
  const highest = known.length > 0 ? Math.max(...known) : 8e5;
  const lowest = known.length > 0 ? Math.min(...known) : 0;
  const span = Math.max(highest - lowest, 0.1 * highest) / unitPa;
  const step = niceStep(span / 4);
  const top = Math.ceil((highest / unitPa + 0.1 * span) / step) * step;
  let bottom = Math.floor((lowest / unitPa - 0.1 * span) / step) * step;
  if (bottom < 0.35 * top) bottom = 0;
  const ticks: number[] = [];
  const linear = bottom === 0 ? niceStep(top / 6) : step;
  for (let v = bottom; v <= top + linear / 1e3; v += linear) ticks.push(v * unitPa);
  if (bottom > 0) ticks.unshift(0);
  const bottomY = bottom === 0 ? baseY : baseY - lowShare * (baseY - topY);
  const y = (pa: number): number => {
    const v = pa / unitPa;
    if (bottom > 0 && v < bottom) return baseY - (Math.max(v, 0) / bottom) * (baseY - bottomY);
    return bottomY - ((Math.min(v, top) - bottom) / (top - bottom)) * (bottomY - topY);
  };
  return {
    y, ticks, topPa: top * unitPa, bottomPa: bottom * unitPa,
    breakY: bottom === 0 ? undefined : (baseY + bottomY) / 2,
  };
}
