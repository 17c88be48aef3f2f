import type { AuditStep } from '../api';

/** A step's state in a word. */
export function stateWord(state: AuditStep['state']): string {
  switch (state) {
    case 'done': return 'done';
    case 'missing': return 'still missing';
    case 'waits': return 'later';
    case 'accepted': return 'accepted as it is';
    case 'unseen': return 'look yourself';
  }
}
