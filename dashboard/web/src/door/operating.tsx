// What only those may do who have the role operate: it is not there for others, and
// says why, before anything is typed.
import type { ComponentChildren } from 'preact';
import { mayOperate } from './state';

/** what: in the infinitive, "write notes". */
export function Operating({ what, children }: { what: string; children: ComponentChildren }) {
  if (mayOperate.value) return <>{children}</>;
  return <p class="aside" data-not-allowed>With the role look one does not {what} here. The role operate may.</p>;
}
