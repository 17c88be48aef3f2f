// @vitest-environment happy-dom
import { signal } from '@preact/signals';
import { afterEach, beforeEach, expect, it, vi } from 'vitest';
import { Asked } from './asked';

let hidden = false;
const look = (away: boolean) => {
  hidden = away;
  document.dispatchEvent(new Event('visibilitychange'));
};
beforeEach(() => {
  vi.useFakeTimers();
  hidden = false;
  vi.spyOn(document, 'hidden', 'get').mockImplementation(() => hidden);
});
afterEach(() => { vi.useRealTimers(); vi.restoreAllMocks(); });

function asking(everyMs?: number, fails = false) {
  const held = signal(false);
  const ask = vi.fn(async (_: AbortSignal) => { if (fails) throw new Error('gone'); return 1; });
  const asked = new Asked<number>({ held });
  asked.start();
  asked.put({ key: 'k', everyMs, ask });
  return { asked, ask, held };
}

it('asks nothing while nobody looks, and at once when somebody does', async () => {
  const { asked, ask } = asking(300_000);
  await vi.advanceTimersByTimeAsync(10);
  expect(ask).toHaveBeenCalledTimes(1);
  look(true);
  await vi.advanceTimersByTimeAsync(86_400_000);
  expect(ask).toHaveBeenCalledTimes(1);
  expect(vi.getTimerCount()).toBe(0);
  look(false);
  await vi.advanceTimersByTimeAsync(10);
  expect(ask).toHaveBeenCalledTimes(2);
  look(true);
  look(false);
  await vi.advanceTimersByTimeAsync(10_000);
  expect(ask).toHaveBeenCalledTimes(2); // nothing was missed
  asked.stop();
});

it('does not go on trying while nobody looks', async () => {
  const { asked, ask } = asking(undefined, true);
  await vi.advanceTimersByTimeAsync(10);
  expect(ask).toHaveBeenCalledTimes(1);
  look(true);
  await vi.advanceTimersByTimeAsync(3_600_000);
  expect(ask).toHaveBeenCalledTimes(1);
  look(false);
  await vi.advanceTimersByTimeAsync(10);
  expect(ask).toHaveBeenCalledTimes(2);
  asked.stop();
});

it('rests while it is held, but answers a new question', async () => {
  const { asked, ask, held } = asking(1_000);
  await vi.advanceTimersByTimeAsync(10);
  held.value = true;
  await vi.advanceTimersByTimeAsync(60_000);
  expect(ask).toHaveBeenCalledTimes(1);
  const other = vi.fn(async () => 2);
  asked.put({ key: 'other', ask: other });
  await vi.advanceTimersByTimeAsync(10);
  expect(asked.value.value).toBe(2);
  held.value = false;
  await vi.advanceTimersByTimeAsync(5_000);
  expect(other).toHaveBeenCalledTimes(2);
  asked.stop();
});

it('leaves nothing behind', async () => {
  const { asked, ask } = asking(1_000);
  asked.stop();
  look(true);
  look(false);
  await vi.advanceTimersByTimeAsync(60_000);
  expect(ask).not.toHaveBeenCalled();
  expect(vi.getTimerCount()).toBe(0);
});

it('asks again where it was due while an older answer was under way', async () => {
  const tick = signal(0);
  let answer: (n: number) => void = () => undefined;
  const ask = vi.fn(() => new Promise<number>((r) => { answer = r; }));
  const asked = new Asked<number>({ held: signal(false), tick });
  asked.start();
  asked.put({ key: 'k', ask });
  await vi.advanceTimersByTimeAsync(10);
  tick.value += 1; // an alarm is raised, and the answer of before is slow
  await vi.advanceTimersByTimeAsync(5_000);
  answer(1);
  await vi.advanceTimersByTimeAsync(10);
  expect(ask).toHaveBeenCalledTimes(2);
  answer(2);
  await vi.advanceTimersByTimeAsync(60_000);
  expect(asked.value.value).toBe(2);
  expect(ask).toHaveBeenCalledTimes(2);
  asked.stop();
});
