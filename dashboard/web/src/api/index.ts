// The HTTP API as the page uses it. Addresses are relative to the page's own
// server; nothing else is ever asked.
import type { Answers } from './types';

export type * from './types';

/** A request that failed, in words that can be shown. */
export class ApiError extends Error {
  override name = 'ApiError';
}

const timeoutMs = 20_000;

async function get<P extends keyof Answers>(path: P, query: URLSearchParams, signal?: AbortSignal): Promise<Answers[P]> {
  const limit = AbortSignal.timeout(timeoutMs);
  const text = query.toString();
  let response: Response;
  try {
    response = await fetch(text ? `${path}?${text}` : path, {
      headers: { accept: 'application/json' },
      signal: signal ? AbortSignal.any([signal, limit]) : limit,
    });
  } catch (cause) {
    if (signal?.aborted) throw cause;
    throw new ApiError(limit.aborted ? 'loadscribe took too long to answer' : 'loadscribe cannot be reached', { cause });
  }
  if (!response.ok) {
    const body: unknown = await response.json().catch(() => null);
    throw new ApiError(messageOf(body) ?? `loadscribe answered with status ${response.status}`);
  }
  return (await response.json()) as Answers[P];
}

function messageOf(body: unknown): string | undefined {
  const error = (body as { error?: { message?: unknown } } | null)?.error;
  return typeof error?.message === 'string' ? error.message : undefined;
}

export function fetchSite(): Promise<Answers['/api/v1/site']> {
  return get('/api/v1/site', new URLSearchParams());
}

/** Channels and the states of a machine between two moments, Unix ms. */
export function fetchSeries(
  channels: string[], machine: string, fromMs: number, points: number, signal?: AbortSignal,
): Promise<Answers['/api/v1/series']> {
  const query = new URLSearchParams({ state: machine, from: new Date(fromMs).toISOString(), to: 'now', points: String(points) });
  for (const id of channels) query.append('channel', id);
  return get('/api/v1/series', query, signal);
}

/** Figures of one machine from the start of a local day of the site until now. */
export function fetchFigures(localDay: string, machine: string, signal?: AbortSignal): Promise<Answers['/api/v1/figures']> {
  return get('/api/v1/figures', new URLSearchParams({ from: localDay, to: 'now', machine }), signal);
}
