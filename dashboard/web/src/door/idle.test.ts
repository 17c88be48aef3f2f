// @vitest-environment happy-dom
import { afterEach, beforeEach, expect, it, vi } from 'vitest';
import { endWhenIdle } from './idle';
import { endsSoon, leaving, shut } from './state';

const asked: string[] = [];
let undo = () => {};
beforeEach(() => {
  vi.useFakeTimers();
  localStorage.clear();
  vi.stubGlobal('fetch', vi.fn(async (address: string) => { asked.push(address); return { ok: true, json: async () => ({}) }; }));
});
afterEach(() => {
  undo();
  vi.useRealTimers();
  vi.unstubAllGlobals();
  asked.length = 0;
  shut.value = undefined;
});

const idleMs = 30 * 60_000;

it('signs out who has left, says so, and warns a minute before', () => {
  undo = endWhenIdle(idleMs);
  vi.advanceTimersByTime(idleMs - 70_000);
  expect(endsSoon.value).toBe(0);
  vi.advanceTimersByTime(20_000);
  expect(endsSoon.value - Date.now()).toBeLessThan(60_000);
  expect(endsSoon.value - Date.now()).toBeGreaterThan(40_000);
  expect(shut.value).toBeUndefined();
  vi.advanceTimersByTime(60_000);
  expect(shut.value).toBe('You were signed out: these pages were not used for 30\u00a0min\u00a00\u00a0s');
  expect(asked).toEqual(['/api/v1/door/out']);
  expect(endsSoon.value).toBe(0);
  vi.advanceTimersByTime(idleMs);
  expect(asked.length).toBe(1);
});

it('says that the way out is still to be confirmed, until it is', async () => {
  let out: (r: unknown) => void = () => undefined;
  vi.stubGlobal('fetch', () => new Promise((r) => { out = r; }));
  undo = endWhenIdle(idleMs);
  vi.advanceTimersByTime(idleMs);
  expect(leaving.value).toBe(true);
  out({ ok: true, json: async () => ({}) });
  await vi.advanceTimersByTimeAsync(1);
  expect(leaving.value).toBe(false);
});

it('stays with who moves a pointer or presses a key', () => {
  undo = endWhenIdle(idleMs);
  for (let i = 0; i < 5; i++) {
    vi.advanceTimersByTime(idleMs - 30_000);
    expect(endsSoon.value).toBeGreaterThan(0);
    window.dispatchEvent(new Event(i % 2 ? 'keydown' : 'pointermove'));
    expect(endsSoon.value).toBe(0);
  }
  expect(shut.value).toBeUndefined();
});

it('counts the use of another page of the same browser', () => {
  undo = endWhenIdle(idleMs);
  vi.advanceTimersByTime(idleMs - 30_000);
  localStorage.setItem('used', String(Date.now()));
  vi.advanceTimersByTime(60_000);
  expect(shut.value).toBeUndefined();
  vi.advanceTimersByTime(idleMs);
  expect(shut.value).toContain('signed out');
});

it('is not kept in for ever by a stamp of the future', () => {
  localStorage.setItem('used', String(Date.now() + 10 * idleMs));
  undo = endWhenIdle(idleMs);
  localStorage.setItem('used', String(Date.now() + 10 * idleMs));
  vi.advanceTimersByTime(2 * idleMs);
  expect(shut.value).toContain('signed out');
});
