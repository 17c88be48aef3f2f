// What happened in a window, as marks of the plot and lines of the list. Pure.
import type { Event } from '../api';
import { entrySubject, entryText, setupChanged, wordOf } from '../book/words';
import type { PlotMark } from '../plot/types';
import type { Span } from './window';

/** What the plot shows of the book; loads and unloads are in the states. */
export const markKinds = [
  'state', 'fault', 'note', 'config_changed', 'levels', 'line_down', 'line_up', 'device_down', 'device_up', 'clock_step', 'clock_behind', 'clock_set',
  'computer_slept', 'agent_started', 'agent_stopped', 'agent_broke_off', 'data_damaged', 'scans_dropped', 'store_down', 'store_up', 'test', 'hookup',
  'spot_reading', 'calibration', 'counter_reset', 'import',
];
export const markChanges = ['trip'];

export interface Happening {
  mark: PlotMark;
  event: Event;
}

function sortOf(e: Event): PlotMark['sort'] | undefined {
  switch (e.kind) {
    case 'fault':
      return e.data.state === 'raised' ? 'fault' : undefined;
    case 'state':
      return e.data.change === 'trip' ? 'trip' : undefined;
    case 'note':
    case 'hookup':
    case 'spot_reading':
    case 'calibration':
      return e.data.corrected_by ? undefined : 'note';
    case 'config_changed':
      return e.data.file && !setupChanged(e) ? undefined : 'setup';
    case 'levels':
    case 'counter_reset':
    case 'import':
      return 'setup';
    case 'line_down':
    case 'device_down':
      return 'line';
    case 'test':
      return e.data.withdraws || e.data.withdrawn_by ? undefined : 'test';
    case 'line_up':
    case 'device_up':
      return undefined; // the end of a mark
    default:
      return 'clock';
  }
}

/** Which event ends one that lasts: the fault of the same channel, the same line or device. */
function endKey(e: Event): string | undefined {
  if (e.kind === 'fault') return `fault ${e.data.channel ?? e.subject}`;
  const at = /^(line|device)_(down|up)$/.exec(e.kind);
  return at ? `${at[1]} ${e.subject}` : undefined;
}

/** events as the API gives them, newest first; of answers in the order of time. */
export function happenings(events: Event[]): Happening[] {
  const out: Happening[] = [];
  const open = new Map<string, PlotMark>();
  for (const e of [...events].reverse()) {
    const at = Date.parse(e.time);
    const key = endKey(e);
    if (key) {
      const before = open.get(key);
      if (before) before.to = at;
      open.delete(key);
    }
    const sort = sortOf(e);
    if (!sort) continue;
    const own = { from: Date.parse(e.data.from ?? ''), to: Date.parse(e.data.to ?? '') };
    const lasts = sort === 'test' && own.from < own.to;
    const mark: PlotMark = {
      key: `${e.seq} ${e.time} ${e.kind} ${e.subject}`, from: lasts ? own.from : at, to: lasts ? own.to : undefined, sort,
      text: [entrySubject(e), entryText(e)].filter(Boolean).join(': '),
    };
    if (key) open.set(key, mark);
    out.push({ mark, event: e });
  }
  return out;
}

/** What the list tells of. A view that follows the present ends at the present, wherever its own end was rounded to. */
export function within(all: Happening[], view: Span, follow: boolean): Happening[] {
  const end = follow ? Infinity : view.to;
  return all.filter((h) => (h.mark.to ?? h.mark.from) >= view.from && h.mark.from < end);
}

export const wordFor = (h: Happening) => (h.event.kind === 'test' ? 'Test' : wordOf(h.event));
