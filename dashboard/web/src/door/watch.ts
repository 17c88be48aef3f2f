// Asks who is at the page: at its start and when something gives doubt. Ends the
// session of somebody who may operate and has left the screen.
import { effect, untracked } from '@preact/signals';
import { askDoor } from '../api';
import { cameIn, door, doubt, shut, turnedAway } from './state';

const endedWords = 'Your session has ended: loadscribe was started anew, somebody ended it, or it was not used for long';

/** Follows the door until the undo that it returns. */
export function watchDoor(): () => void {
  let asking = false;
  const ask = async () => {
    if (asking || document.hidden) return; // a hidden page asks nothing; who comes back meets the next refusal
    asking = true;
    try {
      const now = await askDoor();
      const before = door.peek()?.person ?? null;
      if (!now.sign_in || now.person) cameIn(now); // perhaps on another page of this browser
      else {
        turnedAway(endedWords);
        door.value = { ...now, person: before }; // who comes in next is compared with who was here
      }
    } catch {
      // Without contact nobody is turned away; the page says by itself that there is none.
    } finally {
      asking = false;
    }
  };
  const leave = effect(() => { void doubt.value; untracked(() => void ask()); });
  const seen = () => { if (shut.peek() !== undefined) void ask(); };
  document.addEventListener('visibilitychange', seen);
  const idle = endsWhenIdle();
  return () => {
    leave();
    idle();
    document.removeEventListener('visibilitychange', seen);
  };
}

/** Only somebody who signed in and may operate is watched, by a script fetched for it. */
function endsWhenIdle(): () => void {
  let stop: (() => void) | undefined;
  const leave = effect(() => {
    const now = door.value;
    const watched = now?.person?.role === 'operate' && now.idle_s > 0 && shut.value === undefined;
    stop?.();
    stop = undefined;
    if (!watched) return;
    let over = false;
    stop = () => { over = true; };
    void import('./idle').then((m) => { if (!over) stop = m.endWhenIdle(now.idle_s * 1000); }, () => undefined);
  });
  return () => { leave(); stop?.(); };
}
