// What happened, as flags above the lanes: shape and, where there is room, words.
// Flags that would cover each other are piled up into one with their number.
import type { JSX } from 'preact';
import { MarkShape } from '../book/mark';
import type { Sort } from '../book/words';
import { axisPx } from './axis';
import { cursorPx } from './cursor';
import { innerPx, leftPx } from './ink';
import type { PlotMark } from './types';

export const marksPx = 28;
/** Two flags need so much between them; a target is at least as wide. */
const flagPx = 24;
/** Width of a letter, about. */
const letterPx = 7.8;

export interface Pile {
  marks: PlotMark[];
  /** CSS px from the left end of the lanes */
  x: number;
  /** free to the right of it */
  room: number;
}

/** Piles up marks that stand too close; those outside of the window are left out. Pure. */
export function pileUp(marks: PlotMark[], from: number, to: number, width: number): Pile[] {
  const x = (ms: number) => ((ms - from) / (to - from)) * width;
  const out: Pile[] = [];
  for (const m of [...marks].sort((a, b) => a.from - b.from)) {
    if ((m.to ?? m.from) < from || m.from > to) continue;
    const at = Math.max(0, x(m.from));
    const last = out.at(-1);
    if (last && at - last.x < flagPx) last.marks.push(m);
    else out.push({ marks: [m], x: at, room: 0 });
  }
  out.forEach((p, i) => { p.room = (out[i + 1]?.x ?? width) - p.x; });
  return out;
}

export interface Stretch {
  sort: PlotMark['sort'];
  x0: number;
  x1: number;
}

/** What lasted, as bars in CSS px; those of one sort that touch are one, so that there are never more than pixels. Pure. */
export function spans(marks: PlotMark[], from: number, to: number, width: number): Stretch[] {
  const x = (ms: number) => Math.min(Math.max(((ms - from) / (to - from)) * width, 0), width);
  const last = new Map<PlotMark['sort'], Stretch>();
  const out: Stretch[] = [];
  for (const m of [...marks].sort((a, b) => a.from - b.from)) {
    if (m.to === undefined || m.to <= from || m.from >= to) continue;
    const x0 = Math.floor(x(m.from));
    const x1 = Math.max(Math.ceil(x(m.to)), x0 + 2);
    const before = last.get(m.sort);
    if (before && x0 <= before.x1 + 1) {
      before.x1 = Math.max(before.x1, x1);
      continue;
    }
    const own = { sort: m.sort, x0, x1 };
    last.set(m.sort, own);
    out.push(own);
  }
  return out;
}

const word: Record<PlotMark['sort'], string> = { fault: 'fault', trip: 'trip', note: 'note', setup: 'set-up', line: 'line', clock: 'clock', test: 'test' };
/** The service book's shapes are these too. */
const shape: Record<PlotMark['sort'], Sort> = { fault: 'fault', trip: 'trip', note: 'note', setup: 'setup', line: 'line', clock: 'agent', test: 'counter' };

/** The words of a flag, as long as they have room. */
export function flagWords(p: Pile): string {
  const [first] = p.marks;
  if (!first) return '';
  if (p.marks.length > 1) return String(p.marks.length);
  const letters = Math.floor((p.room - flagPx - 8) / letterPx);
  if (first.text.length <= letters) return first.text;
  return word[first.sort].length <= letters ? word[first.sort] : '';
}

export function Marks({ marks, chosen, from, to, width, onMark, onPile }: {
  marks: PlotMark[]; chosen: string; from: number; to: number; width: number; onMark: (key: string) => void; onPile: (p: Pile) => void;
}): JSX.Element {
  const inner = innerPx(width);
  const piles = pileUp(marks, from, to, inner);
  const [long] = spans(marks.filter((m) => m.key === chosen), from, to, inner);
  return (
    <div class="plot-marks" style={{ left: `${leftPx}px`, width: `${inner}px`, bottom: `${cursorPx + axisPx}px` }}>
      {spans(marks, from, to, inner).map((m) => <span key={`${m.x0} ${m.sort}`} class="mark-span" data-sort={m.sort} style={{ left: `${m.x0}px`, width: `${m.x1 - m.x0}px` }} />)}
      {long && <span class="mark-span" data-sort={long.sort} data-chosen="true" style={{ left: `${long.x0}px`, width: `${long.x1 - long.x0}px` }} />}
      {piles.map((p) => {
        const picked = p.marks.some((m) => m.key === chosen);
        const sort = p.marks.find((m) => m.sort === 'trip' || m.sort === 'fault')?.sort ?? p.marks[0]?.sort ?? 'note';
        const text = p.marks.map((m) => m.text);
        const label = p.marks.length === 1 ? `${word[sort]}: ${text[0]}` : `${p.marks.length} marks: ${text.slice(0, 3).join('; ')}${text.length > 3 ? ' …' : ''}`;
        return (
          <div key={p.marks[0]?.key} class="mark-flag" data-sort={sort} data-chosen={picked} style={{ left: `${p.x}px`, maxWidth: `${Math.max(p.room, flagPx)}px` }}>
            <span class="mark-stem" />
            <button type="button" tabIndex={-1} title={label} aria-label={label} onClick={() => (p.marks.length === 1 ? onMark(p.marks[0]?.key ?? '') : onPile(p))}>
              <svg viewBox="-9 -9 18 18" width="16" height="16" aria-hidden="true" focusable="false"><MarkShape sort={shape[sort]} /></svg>
              <span class={p.marks.length > 1 ? 'mark-words tick' : 'mark-words'} data-words={p.marks.length > 1 ? undefined : ''}>{flagWords(p)}</span>
            </button>
          </div>
        );
      })}
    </div>
  );
}
