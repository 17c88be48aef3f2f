// Ends a session that may operate when nobody touched any page of this browser for
// so long. The server cannot tell: a page that is open asks by itself.
import { post } from '../api';
import { duration } from '../units/words';
import { doubt, endsSoon, leaving, shut } from './state';

const warnMs = 60_000;
const lookMs = 5_000;
/** Pages of one browser share a session, so that use of any counts for all. */
const key = 'used';

/** How long no page of this browser was used, ms, as they wrote down; one of the future says nothing. */
function unusedElsewhere(): number {
  try {
    const ms = Date.now() - Number(localStorage.getItem(key) ?? NaN);
    return ms >= 0 ? ms : Infinity;
  } catch {
    return Infinity;
  }
}

/** Watches until the undo that it returns. */
export function endWhenIdle(idleMs: number): () => void {
  let used = 0;
  let told = -Infinity;
  const touched = () => {
    used = performance.now();
    endsSoon.value = 0;
    if (used - told < lookMs) return;
    told = used;
    try {
      localStorage.setItem(key, String(Date.now()));
    } catch {
      // then each page counts for itself
    }
  };
  const kinds = ['keydown', 'pointerdown', 'pointermove', 'wheel', 'touchstart'] as const;
  const undo = () => {
    clearInterval(timer);
    endsSoon.value = 0;
    for (const k of kinds) window.removeEventListener(k, touched, { capture: true });
  };
  const timer = setInterval(() => {
    const left = idleMs - Math.min(performance.now() - used, unusedElsewhere());
    endsSoon.value = left < warnMs && left > 0 ? Date.now() + left : 0;
    if (left > 0) return;
    undo();
    leaving.value = true; // door/watch.ts lets nobody in before it is done
    void post('/api/v1/door/out', {}).then(() => { leaving.value = false; }, () => { doubt.value += 1; });
    shut.value = `You were signed out: these pages were not used for ${duration(idleMs)}`;
  }, lookMs);
  for (const k of kinds) window.addEventListener(k, touched, { passive: true, capture: true });
  touched();
  return undo;
}
