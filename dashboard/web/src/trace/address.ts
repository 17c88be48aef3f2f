// The view of the page Trace as an address: which channels over which time, with
// both cursors. Pure; every page links to Trace through it.
import { href } from '../route';

export interface TraceView {
  /** channel ids in the order they were chosen; empty: the page chooses */
  channels: string[];
  /** machines whose states are shown; empty: all */
  machines: string[];
  /** Unix ms; undefined with span: the view follows the present */
  from: number | undefined;
  to: number | undefined;
  /** ms, of a view that follows the present */
  span: number | undefined;
  /** cursors, Unix ms */
  a: number | undefined;
  b: number | undefined;
}


const stamp = (ms: number | undefined) => (ms === undefined ? undefined : new Date(ms).toISOString().replace('.000Z', 'Z'));

function time(text: string | null): number | undefined {
  const ms = text === null ? NaN : Date.parse(text);
  return Number.isFinite(ms) ? ms : undefined;
}

/** No record is longer: a century, ms. A longer one has a beginning that no calendar has. */
const longestMs = 100 * 366 * 86_400_000;

const list = (text: string | null) => (text ?? '').split(',').filter((s) => s !== '');

/** What an address asks for; what it does not say or cannot mean is undefined. */
export function parseView(query: URLSearchParams): TraceView {
  const from = time(query.get('from'));
  const to = time(query.get('to'));
  const whole = from !== undefined && to !== undefined && from < to;
  const span = Number(query.get('span')) * 1000;
  return {
    channels: list(query.get('ch')),
    machines: list(query.get('machine')),
    from: whole ? from : undefined,
    to: whole ? to : undefined,
    span: !whole && span > 0 && span <= longestMs ? span : undefined,
    a: time(query.get('a')),
    b: time(query.get('b')),
  };
}

/** The address of a view. span is written in seconds. */
export function traceHref(view: Partial<TraceView>): string {
  return href('trace', {
    ch: view.channels?.join(','),
    machine: view.machines?.join(','),
    from: stamp(view.from),
    to: stamp(view.to),
    span: view.span === undefined ? undefined : String(Math.round(view.span / 1000)),
    a: stamp(view.a),
    b: stamp(view.b),
  });
}
