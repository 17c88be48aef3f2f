// The line that the air's pressure draws, in straight stretches; none where the
// level is not known. Pure.
import type { Column, Tier } from './layout';
import type { Scale } from './scale';
import type { Known, Passing } from './stations';

export interface Stretch {
  x0: number;
  y0: number;
  x1: number;
  y1: number;
  known: Known;
}

const slope = 9; // px over which a drop is drawn

export const certainty: Known[] = ['measured', 'carried', 'old'];

/** The less certain of two ways of knowing. */
function least(a: Known, b: Known): Known {
  return certainty.indexOf(a) > certainty.indexOf(b) ? a : b;
}

/** Every machine up to where it joins; the last one goes on into what all share. */
export function profile(tier: Tier, scale: Scale): Stretch[] {
  if (tier.groups.length === 0) return chain(tier.tail, 'unknown', scale);
  return tier.groups.flatMap((g, i) => chain(i === tier.groups.length - 1 ? [...g.columns, ...tier.tail] : g.columns, g.air, scale));
}

function chain(columns: Column[], air: Passing, scale: Scale): Stretch[] {
  const out: Stretch[] = [];
  const entry = columns.find((c) => c.kind === 'outlet' || c.kind === 'separator');
  columns.forEach((c, i) => {
    const level = c.level;
    if (c.kind === 'airend') {
      // The climb: to the first level inside the machine, if there is one to climb to.
      const to = entry?.level;
      if (to && (air !== 'no' || entry.kind === 'separator')) {
        out.push({ x0: c.x0, y0: scale.y(0), x1: c.x1, y1: scale.y(to.pa), known: to.known });
      }
      return;
    }
    if (!level) return;
    const y = scale.y(level.pa);
    const before = columns[i - 1];
    const open = before?.level && before.kind !== 'airend' && !(c.kind === 'outlet' && air === 'no');
    const start = open ? c.x0 + slope / 2 : c.x0;
    if (open && before.level) {
      out.push({ x0: c.x0 - slope / 2, y0: scale.y(before.level.pa), x1: start, y1: y, known: least(level.known, before.level.known) });
    }
    const next = columns[i + 1];
    const closed = !next || next.kind === 'airend' || (next.kind === 'outlet' && air === 'no') || !next.level;
    if (c.kind === 'plant') {
      const knee = c.x0 + (c.x1 - c.x0) * 0.62;
      out.push({ x0: start, y0: y, x1: knee, y1: y, known: level.known });
      out.push({ x0: knee, y0: y, x1: c.x1, y1: scale.y(0), known: level.known });
    } else {
      out.push({ x0: start, y0: y, x1: closed ? c.x1 : c.x1 - slope / 2, y1: y, known: level.known });
    }
  });
  return out;
}
