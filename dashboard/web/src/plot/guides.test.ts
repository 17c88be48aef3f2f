import { expect, it } from 'vitest';
import { placeLabels } from './guides';

it('leaves labels that have room where they are asked for', () => {
  expect(placeLabels([20, 80, 120], [false, true, true], 15)).toEqual([
    { above: true, right: true }, { above: false, right: true }, { above: false, right: true },
  ]);
});

it('covers no label with another, however near the lines are', () => {
  for (let gap = 0; gap < 60; gap += 1) {
    const ys = [40, 40 + gap, 40 + gap + 3];
    const boxes = placeLabels(ys, [false, true, true], 15).map((p, i) => ({ right: p.right, top: (ys[i] ?? 0) - (p.above ? 15 : 0) }));
    for (const [i, a] of boxes.entries()) {
      for (const b of boxes.slice(i + 1)) expect(a.right !== b.right || Math.abs(a.top - b.top) >= 15, `lines at ${ys.join(', ')}`).toBe(true);
    }
  }
});
