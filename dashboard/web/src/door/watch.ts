// Asks who is at the page: at its start and when something gives doubt. Ends the
// session of somebody who may operate and has left the screen.
import { effect, untracked } from '@preact/signals';
import { askDoor, post } from '../api';
import { cameIn, door, doubt, entries, leaving, shut, turnedAway } from './state';

const againMs = 15_000;

const endedWords = 'Your session has ended: loadscribe was started anew, somebody ended it, or it was not used for long';

/** Follows the door until the undo that it returns. */
export function watchDoor(): () => void {
  let asking = false;
  let missed = false;
  let over = false;
  let retry: ReturnType<typeof setTimeout> | undefined;
  const ask = async () => {
    clearTimeout(retry);
    missed = asking || document.hidden; // a hidden page asks nothing before it is seen
    if (missed) return;
    asking = true;
    try {
      if (leaving.peek()) await signOut();
      const begun = entries.peek();
      const now = await askDoor();
      const before = door.peek()?.person ?? null;
      if (!now.sign_in || now.person) cameIn(now); // perhaps on another page of this browser
      else if (begun === entries.peek()) {
        turnedAway(endedWords);
        door.value = { ...now, person: before }; // who comes in next is compared with who was here
      }
    } catch {
      // Without contact nobody is turned away; the page says by itself that there is none.
      if (!over && (door.peek() === undefined || leaving.peek())) retry = setTimeout(() => void ask(), againMs);
    } finally {
      asking = false;
    }
    if (missed && !over) void ask();
  };
  const leave = effect(() => { void doubt.value; untracked(() => void ask()); });
  const seen = () => { if (missed || shut.peek() !== undefined) void ask(); };
  document.addEventListener('visibilitychange', seen);
  const idle = endsWhenIdle();
  return () => {
    over = true;
    clearTimeout(retry);
    leave();
    idle();
    document.removeEventListener('visibilitychange', seen);
  };
}

/** Ends the session of somebody who has left; it is tried again until it is done. */
async function signOut(): Promise<void> {
  await post('/api/v1/door/out', {});
  leaving.value = false;
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
