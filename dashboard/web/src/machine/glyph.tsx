// A state's own sign: told apart by shape alone, in the text's colour.
// The vessel stands for the air end: full, part full, empty but turning, at rest.
import type { StateName } from '../api';

const box = 'M4 4h24v24H4z';

const shapes: Record<StateName, preact.JSX.Element> = {
  loaded: (<g><path class="fill" d={box} /><path class="knock" d="M16 22v-11M10.500 16l5.500-5.500 5.500 5.500" /></g>),
  'part-load': (<g><path class="line" d={box} /><path class="fill" d="M4 16h24v12H4z" /><path class="line" d="M16 13.500V8M12 11.500l4-4 4 4" /></g>),
  unloaded: (<g><path class="line" d={box} /><path class="line" d="M9 13c3.500-3.500 3.500 3.500 7 0s3.500 3.500 7 0M9 20c3.500-3.500 3.500 3.500 7 0s3.500 3.500 7 0" /></g>),
  starting: (<g><path class="line" d={box} stroke-dasharray="5 3" /><path class="fill" d="M12 9.500l11 6.500-11 6.500z" /></g>),
  standby: (<g><path class="line" d="M4 28h24M4 28V16M28 28V16" /><path class="fill" d="M12 14l8 5-8 5z" /></g>),
  stopped: (<g><path class="line" d="M4 28h24M4 28V16M28 28V16" /><path class="fill" d="M12 14h8v8h-8z" /></g>),
  off: (<g><path class="line" d="M4 28h24M4 28v-5M28 28v-5" /></g>),
  tripped: (<g><path class="fill" d="M16 2l14 14-14 14L2 16z" /><path class="knock" d="M11 11l10 10M21 11L11 21" /></g>),
  unobserved: (<g><path class="line" d={box} stroke-dasharray="2 4" /><path class="line" d="M12 12.500c0-5 8-5 8 0 0 3-4 3-4 6.500M16 22.500v1.500" /></g>),
};

/** Decorative: the word always stands beside it. */
export function Glyph({ state, size }: { state: StateName; size: number }) {
  return (
    <svg class={`glyph glyph-${state}`} viewBox="0 0 32 32" width={size} height={size} aria-hidden="true" focusable="false">
      {shapes[state]}
    </svg>
  );
}
