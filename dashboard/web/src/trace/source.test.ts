// @vitest-environment happy-dom
import { signal } from '@preact/signals';
import { afterEach, beforeEach, describe, expect, it, vi } from 'vitest';
import type { ColumnsAnswer, ScanUpdate, Site } from '../api';
import type { Live, Recorder } from '../live/live';
import { TraceSource } from './source';

const start = Date.parse('2026-03-04T12:00:00Z');
const site = { channels: [{ id: 'd.p', period_ms: 1_000 }, { id: 'd.q', period_ms: 1_000 }] } as unknown as Site;
const hour = 3_600_000;

let recorders: Recorder[] = [];
const live = { record: (r: Recorder) => { recorders.push(r); return () => { recorders = recorders.filter((o) => o !== r); }; }, now: () => Date.now(), held: signal(false) } as unknown as Live;

/** An agent that answers with one cell a step. */
function answering(ms = 50) {
  const asked: { from: number; to: number; channels: string[]; points: number; signal: AbortSignal }[] = [];
  const fetch = async (_: string, query: URLSearchParams, aborted?: AbortSignal): Promise<ColumnsAnswer> => {
    const [from, to, points] = [Date.parse(query.get('from') ?? ''), Date.parse(query.get('to') ?? ''), Number(query.get('points'))];
    const channels = query.getAll('channel');
    asked.push({ from, to, channels, points, signal: aborted as AbortSignal });
    await new Promise((r) => setTimeout(r, ms));
    const step = Math.ceil((to - from) / points / 1_000) * 1_000;
    const n = Math.floor((to - from) / step);
    const one = Array.from({ length: n }, () => 1);
    return {
      from: query.get('from') ?? '', to: query.get('to') ?? '',
      series: channels.map((channel) => ({ channel, unit: 'psi', start_ms: from, step_ms: step, count: one, min: one, max: one, mean: one })),
      states: query.getAll('state').map((machine) => ({ machine, step_ms: 0, runs: [] })),
    };
  };
  return { asked, fetch: fetch as never };
}

const look = (s: TraceSource, from: number, to: number, channels = ['d.p']) => {
  s.look({ channels, machines: ['comp1'], window: { from, to }, width: 800, least: start - 400 * 24 * hour });
  s.seek();
};

beforeEach(() => { vi.useFakeTimers({ now: start }); });
afterEach(() => { vi.useRealTimers(); recorders = []; });

describe('what Trace draws', () => {
  it('is fetched once with a margin, so that a small move asks nothing', async () => {
    const { asked, fetch } = answering();
    const s = new TraceSource(live, site, fetch);
    look(s, start - 10 * hour, start - 9 * hour);
    await vi.advanceTimersByTimeAsync(1_000);
    expect(asked).toHaveLength(1);
    expect(s.fresh.value).toBe(1);
    expect(s.of('d.p').t.length).toBeGreaterThan(800);
    for (let i = 0; i < 20; i++) {
      look(s, start - 10 * hour + i * 60_000, start - 9 * hour + i * 60_000);
      await vi.advanceTimersByTimeAsync(200);
    }
    expect(asked).toHaveLength(1);
    look(s, start - 10 * hour + 2 * hour, start - 9 * hour + 2 * hour);
    expect(s.of('d.p').t.length).toBeGreaterThan(0); // the old cells until the new are there
    await vi.advanceTimersByTimeAsync(1_000);
    expect(asked).toHaveLength(2);
    look(s, start - 10 * hour, start - 9 * hour);
    await vi.advanceTimersByTimeAsync(1_000);
    expect(asked).toHaveLength(2); // back: it was kept
    s.stop();
  });

  it('asks for a channel that is added, not for those it has', async () => {
    const { asked, fetch } = answering();
    const s = new TraceSource(live, site, fetch);
    look(s, start - 10 * hour, start - 9 * hour);
    await vi.advanceTimersByTimeAsync(1_000);
    look(s, start - 10 * hour, start - 9 * hour, ['d.p', 'd.q']);
    await vi.advanceTimersByTimeAsync(1_000);
    expect(asked.map((a) => a.channels)).toEqual([['d.p'], ['d.q']]);
    s.stop();
  });

  it('gives up what nobody waits for, and what is under way when the page is left', async () => {
    const { asked, fetch } = answering(500);
    const s = new TraceSource(live, site, fetch);
    look(s, start - 10 * hour, start - 9 * hour);
    await vi.advanceTimersByTimeAsync(130);
    look(s, start - 100 * hour, start - 99 * hour);
    await vi.advanceTimersByTimeAsync(130);
    expect(asked.map((a) => a.signal.aborted)).toEqual([true, false]);
    look(s, start - 100 * hour + 60_000, start - 99 * hour + 60_000);
    await vi.advanceTimersByTimeAsync(130);
    expect(asked).toHaveLength(2); // what is under way serves this too
    s.stop();
    expect(asked[1]?.signal.aborted).toBe(true);
    await vi.advanceTimersByTimeAsync(60_000);
    expect(asked).toHaveLength(2);
    expect(recorders).toHaveLength(0);
  });

  it('follows the present with live readings, and fetches anew only now and then', async () => {
    const { asked, fetch } = answering();
    const s = new TraceSource(live, site, fetch);
    for (let t = 0; t < 30 * 60; t++) {
      look(s, Date.now() - hour, Date.now());
      recorders[0]?.scan({ time: new Date().toISOString(), device: 'd', group: '1s', reason: 'good', values: { 'd.p': 2 } } as unknown as ScanUpdate, ['d.p']);
      await vi.advanceTimersByTimeAsync(1_000);
    }
    expect(asked.length).toBeGreaterThan(1);
    expect(asked.length).toBeLessThan(8);
    const cells = s.of('d.p');
    expect(cells.mean.at(-1)).toBe(2);
    expect(Date.now() - (cells.t.at(-1) ?? 0)).toBeLessThan(3_000);
    expect(s.size).toBeLessThan(40_000);
    s.stop();
  });

  it('draws no state beyond what was last heard', async () => {
    const loaded = { machine: 'comp1', step_ms: 0, runs: [{ state: 'loaded', from: new Date(start - hour).toISOString(), to: new Date(start).toISOString(), reason: '' }] };
    const { fetch } = answering();
    const s = new TraceSource(live, site, (async (...args: never[]) => ({ ...await (fetch as (...a: never[]) => Promise<ColumnsAnswer>)(...args), states: [loaded] })) as never);
    const end = () => s.band('comp1')?.runs.at(-1)?.to;
    look(s, start - hour, start);
    await vi.advanceTimersByTimeAsync(1_000);
    const heard = Date.now();
    recorders[0]?.scan({ time: new Date(heard).toISOString(), device: 'd', group: '1s', reason: 'good', values: {} } as unknown as ScanUpdate, []);
    look(s, start - hour + 2_000, start + 2_000);
    expect(end()).toBe(heard);
    await vi.advanceTimersByTimeAsync(120_000); // the server is silent
    look(s, start - hour + 120_000, start + 120_000);
    expect(end()).toBe(heard);
    s.stop();
  });

  it('is fetched anew to its present end when something may have been missed', async () => {
    const { asked, fetch } = answering();
    const s = new TraceSource(live, site, fetch);
    look(s, start - hour, start);
    await vi.advanceTimersByTimeAsync(1_000);
    recorders[0]?.refill();
    expect(s.of('d.p').t.length).toBeGreaterThan(0); // drawn until then
    await vi.advanceTimersByTimeAsync(1_000);
    expect(asked).toHaveLength(2);
    s.stop();
  });

  it('stays bounded over a year of looking about', async () => {
    const { fetch } = answering();
    const s = new TraceSource(live, site, fetch);
    for (let d = 0; d < 350; d++) {
      look(s, start - (d + 1) * 24 * hour, start - d * 24 * hour - hour * (d % 7), ['d.p', 'd.q']);
      await vi.advanceTimersByTimeAsync(400);
    }
    expect(s.size).toBeGreaterThan(100_000);
    expect(s.size).toBeLessThanOrEqual(410_000);
    s.stop();
    expect(s.size).toBe(0);
  });

  it('says why it is not here, and tries again', async () => {
    let fails = true;
    const { asked, fetch } = answering();
    const s = new TraceSource(live, site, (async (...args: never[]) => {
      if (fails) throw new Error('loadscribe cannot be reached');
      return (fetch as (...a: never[]) => Promise<ColumnsAnswer>)(...args);
    }) as never);
    look(s, start - 10 * hour, start - 9 * hour);
    await vi.advanceTimersByTimeAsync(1_000);
    expect(s.error.value).toBe('loadscribe cannot be reached');
    fails = false;
    await vi.advanceTimersByTimeAsync(11_000);
    expect(s.error.value).toBe('');
    expect(asked).toHaveLength(1);
    s.stop();
  });
});
