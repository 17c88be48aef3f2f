// Who is at the page and what they may do, for all that asks or draws. It asks
// nothing itself: door/watch.ts does.
import { computed, signal } from '@preact/signals';
import type { Door } from '../api';

export type Role = NonNullable<Door['person']>['role'];

/** The newest word on who is here; undefined: not heard yet. */
export const door = signal<Door | undefined>(undefined);

/** Why nothing is shown before a sign-in, "" where that needs no words; undefined: all is open. */
export const shut = signal<string | undefined>(undefined);

/** Grows when the server should be asked again who is here. */
export const doubt = signal(0);

/** Whether what changes anything may be done from here. Until the server has spoken nobody is told no. */
export const mayOperate = computed(() => (door.value?.role || 'operate') === 'operate');

/** When the session ends without use, Unix ms of this browser, where that is soon; else 0. */
export const endsSoon = signal(0);

/** Somebody was signed out for want of use, and the server has not confirmed it yet. */
export const leaving = signal(false);

/** Grows with each coming in, so that an answer to a request of before is told from one of now. */
export const entries = signal(0);

/** The server asks for a sign-in. Its words matter to who was in: a session has ended. */
export function turnedAway(words: string): void {
  if (shut.peek() !== undefined) return;
  shut.value = door.peek()?.person ? words : '';
}

/** The server's word after a sign-in. */
export function cameIn(now: Door): void {
  const before = door.peek()?.person?.name;
  door.value = now;
  endsSoon.value = 0;
  leaving.value = false;
  entries.value += 1;
  // What another person typed is not this one's: it goes with the page.
  if (before !== undefined && before !== now.person?.name) location.reload();
  else shut.value = undefined;
}
