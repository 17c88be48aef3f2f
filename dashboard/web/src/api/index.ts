// The HTTP API as the page uses it. Addresses are relative to the page's own
// server; nothing else is ever asked.
import { doubt, entries, shut, turnedAway } from '../door/state';
import type { Answers, Door, Event, NewNote, SeriesAnswer } from './types';

export type * from './types';

/** A request that failed, in words that can be shown. */
export class ApiError extends Error {
  override name = 'ApiError';
  /** the field of what was sent that is wrong, or empty */
  field = '';
  /** of the answer; 0: there was none */
  status = 0;
  /** try again after so long, s; 0: the server says nothing of it */
  afterS = 0;
}

const timeoutMs = 20_000;

/** What a path answers with. */
export async function answerOf<P extends keyof Answers>(path: P, query: URLSearchParams, signal?: AbortSignal): Promise<Answers[P]> {
  const text = query.toString();
  return (await ask(text ? `${path}?${text}` : path, { headers: { accept: 'application/json' } }, signal)) as Answers[P];
}

const doorPath = '/api/v1/door';

/** Who the server takes this page for. */
export async function askDoor(): Promise<Door> {
  return answerOf(doorPath, new URLSearchParams());
}

/** Sends what a person says; the answer is as the API's document has it. */
export async function post(path: string, body: unknown): Promise<unknown> {
  return ask(path, { method: 'POST', headers: { accept: 'application/json', 'content-type': 'application/json' }, body: JSON.stringify(body) });
}

async function ask(address: string, request: RequestInit, signal?: AbortSignal): Promise<unknown> {
  if (shut.peek() !== undefined && !address.startsWith(doorPath)) throw notIn(); // it would be refused
  const limit = AbortSignal.timeout(timeoutMs);
  const begun = entries.peek();
  let response: Response;
  try {
    response = await fetch(address, { ...request, signal: signal ? AbortSignal.any([signal, limit]) : limit });
  } catch (cause) {
    if (signal?.aborted) throw cause;
    throw new ApiError(limit.aborted ? 'loadscribe took too long to answer' : 'loadscribe cannot be reached', { cause });
  }
  if (!response.ok) throw await refused(response, begun);
  return response.json();
}

function notIn(): ApiError {
  const e = new ApiError('it needed a sign-in; after that, try again');
  e.field = 'sign_in';
  return e;
}

/** What a refusal says; one that asks for a sign-in is told to the whole page, but for a request begun before the last coming in. */
export async function refused(response: Response, begun = entries.peek()): Promise<ApiError> {
  const body: unknown = await response.json().catch(() => null);
  const e = refusal(body) ?? new ApiError(`loadscribe answered with status ${response.status}`);
  e.status = response.status;
  e.afterS = Number(response.headers?.get('retry-after')) || 0;
  if (response.status === 401 && e.field === 'sign_in') {
    if (begun === entries.peek()) turnedAway(e.message);
    else doubt.value += 1;
    return notIn();
  }
  if (response.status === 403 && e.field === 'role') doubt.value += 1; // the role may have changed
  return e;
}

function refusal(body: unknown): ApiError | undefined {
  const error = (body as { error?: { message?: unknown; field?: unknown } } | null)?.error;
  if (typeof error?.message !== 'string') return undefined;
  const e = new ApiError(error.message);
  if (typeof error.field === 'string') e.field = error.field;
  return e;
}

export function fetchSite(): Promise<Answers['/api/v1/site']> {
  return answerOf('/api/v1/site', new URLSearchParams());
}

/** Channels and the states of a machine between two moments, Unix ms. */
export function fetchSeries(
  channels: string[], machine: string, fromMs: number, points: number, signal?: AbortSignal,
): Promise<SeriesAnswer> {
  const query = new URLSearchParams({ state: machine, from: new Date(fromMs).toISOString(), to: 'now', points: String(points) });
  for (const id of channels) query.append('channel', id);
  return answerOf('/api/v1/series', query, signal) as Promise<SeriesAnswer>; // its layout is cells
}

/** Figures of one machine from the start of a local day of the site until now. */
export function fetchFigures(localDay: string, machine: string, signal?: AbortSignal): Promise<Answers['/api/v1/figures']> {
  return answerOf('/api/v1/figures', new URLSearchParams({ from: localDay, to: 'now', machine }), signal);
}

/** Every figure of a window, as the API takes one; without a machine of all machines and systems. */
export function fetchWindow(window: { from: string; to: string }, machine: string, signal?: AbortSignal): Promise<Answers['/api/v1/figures']> {
  return answerOf('/api/v1/figures', new URLSearchParams({ ...window, ...(machine ? { machine } : {}) }), signal);
}

/** Which figures there are. */
export function fetchFigureNames(signal?: AbortSignal): Promise<Answers['/api/v1/figure-names']> {
  return answerOf('/api/v1/figure-names', new URLSearchParams(), signal);
}

interface EventsWanted {
  kinds: string[];
  changes: string[];
  subjects: string[];
  /** Unix ms; without them all that was ever kept */
  from?: number;
  to?: number;
  limit: number;
}

/** Events, newest first. */
export function fetchEvents(wanted: EventsWanted, signal?: AbortSignal): Promise<Answers['/api/v1/events']> {
  const from = wanted.from === undefined ? '2000-01-01' : new Date(wanted.from).toISOString();
  const query = new URLSearchParams({ from, to: wanted.to === undefined ? 'now' : new Date(wanted.to).toISOString(), limit: String(wanted.limit) });
  for (const k of wanted.kinds) query.append('kind', k);
  for (const c of wanted.changes) query.append('change', c);
  for (const s of wanted.subjects) query.append('subject', s);
  return answerOf('/api/v1/events', query, signal);
}

/** Each fault code between two moments, Unix ms. */
export function fetchFaults(fromMs: number, toMs: number, signal?: AbortSignal): Promise<Answers['/api/v1/faults']> {
  return answerOf('/api/v1/faults', new URLSearchParams({ from: new Date(fromMs).toISOString(), to: new Date(toMs).toISOString() }), signal);
}

/** When each service item is due. */
export function fetchService(signal?: AbortSignal): Promise<Answers['/api/v1/service']> {
  return answerOf('/api/v1/service', new URLSearchParams(), signal);
}

/** Keeps a note; an ApiError with a field says what is wrong with it. */
export async function sendNote(note: NewNote): Promise<Event> {
  return (await post('/api/v1/notes', note)) as Event;
}

/** What a window of one machine is asked for by; from and to as the API takes them. */
interface MachineWindow {
  from: string;
  to: string;
  machine: string;
}

/** Every figure of one machine over any window. */
export function fetchFiguresOf(asked: MachineWindow, signal?: AbortSignal): Promise<Answers['/api/v1/figures']> {
  return answerOf('/api/v1/figures', new URLSearchParams({ ...asked }), signal);
}

/** Load cycles and starts of one machine, so many of each listed at most. */
export function fetchCycles(asked: MachineWindow & { limit: number }, signal?: AbortSignal): Promise<Answers['/api/v1/cycles']> {
  return answerOf('/api/v1/cycles', new URLSearchParams({ ...asked, limit: String(asked.limit) }), signal);
}

/** The unloads of one machine, laid over one another. */
export function fetchUnloads(asked: MachineWindow & { limit: number; seconds: number; points: number }, signal?: AbortSignal): Promise<Answers['/api/v1/unloads']> {
  return answerOf('/api/v1/unloads', new URLSearchParams(Object.entries(asked).map(([k, v]) => [k, String(v)])), signal);
}
