// Which alarm comes first: what is bad now before what is over, the higher priority
// before the lower, the older before the newer; what is shelved at the end.
import type { StandingAlarm } from '../api';
import type { Priority } from './mark';

const rank: Record<Priority, number> = { high: 0, medium: 1, low: 2 };

/** A stamp is null where a clock that was never set made none. */
const at = (stamp: string | null): number => (stamp === null ? 0 : Date.parse(stamp));

export function inOrder(all: StandingAlarm[]): StandingAlarm[] {
  const weight = (a: StandingAlarm) => (a.shelved_until ? 100 : 0) + (a.returned ? 10 : 0) + rank[a.priority];
  return [...all].sort((a, b) => weight(a) - weight(b) || at(a.since) - at(b.since));
}

/** Those that ask for a look: shelved ones do not. */
export const asking = (all: StandingAlarm[]): StandingAlarm[] => inOrder(all).filter((a) => !a.shelved_until);
