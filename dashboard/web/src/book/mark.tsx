// A happening's own sign, told apart by shape alone.
import '../look/mark.css';
import type { Sort } from './words';

/** Drawn around 0, 0 within 7 units either way. */
const shapes: Record<Sort, preact.JSX.Element> = {
  fault: (<path class="mark-fill" d="M0-7L7 0 0 7-7 0z" />),
  trip: (<g><path class="mark-line" d="M0-6.500L6.500 0 0 6.500-6.500 0z" /><path class="mark-line" d="M-2.500-2.500l5 5M2.500-2.500l-5 5" /></g>),
  motor: (<g><circle class="mark-line" r="6" /><path class="mark-line" d="M0-3.500v3.500h3.500" /></g>),
  load: (<path class="mark-line" d="M-6 5h4v-9h4v9h4" />),
  gap: (<path class="mark-line" d="M-7 0h4M3 0h4M-1.500-4l-2 8M3.500-4l-2 8" />),
  line: (<path class="mark-line" d="M-7 3h5l2-6M1 3l2-6M3-3h4" />),
  setup: (<path class="mark-line" d="M-6-6h12v12h-12zM-6-1h12M-1-6v5M2.500-1v7" />),
  counter: (<path class="mark-line" d="M-7-4h14v8h-14zM-2.500-4v8M2.500-4v8" />),
  agent: (<g><circle class="mark-line" r="6" /><circle class="mark-fill" r="2.500" /></g>),
  note: (<path class="mark-line" d="M-5.500-6.500h7l4 4v9h-11zM1.500-6.500v4h4M-3 0h6M-3 3h6" />),
  alarm: (<path class="mark-line" d="M0-6.500L6.500 5.500h-13zM0-2v3.500M0 3.300v.2" />),
  other: (<circle class="mark-fill" r="3" />),
};

export function MarkShape({ sort }: { sort: Sort }) {
  return <g class={`mark mark-${sort}`}>{shapes[sort]}</g>;
}

/** Decorative: the word always stands beside it. */
export function Mark({ sort }: { sort: Sort }) {
  return (
    <svg class="mark-icon" viewBox="-9 -9 18 18" width="18" height="18" aria-hidden="true" focusable="false">
      <MarkShape sort={sort} />
    </svg>
  );
}
