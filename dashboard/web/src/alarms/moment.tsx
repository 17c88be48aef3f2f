// A moment of an alarm, with its day where that is not today.
import { when } from '../units/words';

export interface Clock { zone: string; now: number }

/** Nothing where there is no such moment. */
export function At({ stamp, zone, now }: Clock & { stamp: string | null }) {
  return stamp === null ? null : <time dateTime={stamp}>{when(Date.parse(stamp), now, zone)}</time>;
}
