// The time axis beneath the lanes: round times of the site's clock, and the day.
import { innerPx, leftPx } from './ink';
import { dayText, timeTicks } from './ticks';

export const axisPx = 40;

export function TimeAxis({ from, to, width, timeZone }: { from: number; to: number; width: number; timeZone: string }) {
  const inner = innerPx(width);
  const x = (ms: number) => leftPx + ((ms - from) / (to - from)) * inner;
  const ticks = timeTicks(from, to, inner / 70, timeZone);
  const days = ticks.filter((t) => t.midnight && /:/.test(t.text));
  // The day stands at the left end until the first midnight pushes it away.
  const start = days[0] ? x(days[0].at) - leftPx : Infinity;
  return (
    <svg class="time-axis" width={width} height={axisPx} aria-hidden="true" focusable="false">
      <line class="base" x1={leftPx} x2={leftPx + inner} y1="1" y2="1" />
      {ticks.map((t) => (
        <g key={t.at}>
          <line class="axis" x1={x(t.at)} x2={x(t.at)} y1="1" y2={t.midnight ? 8 : 5} />
          <text class="tick" x={Math.min(x(t.at), width - 18)} y="18" text-anchor="middle">{t.text}</text>
        </g>
      ))}
      {start > 112 && <text class="tick day-of" x={leftPx} y="35">{dayText(from, timeZone)}</text>}
      {days.filter((d) => x(d.at) < width - 100).map((d) => <text key={d.at} class="tick day-of" x={x(d.at)} y="35">{dayText(d.at, timeZone)}</text>)}
    </svg>
  );
}
