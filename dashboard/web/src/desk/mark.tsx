// A step's state as a shape: full, empty, dashed, barred or asked. The word beside
// it says the same.
import type { AuditStep } from '../api';

export function StepMark({ state }: { state: AuditStep['state'] }) {
  return (
    <svg class="step-mark" width="26" height="26" viewBox="0 0 26 26" aria-hidden="true" focusable="false">
      <circle cx="13" cy="13" r="11" class={state === 'waits' ? 'ring later' : 'ring'} />
      {state === 'done' && <><circle cx="13" cy="13" r="11" class="disc" /><path d="M7.5 13.5l4 4 7-8.5" class="tick" /></>}
      {state === 'accepted' && <path d="M7 13h12" class="bar" />}
      {state === 'missing' && <path d="M13 6.5v8M13 18v1.5" class="bar" />}
      {state === 'unseen' && <text x="13" y="18" text-anchor="middle" class="query">?</text>}
    </svg>
  );
}
