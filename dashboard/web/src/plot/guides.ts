// Where the words of a chart's guide lines go, so that none covers another.
// Pure, so that it can be tested.

export interface Placed {
  /** above its line, or below */
  above: boolean;
  /** at the right end of its line, or at the left */
  right: boolean;
}

/**
 * Places one label for each line, in the order given: at the right end on the
 * side asked for, else on the other side, else at the left end. ys are the
 * lines' heights in the drawing, which grow downwards; step is a label's height.
 */
export function placeLabels(ys: number[], below: boolean[], step: number): Placed[] {
  const taken: { right: boolean; top: number }[] = [];
  return ys.map((y, i) => {
    const first = below[i] ? [false, true] : [true, false];
    const ways = [true, false].flatMap((right) => first.map((above) => ({ above, right })));
    const top = (w: Placed) => (w.above ? y - step : y);
    const free = (w: Placed) => taken.every((t) => t.right !== w.right || Math.abs(t.top - top(w)) >= step);
    const way = ways.find(free) ?? { above: !below[i], right: true };
    taken.push({ right: way.right, top: top(way) });
    return way;
  });
}
