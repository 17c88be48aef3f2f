// The state band: each state is a block of its own height and pattern, so that
// work, idling and rest are told apart by shape; colour only helps.
import type { StateName } from '../api';
import { clockMinute } from '../units/words';
import type { Run } from './runs';
import { leftPx, rightPx } from './strip';

/** Height of a state's block as a share of the band. */
export const stateHeight: Record<StateName, number> = {
  loaded: 1, 'part-load': 0.8, unloaded: 0.5, starting: 0.65, standby: 0.22, stopped: 0.16, off: 0.06, tripped: 1, unobserved: 1,
};

const bandPx = 44;

export function Skyline({ runs, from, to, width, timeZone }: { runs: Run[]; from: number; to: number; width: number; timeZone: string }) {
  const inner = Math.max(0, width - leftPx - rightPx);
  const x = (ms: number) => leftPx + ((ms - from) / (to - from)) * inner;
  const base = bandPx + 4;
  return (
    <svg class="skyline" width={width} height={base + 24} aria-hidden="true" focusable="false">
      <defs>
        <pattern id="idle" width="5" height="5" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">
          <rect class="idle-paper" width="5" height="5" />
          <line class="idle-line" x1="0" y1="0" x2="0" y2="5" />
        </pattern>
        <pattern id="nothing" width="7" height="7" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">
          <line class="hatch" x1="0" y1="0" x2="0" y2="7" />
        </pattern>
        <pattern id="cross" width="8" height="8" patternUnits="userSpaceOnUse">
          <rect class="trip-paper" width="8" height="8" />
          <path class="trip-line" d="M0 0l8 8M8 0l-8 8" />
        </pattern>
      </defs>
      {runs.map((r) => {
        const x0 = x(r.from);
        const w = Math.max(x(r.to) - x0, 1);
        const h = bandPx * stateHeight[r.state];
        return <rect key={r.from} class={`run run-${r.state}`} x={x0} y={base - h} width={w} height={h} />;
      })}
      <line class="base" x1={leftPx} x2={width - rightPx} y1={base} y2={base} />
      {marks(from, to).filter((t) => x(t) + 18 < width).map((t) => (
        <g key={t}>
          <line class="axis" x1={x(t)} x2={x(t)} y1={base} y2={base + 4} />
          <text class="tick" x={x(t)} y={base + 18} text-anchor="middle">{clockMinute(t, timeZone)}</text>
        </g>
      ))}
    </svg>
  );
}

/** Every full ten minutes with room for its label. */
function marks(from: number, to: number): number[] {
  const step = 600_000;
  const out: number[] = [];
  for (let t = Math.ceil((from + 60_000) / step) * step; t <= to - 60_000; t += step) out.push(t);
  return out;
}

/** What the blocks mean; only the states that were seen. */
export function SkylineKey({ runs, words }: { runs: Run[]; words: Record<StateName, string> }) {
  const seen = [...new Set(runs.map((r) => r.state))];
  return (
    <ul class="key" aria-label="What the blocks mean">
      {seen.map((s) => (
        <li key={s}>
          <svg width="16" height="18" aria-hidden="true" focusable="false">
            <rect class={`run run-${s}`} x="1" y={17 - 16 * stateHeight[s]} width="14" height={16 * stateHeight[s]} />
            <line class="base" x1="0" x2="16" y1="17" y2="17" />
          </svg>
          {words[s]}
        </li>
      ))}
    </ul>
  );
}
