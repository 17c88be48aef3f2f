// How the reader's moves change the window of time. Pure, so that it can be tested.

export interface Span {
  from: number;
  to: number;
}

/** How far one may go, and the shortest window that still says something, all ms. */
export interface Limits {
  least: number;
  most: number;
}

/** A reading a second is the common pace: less than ten of them are no picture. */
export const shortestMs = 10_000;

/** The window moved and, where it must be, narrowed or widened until it is allowed. */
export function within(w: Span, l: Limits): Span {
  const room = Math.max(l.most - l.least, shortestMs);
  const span = Math.min(Math.max(w.to - w.from, shortestMs), room);
  // A window of a forbidden length keeps its middle.
  const middle = (w.from + w.to) / 2;
  const from = Math.round(Math.min(Math.max(middle - span / 2, l.least), l.least + room - span));
  return { from, to: Math.round(from + span) };
}

export function panned(w: Span, byMs: number, l: Limits): Span {
  const span = w.to - w.from;
  const room = Math.max(l.most - l.least, span);
  const from = Math.min(Math.max(w.from + byMs, l.least), l.least + room - span);
  return within({ from, to: from + span }, l);
}

/** factor below 1 shows less time; the moment at stays where it is on the screen. */
export function zoomed(w: Span, at: number, factor: number, l: Limits): Span {
  const span = w.to - w.from;
  const room = Math.max(l.most - l.least, shortestMs);
  const next = Math.min(Math.max(span * factor, shortestMs), room);
  const share = span > 0 ? (at - w.from) / span : 0.5;
  const from = at - share * next;
  return within({ from, to: from + next }, l);
}

/** Two fingers: what was under them when they came down is under them still. */
export function pinched(w: Span, width: number, was: [number, number], is: [number, number], l: Limits): Span {
  const perPx = (w.to - w.from) / width;
  const [left, right] = [Math.min(...was), Math.max(...was)];
  const apart = Math.max(Math.abs(is[1] - is[0]), 1);
  const next = perPx * (Math.max(right - left, 1) / apart);
  const middle = w.from + perPx * ((left + right) / 2);
  const from = middle - next * ((is[0] + is[1]) / 2);
  const span = next * width;
  // A span that is not allowed must not drag the window along.
  const allowed = Math.min(Math.max(span, shortestMs), Math.max(l.most - l.least, shortestMs));
  return panned({ from: middle - (middle - from) * (allowed / span), to: middle - (middle - from) * (allowed / span) + allowed }, 0, l);
}
