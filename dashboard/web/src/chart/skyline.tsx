// What the blocks of a band of states look like: each state has its own height and
// pattern, so that work, idling and rest are told apart by shape; colour only helps.
// The band itself is plot/states.
import type { StateName } from '../api';
import type { Run } from './runs';

/** Height of a state's block as a share of the band. */
export const stateHeight: Record<StateName, number> = {
  loaded: 1, 'part-load': 0.8, unloaded: 0.5, starting: 0.65, standby: 0.22, stopped: 0.16, off: 0.06, tripped: 1, unobserved: 1,
};

function Patterns() {
  return (
    <svg class="patterns" width="0" height="0" aria-hidden="true" focusable="false">
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
    </svg>
  );
}

/** What the blocks mean; only the states that were seen. */
export function SkylineKey({ runs, words }: { runs: Run[]; words: Record<StateName, string> }) {
  const seen = [...new Set(runs.map((r) => r.state))];
  return (
    <>
      <Patterns />
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
    </>
  );
}
