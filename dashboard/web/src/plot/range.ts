// Which values a lane's axis shows. Pure.
import { shown } from './raster';
import { niceStep } from './ticks';
import type { Lane } from './types';

export interface Range {
  low: number;
  high: number;
}

/** From what the window shows; ends lie on round values, lest the axis trembles while one moves. */
export function rangeOf(lane: Lane, from: number, to: number): Range {
  if (lane.curves.length > 0 && lane.curves.every((c) => c.bit)) return { low: -0.15, high: 1.15 };
  let low = Infinity;
  let high = -Infinity;
  let least = 0;
  for (const c of lane.curves) {
    const [first, end] = shown(c.t, from, to);
    for (let i = first; i < end; i++) {
      if ((c.min[i] as number) < low) low = c.min[i] as number;
      if ((c.max[i] as number) > high) high = c.max[i] as number;
    }
    least = Math.max(least, 4 * 10 ** -c.decimals);
  }
  for (const g of lane.guides) {
    low = Math.min(low, g.value);
    high = Math.max(high, g.value);
  }
  if (!Number.isFinite(low)) return { low: 0, high: 1 };
  if (lane.zeroBased) [low, high] = [Math.min(0, low), Math.max(high * 1.08, 1)]; // what a stopped machine takes is no hill
  if (high - low < least) [low, high] = [(low + high - least) / 2, (low + high + least) / 2];
  const half = niceStep((high - low) / 10) / 2;
  const pad = lane.zeroBased ? 0 : (high - low) * 0.06;
  return { low: lane.zeroBased && low === 0 ? 0 : Math.floor((low - pad) / half) * half, high: Math.ceil((high + (lane.zeroBased ? 0 : pad)) / half) * half };
}
