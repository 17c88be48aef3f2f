// The picture: the last days as a ruled page. A day's line is thick while a
// motor turned; what happened stands on it as a sign.
import { useWidth } from '../look/measure';
import { day } from '../units/words';
import { MarkShape } from './mark';
import { hourMarks, ruledDays, type Ruled } from './ruled';
import type { Shown } from './source';
import { sortWord, type Sort } from './words';

const rowPx = 38;
const headPx = 22;
const rightPx = 12;

export function Week({ shown, current, timeZone }: { shown: Shown; current: Map<string, string>; timeZone: string }) {
  const [box, width] = useWidth<HTMLDivElement>();
  const days = ruledDays(shown.week, current, shown.drawnFrom, shown.to, timeZone);
  const leftPx = width < 480 ? 62 : 84;
  const seen = [...new Set(days.flatMap((d) => d.marks.map((m) => m.sort)))];
  return (
    <figure class="ruled-page">
      <h2><span data-count>{days.length}</span> {days.length === 1 ? 'day' : 'days'}, a line each</h2>
      <div ref={box}>
        {width > 0 && (
          <svg width={width} height={headPx + days.length * rowPx + 4} aria-hidden="true" focusable="false">
            {days[0] && <Hours day={days[0]} left={leftPx} right={width - rightPx} height={headPx + days.length * rowPx} timeZone={timeZone} />}
            {days.map((d, i) => <Line key={d.date} day={d} base={headPx + (i + 1) * rowPx - 6} left={leftPx} right={width - rightPx} timeZone={timeZone} />)}
          </svg>
        )}
      </div>
      <figcaption>
        <ul class="key" aria-label="What the lines and signs mean">
          <KeyLine what="turning" text="motor turning" />
          <KeyLine what="resting" text="at rest" />
          <KeyLine what="unknown" text="not observed" />
          {seen.map((s) => <li key={s}><svg viewBox="-9 -9 18 18" width="18" height="18" aria-hidden="true" focusable="false"><MarkShape sort={s} /></svg>{keyWord(s)}</li>)}
        </ul>
        <p class="visually-hidden">The book below lists the same.</p>
      </figcaption>
    </figure>
  );
}

const keyWord = (s: Sort) => (s === 'fault' ? 'fault, as long as its bar' : s === 'agent' ? 'recording or clock' : sortWord[s].toLowerCase());

function KeyLine({ what, text }: { what: string; text: string }) {
  return <li><svg width="26" height="14" aria-hidden="true" focusable="false"><line class={`rule rule-${what}`} x1="1" x2="25" y1="7" y2="7" /></svg>{text}</li>;
}

function Hours({ day: d, left, right, height, timeZone }: { day: Ruled; left: number; right: number; height: number; timeZone: string }) {
  return (
    <g>
      {hourMarks(d, timeZone).map((m) => {
        const x = left + ((m.at - d.from) / (d.to - d.from)) * (right - left);
        return <g key={m.text}><line class="hour-line" x1={x} x2={x} y1={headPx - 4} y2={height} /><text class="tick" x={x + 3} y={headPx - 8}>{m.text}</text></g>;
      })}
    </g>
  );
}

function Line({ day: d, base, left, right, timeZone }: { day: Ruled; base: number; left: number; right: number; timeZone: string }) {
  const x = (ms: number) => left + (Math.min(Math.max((ms - d.from) / (d.to - d.from), 0), 1)) * (right - left);
  // Signs that would cover each other step aside, to the right.
  let free = -Infinity;
  const placed = d.marks.map((m) => {
    const at = Math.max(x(m.at), free);
    free = at + 17;
    return { ...m, px: Math.min(at, right - 6) };
  });
  return (
    <g>
      <text class="day-name" x="0" y={base + 4}>{day(d.from + 43_200_000, timeZone).split(' ').slice(0, 2).join(' ')}</text>
      {d.stretches.map((s) => <line key={s.from} class={`rule rule-${s.what}`} x1={x(s.from)} x2={Math.max(x(s.to), x(s.from) + 1)} y1={base} y2={base} />)}
      {placed.map((m) => (
        <g key={`${m.at} ${m.sort} ${m.px}`}>
          {m.sort === 'fault' && <line class="fault-bar" x1={x(m.at)} x2={Math.max(x(m.until), x(m.at) + 3)} y1={base} y2={base} />}
          {m.sort === 'fault' && <line class="stem" x1={x(m.at)} x2={m.px} y1={base - 3} y2={base - 12} />}
          <g transform={`translate(${m.px} ${base - 17})`}><MarkShape sort={m.sort} /></g>
        </g>
      ))}
    </g>
  );
}
