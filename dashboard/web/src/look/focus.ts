// Where the focus goes when what had it is taken away, or opened something elsewhere:
// a keyboard would begin again at the top of the page.
import { useEffect, useRef } from 'preact/hooks';

/** Selectors, the first that can take the focus does; show: and is scrolled to; opened: it was asked for, though what asked still has the focus. */
export interface Places {
  at: string[];
  show?: boolean;
  opened?: boolean;
}

/** Nothing has the focus, or what can do nothing with it. */
function lost(): boolean {
  const has = document.activeElement;
  return !has || has === document.body || !has.isConnected || has.matches(':disabled');
}

/** Gives the focus to the first of places, where it is lost. */
function regain({ at, show = false, opened = false }: Places): void {
  if (!opened && !lost()) return;
  for (const selector of at) {
    for (const e of document.querySelectorAll<HTMLElement>(selector)) {
      if (e.matches(':disabled')) continue;
      e.focus({ preventScroll: !show });
      if (document.activeElement === e) return;
    }
  }
}

/** what: which parts of a page are open. When it changes, and the focus went with one of them, it goes to places; never on the first drawing. */
export function useFocusAfter(what: string, places: (was: string) => Places): void {
  const before = useRef(what);
  useEffect(() => {
    const was = before.current;
    before.current = what;
    if (was !== what) regain(places(was));
  }, [what]);
}
