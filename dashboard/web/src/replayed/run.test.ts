// @vitest-environment happy-dom
import { afterEach, beforeEach, expect, it, vi } from 'vitest';
import { ApiError, type ReplayAnswer, type ReplayJob } from '../api';
import { Replayer, type Server } from './run';

const job = (over: Partial<ReplayJob>): ReplayJob => ({ id: '5f', state: 'running', done: 0, total: 0, started: null, ended: null, ...over });
const answer = { system: 'main' } as ReplayAnswer;
let log: string[] = [];
let looks: (ReplayJob | Error)[] = [];
let starts: (ReplayJob | Error)[] = [];
const next = (all: (ReplayJob | Error)[]) => {
  const one = all.length > 1 ? all.shift() : all[0];
  if (one instanceof Error) throw one;
  return one ?? job({});
};
const server: Server = {
  start: async () => { log.push('start'); return next(starts); },
  look: async (id) => { log.push(`look ${id}`); return next(looks); },
  cancel: async (id) => { log.push(`cancel ${id}`); },
};
const refusal = (message: string, field: string) => Object.assign(new ApiError(message), { field });
const hide = (hidden: boolean) => {
  Object.defineProperty(document, 'hidden', { configurable: true, get: () => hidden });
  document.dispatchEvent(new Event('visibilitychange'));
};
const pass = (ms: number) => vi.advanceTimersByTimeAsync(ms);

beforeEach(() => {
  vi.useFakeTimers();
  log = [];
  starts = [job({})];
  looks = [job({})];
});
afterEach(() => {
  hide(false);
  vi.useRealTimers();
});

it('begins, follows and keeps the answer', async () => {
  const r = new Replayer(server);
  looks = [job({ done: 3, total: 40 }), job({ state: 'done', done: 40, total: 40, answer })];
  r.put('a', {});
  await pass(10);
  expect(r.stand.value).toEqual({ state: 'running', done: 3, total: 40 });
  await pass(1_000);
  expect(r.stand.value).toEqual({ state: 'done' });
  expect(r.last.value).toEqual({ key: 'a', id: '5f', answer });
  r.put('a', {});
  r.stop();
  await pass(10_000);
  expect(log).toEqual(['start', 'look 5f', 'look 5f']);
});

it('breaks off what is under way when it is left or another is asked', async () => {
  const r = new Replayer(server);
  r.put('a', {});
  await pass(10);
  r.put('b', {});
  await pass(10);
  expect(log).toEqual(['start', 'look 5f', 'cancel 5f', 'start', 'look 5f']);
  r.stop();
  await pass(10_000);
  expect(log.at(-1)).toBe('cancel 5f');
  expect(r.stand.value).toEqual({ state: 'stopped' });
});

it('breaks off one whose id came after it was left', async () => {
  const r = new Replayer(server);
  r.put('a', {});
  r.stop();
  await pass(1_000);
  expect(log).toEqual([]); // it was left before it was begun
  let give: (j: ReplayJob) => void = () => undefined;
  const slow = new Replayer({ ...server, start: () => new Promise((ok) => { give = ok; }) });
  slow.put('a', {});
  await pass(10);
  slow.stop();
  give(job({ id: '6a' }));
  await pass(10);
  expect(log).toContain('cancel 6a');
});

it('asks nothing while nobody looks', async () => {
  hide(true);
  const r = new Replayer(server);
  r.put('a', {});
  await pass(60_000);
  expect(log).toEqual([]);
  hide(false);
  await pass(10);
  expect(log).toEqual(['start', 'look 5f']);
  hide(true);
  await pass(5_000);
  const heard = log.length;
  await pass(60_000);
  expect(log).toHaveLength(heard);
  r.stop();
});

it('tells a wrong setting, at once or by the job, and tries no more', async () => {
  const r = new Replayer(server);
  starts = [refusal('did you mean', 'comp1.cutout')];
  r.put('a', {});
  await pass(20_000);
  expect(r.stand.value).toEqual({ state: 'refused', field: 'comp1.cutout', message: 'did you mean' });
  expect(log).toEqual(['start']);
  starts = [job({})];
  looks = [job({ state: 'failed', field: 'comp1.cut_in', error: 'not below' })];
  r.put('b', {});
  await pass(20_000);
  expect(r.stand.value).toEqual({ state: 'refused', field: 'comp1.cut_in', message: 'not below' });
});

it('tries again where the server is away or busy, and anew where it lost the replay', async () => {
  const r = new Replayer(server);
  starts = [new ApiError('2 replays are at work already'), job({})];
  looks = [new ApiError('loadscribe cannot be reached'), refusal('there is no job', 'id'), job({ state: 'done', answer })];
  r.put('a', {});
  await pass(10);
  expect(r.stand.value).toEqual({ state: 'failing', message: '2 replays are at work already' });
  await pass(20_000);
  expect(log).toEqual(['start', 'start', 'look 5f', 'look 5f', 'start', 'look 5f']);
  expect(r.stand.value.state).toBe('done');
});

it('begins nothing before what was left is broken off, whoever left it', async () => {
  let begun = () => {};
  const slow: Server = { ...server, start: async () => { log.push('start'); await new Promise<void>((go) => { begun = go; }); return job({}); } };
  const [r, after] = [new Replayer(slow), new Replayer(server)];
  r.put('a', {});
  await pass(10);
  r.stop(); // its id is not known yet
  after.put('b', {});
  await pass(10);
  expect(log).toEqual(['start']);
  begun();
  await pass(10);
  expect(log).toEqual(['start', 'cancel 5f', 'start', 'look 5f']);
  after.stop();
});
