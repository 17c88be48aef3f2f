// What a plot shows, in a sentence for those who do not see it. Pure.
import { fixed } from '../units/units';
import { clock } from '../units/words';
import { shown } from './raster';
import { dayText } from './ticks';
import type { Curve, Lane } from './types';

function extent(c: Curve, unit: string, from: number, to: number): string {
  let low = Infinity;
  let high = -Infinity;
  const [first, end] = shown(c.t, from, to);
  for (let i = first; i < end; i++) {
    if ((c.t[i] as number) < from || (c.t[i] as number) >= to) continue;
    if ((c.min[i] as number) < low) low = c.min[i] as number;
    if ((c.max[i] as number) > high) high = c.max[i] as number;
  }
  if (!Number.isFinite(low)) return `${c.name}: no reading.`;
  if (c.bit) return `${c.name}: ${low === high ? (low > 0 ? 'on all the time' : 'off all the time') : 'on and off'}.`;
  return `${c.name} between ${fixed(low, c.decimals)} and ${fixed(high, c.decimals)}${unit ? ` ${unit}` : ''}.`;
}

export function summary(lanes: Lane[], from: number, to: number, marks: number, timeZone: string): string {
  const at = (ms: number) => `${dayText(ms, timeZone)} ${clock(ms, timeZone)}`;
  const curves = lanes.flatMap((l) => l.curves.map((c) => extent(c, l.unit, from, to)));
  const happened = marks === 0 ? '' : marks === 1 ? ' One mark.' : ` ${marks} marks.`;
  return `Plot from ${at(from)} to ${at(to)}. ${curves.join(' ') || 'No channel is chosen.'}${happened}`;
}
