// Words and numbers of the walk.
import type { HookupReading, HookupReport, HookupStepName } from '../api';
import { displayOf, fixed, type UnitSystem } from '../units/units';
import { typedNumber } from '../units/typed';

export const stepTitle: Record<HookupStepName, string> = {
  stopped: 'Stopped', unloaded: 'Running unloaded', loaded: 'Running loaded', unloaded_again: 'Unloaded once more',
};

/** What the person says: the machine does it now. */
export const stepButton: Record<HookupStepName, string> = {
  stopped: 'It stands still now', unloaded: 'It runs unloaded now', loaded: 'It runs loaded now', unloaded_again: 'It runs unloaded again now',
};

export const stepState = { waiting: 'to come', collecting: 'being read', done: 'done', skipped: 'left out' } as const;

/** Nothing can be judged without these two. */
export const mayLeaveOut = (s: HookupStepName) => s === 'stopped' || s === 'unloaded_again';

export const verdictText: Record<HookupReport['verdict'], string> = {
  '': '',
  well: 'The hook-up is right: all that was judged moves as it should.',
  hint: 'Nothing is plainly wrong. Look at what is said below.',
  wrong: 'Something is wired or mapped wrongly. Mend it as said below, then walk again.',
};

export const roleWords = (role: string) => role.replaceAll('_', ' ');

const quantities: Partial<Record<HookupReading['unit'], string>> = { W: 'power', VA: 'apparent_power', A: 'current', V: 'voltage', Pa: 'pressure' };

/** A step's mean as it is shown; bits are the share of the time in which they were set. */
export function readingText(r: HookupReading, system: UnitSystem): { text: string; unit: string } {
  const d = displayOf(quantities[r.unit] ?? '', system);
  if (d) return { text: fixed(r.mean * d.scale + d.offset, d.decimals), unit: d.unit };
  if (r.role === 'motor_running' || r.role === 'loaded') {
    if (r.mean === 0 || r.mean === 1) return { text: r.mean === 1 ? 'yes' : 'no', unit: '' };
    return { text: fixed(r.mean * 100, 0), unit: '% of the time' };
  }
  return { text: fixed(r.mean, 2), unit: '' };
}

/** One number or three, with spaces or slashes between; undefined: it cannot be read. */
export function numbersOf(text: string): number[] | undefined {
  const parts = text.split(/[\s/;]+/).filter((p) => p !== '').map(typedNumber);
  return parts.some((n) => !Number.isFinite(n)) ? undefined : parts;
}
