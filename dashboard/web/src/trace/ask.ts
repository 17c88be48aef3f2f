// What Trace asks the API for beside the readings it draws: addresses that give
// the same answer again, and the questions made of them.
import { answerOf, type BelowAnswer, type ColumnsAnswer, type EventsAnswer, type FiguresAnswer, type MomentsAnswer } from '../api';
import type { Question } from '../api/asked';
import { markChanges, markKinds } from './happened';
import type { Span } from './window';

const stamp = (ms: number) => new Date(ms).toISOString();

const mostEvents = 500;
const tableRows = 48;

/** How often an answer of a window that goes up to the present is asked for again, ms. */
const everyMs = 30_000;

export function exportAddress(w: Span, channels: string[]): string {
  const query = new URLSearchParams({ format: 'csv', layout: 'wide', from: stamp(w.from), to: stamp(w.to) });
  for (const id of channels) query.append('channel', id);
  return `/api/v1/export?${query.toString()}`;
}

function question<T>(path: string, query: URLSearchParams, ask: (query: URLSearchParams, signal: AbortSignal) => Promise<T>, open = false): Question<T> & { address: string } {
  const address = `${path}?${query.toString()}`;
  return { key: address, address, ask: (signal) => ask(query, signal), everyMs: open ? everyMs : undefined };
}

export const askEvents = (w: Span, open: boolean) => {
  const query = new URLSearchParams({ from: stamp(w.from), to: stamp(w.to), limit: String(mostEvents) });
  for (const k of markKinds) query.append('kind', k);
  for (const c of markChanges) query.append('change', c);
  return question<EventsAnswer>('/api/v1/events', query, (q, s) => answerOf('/api/v1/events', q, s), open);
};

export const askMoments = (channels: string[], at: number[]) => {
  const query = new URLSearchParams();
  for (const id of channels) query.append('channel', id);
  for (const ms of at) query.append('at', stamp(ms));
  return question<MomentsAnswer>('/api/v1/moments', query, (q, s) => answerOf('/api/v1/moments', q, s));
};

export const askFigures = (w: Span) =>
  question<FiguresAnswer>('/api/v1/figures', new URLSearchParams({ from: stamp(w.from), to: stamp(w.to) }), (q, s) => answerOf('/api/v1/figures', q, s));

export const askBelow = (system: string, w: Span) =>
  question<BelowAnswer>('/api/v1/below', new URLSearchParams({ system, from: stamp(w.from), to: stamp(w.to) }), (q, s) => answerOf('/api/v1/below', q, s));

export const askTable = (channels: string[], w: Span) => {
  const query = new URLSearchParams({ layout: 'columns', from: stamp(w.from), to: stamp(w.to), points: String(tableRows) });
  for (const id of channels) query.append('channel', id);
  return question<ColumnsAnswer>('/api/v1/series', query, async (q, s) => (await answerOf('/api/v1/series', q, s)) as ColumnsAnswer);
};
