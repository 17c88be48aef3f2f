// Readings in place. An old reading is never written like a live one: it stands
// in brackets, pale, with its age.
import { channelDisplay, convert, displayOf, fixed, type UnitSystem } from '../units/units';
import { age } from '../units/words';
import type { Read } from './taps';

interface Props {
  read: Read;
  x: number;
  y: number;
  now: number;
  system: UnitSystem;
  narrow: boolean;
}

function parts(read: Read, system: UnitSystem, coarse = false): { value: string; unit: string } {
  const own = channelDisplay(read.channel, system);
  const d = displayOf(read.channel.quantity, system);
  if (read.si === undefined) return { value: '–', unit: own.unit };
  const shown = d ? convert(d, read.si) : (read.si - read.channel.si_offset) / read.channel.si_scale;
  return { value: fixed(shown, coarse ? 0 : own.decimals), unit: own.unit };
}

/** A pressure, written on its level. */
export function ReadingText({ read, x, y, now, system, narrow }: Props) {
  const { value } = parts(read, system);
  return (
    <g>
      <text class={read.fresh ? 'reading' : 'reading old'} data-reading={read.channel.id} data-fresh={String(read.fresh)} x={x} y={read.fresh ? y : y - 14} text-anchor="middle">{read.fresh ? value : `(${value})`}</text>
      {!read.fresh && (
        <text class="mark" x={x} y={y} text-anchor="middle">{oldness(read, now, narrow)}</text>
      )}
    </g>
  );
}

/** Another reading, small, at the foot of its place. */
export function NoteText({ read, x, y, now, system, narrow }: Props) {
  // Side by side on a phone, tenths of a degree would touch.
  const { value, unit } = parts(read, system, narrow && read.channel.quantity === 'temperature');
  const cls = read.fresh ? 'note' : 'note old';
  if (!narrow) {
    return <text class={cls} data-reading={read.channel.id} data-fresh={String(read.fresh)} x={x} y={y} text-anchor="middle">{read.fresh ? `${value} ${unit}` : `(${value} ${unit}) ${oldness(read, now, true)}`}</text>;
  }
  return (
    <g>
      <text class={cls} data-reading={read.channel.id} data-fresh={String(read.fresh)} x={x} y={y - 11} text-anchor="middle">{read.fresh ? value : `(${value})`}</text>
      <text class="mark" x={x} y={y} text-anchor="middle">{read.fresh ? unit : 'old'}</text>
    </g>
  );
}

function oldness(read: Read, now: number, short: boolean): string {
  if (read.at === undefined) return short ? 'none' : `none: ${read.reason}`;
  return short ? 'old' : `${age(now - read.at)} old`;
}
