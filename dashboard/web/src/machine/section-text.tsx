// Readings in place. An old reading is never written like a live one: it stands
// in brackets, pale, with its age.
import { reasonWords } from '../look/words';
import { channelDisplay, convert, displayOf, fixed, type UnitSystem } from '../units/units';
import type { View } from '../live/live';
import { age } from '../units/words';
import { Glyph } from './glyph';
import type { Column, Drawing, Group, Tier } from './layout';
import { marks, type Read } from './taps';

/** Height of one note at the foot of a place. */
const noteStep = (d: Drawing, c: Column) => (tight(d, c, 64) ? 28 : 18);

/** Whether a place has less room than it takes to write in one line. */
const tight = (d: Drawing, c: Column, px: number) => d.narrow || c.x1 - c.x0 < px;

/** Where a place's pressure is written: on its level, or above what stands at its foot. */
export function readingY(d: Drawing, c: Column): number | undefined {
  if (!c.level || !c.pressure) return undefined;
  return Math.min(d.scale.y(c.level.pa) - 8, c.notes.length === 0 ? d.baseY : d.baseY - 14 - c.notes.length * noteStep(d, c));
}

/** Half of "118.9" at 13.5 px with its rim, and a little: the last place of a narrow row keeps its pressure within the drawing. */
const halfReadingPx = 21;

/** The room of an edge's words, "cut-out 120" at 12 px. */
const edgeWordsPx = 74;

/**
 * At which end of a machine's band an edge's words stand, at this baseline: at its beginning, but at its
 * end where a reading would lie on them and there it would not. On a phone the sump's stands so near.
 */
export function edgeSide(readings: { x: number; y: number }[], [x0, x1]: [number, number], baseline: number): 'start' | 'end' {
  const covered = (from: number, to: number) => readings.some((r) => r.x + halfReadingPx > from && r.x - halfReadingPx < to && Math.abs(r.y - baseline) < 14);
  return covered(x0, x0 + edgeWordsPx) && !covered(x1 - edgeWordsPx, x1) ? 'end' : 'start';
}

/** Where the pressures of a row are written. */
export function readingsAt(d: Drawing, tier: Tier): { x: number; y: number }[] {
  return [...tier.groups.flatMap((g) => g.columns), ...tier.tail].flatMap((c) => {
    const y = readingY(d, c);
    return y === undefined ? [] : [{ x: (c.x0 + c.x1) / 2, y }];
  });
}

/** A name cut to the room it has; it stands in full in the row above and in the drawing's words. */
export function shortened(name: string, px: number): string {
  const most = Math.max(3, Math.floor(px / 6.6));
  return name.length <= most ? name : `${name.slice(0, most - 1)}…`;
}

/** All that is written into one row of the drawing. */
export function Texts({ d, tier, view, system }: { d: Drawing; tier: Tier; view: View; system: UnitSystem }) {
  const named = d.single ? [...tier.groups.flatMap((g) => g.columns), ...tier.tail] : tier.tail;
  return (
    <g>
      {named.filter((c) => c.name !== '').map((c, i) => {
        const low = d.narrow && i % 2 === 1;
        const x = (c.x0 + c.x1) / 2;
        return (
          <g key={c.key}>
            <text class="place" x={x} y={d.baseY + (low ? 34 : 18)} text-anchor="middle">{c.name}</text>
            {low && <line class="tie" x1={x} x2={x} y1={d.baseY + 3} y2={d.baseY + 22} />}
          </g>
        );
      })}
      {tier.groups.map((g, i) => (
        <g key={g.machine.name}>
          {!d.single && <GroupName d={d} group={g} low={d.narrow && i % 2 === 1} />}
          {g.columns.map((c) => <PlaceTexts key={c.key} d={d} c={c} group={g} view={view} system={system} />)}
        </g>
      ))}
      {tier.tail.map((c) => <PlaceTexts key={c.key} d={d} c={c} group={undefined} view={view} system={system} />)}
    </g>
  );
}

function GroupName({ d, group, low }: { d: Drawing; group: Group; low: boolean }) {
  const [x0, x1] = [group.columns[0]?.x0 ?? 0, group.columns.at(-1)?.x1 ?? 0];
  const room = d.narrow ? 2 * (x1 - x0) - 8 : x1 - x0;
  return <text class="place name" x={(x0 + x1) / 2} y={d.baseY + (low ? 34 : 18)} text-anchor="middle">{shortened(group.machine.name, room)}</text>;
}

function PlaceTexts({ d, c, group, view, system }: { d: Drawing; c: Column; group: Group | undefined; view: View; system: UnitSystem }) {
  const x = (c.x0 + c.x1) / 2;
  const noteX = x + (d.narrow && c.kind === 'airend' && d.single ? 8 : 0); // beside the climb, not on it
  const top = readingY(d, c);
  const step = noteStep(d, c);
  return (
    <g>
      {c.pressure && top !== undefined && <ReadingText read={c.pressure} x={Math.min(x, d.width - halfReadingPx)} y={top} now={view.now} system={system} narrow={tight(d, c, 46)} tiny={c.x1 - c.x0 < 2 * halfReadingPx} />}
      {c.notes.map((n, i) => (
        <NoteText key={n.channel.id} read={n} x={noteX} y={d.baseY - 10 - (c.notes.length - 1 - i) * step} now={view.now} system={system} narrow={tight(d, c, 64)} />
      ))}
      {c.kind === 'airend' && group?.state && (
        <g transform={`translate(${noteX - 11} ${d.baseY - 40 - c.notes.length * step})`}><Glyph state={group.state} size={22} /></g>
      )}
    </g>
  );
}

interface Props {
  read: Read;
  x: number;
  y: number;
  now: number;
  system: UnitSystem;
  narrow: boolean;
  /** its neighbour stands nearer than it is wide */
  tiny?: boolean;
}

/** A reading in the shown unit. */
export function written(read: Read, system: UnitSystem, coarse = false): { value: string; unit: string } {
  const own = channelDisplay(read.channel, system);
  const d = displayOf(read.channel.quantity, system);
  if (read.si === undefined) return { value: '–', unit: own.unit };
  const shown = d ? convert(d, read.si) : (read.si - read.channel.si_offset) / read.channel.si_scale;
  return { value: fixed(shown, coarse ? 0 : own.decimals), unit: own.unit };
}

/** A pressure, written on its level. */
function ReadingText({ read, x, y, now, system, narrow, tiny }: Props) {
  const { value } = written(read, system);
  return (
    <g>
      <text class={`reading${narrow ? ' small' : ''}${tiny ? ' tiny' : ''}${read.fresh ? '' : ' old'}`} {...marks(read)} x={x} y={read.fresh ? y : y - 14} text-anchor="middle">{read.fresh ? value : `(${value})`}</text>
      {!read.fresh && (
        <text class="mark" x={x} y={y} text-anchor="middle">{oldness(read, now, narrow)}</text>
      )}
    </g>
  );
}

/** Another reading, small, at the foot of its place. */
function NoteText({ read, x, y, now, system, narrow }: Props) {
  // Side by side on a phone, tenths of a degree would touch.
  const { value, unit } = written(read, system, narrow && read.channel.quantity === 'temperature');
  const cls = read.fresh ? 'note' : 'note old';
  if (!narrow) {
    return <text class={cls} {...marks(read)} x={x} y={y} text-anchor="middle">{read.fresh ? `${value} ${unit}` : `(${value} ${unit}) ${oldness(read, now, true)}`}</text>;
  }
  return (
    <g>
      <text class={cls} {...marks(read)} x={x} y={y - 11} text-anchor="middle">{read.fresh ? value : `(${value})`}</text>
      <text class="mark" x={x} y={y} text-anchor="middle">{read.fresh ? unit : 'old'}</text>
    </g>
  );
}

function oldness(read: Read, now: number, short: boolean): string {
  if (read.at === undefined) return short ? 'none' : `none: ${reasonWords(read.reason)}`;
  return short ? 'old' : `${age(now - read.at)} old`;
}
