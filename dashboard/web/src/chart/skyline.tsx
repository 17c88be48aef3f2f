// What the blocks of a band of states look like: each state has its own height and
// pattern, so that work, idling and rest are told apart by shape; colour only helps.
// The band itself is plot/states.
import type { StateName } from '../api';
import { StatePatterns } from '../look/pattern';
import type { Run } from './runs';

/** Height of a state's block as a share of the band. */
export const stateHeight: Record<StateName, number> = {
  loaded: 1, 'part-load': 0.8, unloaded: 0.5, starting: 0.65, standby: 0.22, stopped: 0.16, off: 0.06, tripped: 1, unobserved: 1,
};

/** What the blocks mean; only the states that were seen. */
export function SkylineKey({ runs, words }: { runs: Run[]; words: Record<StateName, string> }) {
  const seen = [...new Set(runs.map((r) => r.state))];
  return (
    <>
      <StatePatterns />
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
