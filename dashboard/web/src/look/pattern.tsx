// Fills of drawings. A pattern is found by its id in the whole document, and one in
// a part that is not drawn fills nothing: each drawing brings its own, under ids of its own.

/** Nothing is known. */
export function Hatch({ id, step = 7 }: { id: string; step?: number }) {
  return (
    <pattern id={id} width={step} height={step} patternUnits="userSpaceOnUse" patternTransform="rotate(45)">
      <line class="hatch" x1="0" y1="0" x2="0" y2={step} />
    </pattern>
  );
}

/** Of the states that are not filled plainly; the ids are idle, nothing and cross behind the prefix. */
export function StatePatterns({ prefix = '' }: { prefix?: string }) {
  return (
    <svg class="patterns" width="0" height="0" aria-hidden="true" focusable="false">
      <defs>
        <pattern id={`${prefix}idle`} width="5" height="5" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">
          <rect class="idle-paper" width="5" height="5" />
          <line class="idle-line" x1="0" y1="0" x2="0" y2="5" />
        </pattern>
        <Hatch id={`${prefix}nothing`} />
        <pattern id={`${prefix}cross`} width="8" height="8" patternUnits="userSpaceOnUse">
          <rect class="trip-paper" width="8" height="8" />
          <path class="trip-line" d="M0 0l8 8M8 0l-8 8" />
        </pattern>
      </defs>
    </svg>
  );
}
