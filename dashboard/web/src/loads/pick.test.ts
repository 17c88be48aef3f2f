import { expect, it } from 'vitest';
import type { CyclesAnswer, UnloadsAnswer } from '../api';
import { around, moved, pickedAt, unloadOf } from './pick';
import { durationTicks, logScale, shortTime } from './scale';
import { binsOf, binText } from './lengths';
import { steppedPath } from './starts';
import { unloadedPart } from './unloads';

const at = (text: string) => Date.parse(`2026-11-25T${text}Z`);
const answer = {
  cycles: [
    { start: '2026-11-25T08:00:08Z', started: '2026-11-25T08:00:00Z', loaded_s: 60, unloaded_s: 40, cycle_s: 100, ended: 'load' },
    { start: '2026-11-25T08:01:48Z', loaded_s: 60, unloaded_s: 240, ended: 'stop' },
  ],
  starts: { list: [{ at: '2026-11-25T08:00:00Z' }, { at: '2026-11-25T09:00:00Z' }] },
} as unknown as CyclesAnswer;

it('finds the cycle that a moment lies in, and the start that led to it', () => {
  expect(pickedAt(answer, at('08:00:00'))).toMatchObject({ cycle: 0, start: 0 }); // the start itself
  expect(pickedAt(answer, at('08:01:00'))).toMatchObject({ cycle: 0, start: 0 });
  expect(pickedAt(answer, at('08:01:48'))).toMatchObject({ cycle: 1, start: -1 }); // it had run unloaded
  expect(pickedAt(answer, at('08:06:47'))).toMatchObject({ cycle: 1 });
  expect(pickedAt(answer, at('09:00:00'))).toMatchObject({ cycle: -1, start: 1 }); // its cycle is not listed
  const resting = { ...answer, cycles: answer.cycles.map((c) => ({ ...c, cycle_s: 3700 })) };
  expect(pickedAt(resting, at('09:00:00'))).toMatchObject({ cycle: -1, start: 1 }); // in the rest of the one before
  expect(pickedAt(answer, at('08:30:00'))).toBeUndefined();
  expect(pickedAt(answer, undefined)).toBeUndefined();
});

it('finds the unload of a cycle, a moment off or not', () => {
  const curves = { unloads: [{ start: '2026-11-25T08:01:08.400Z' }] } as unknown as UnloadsAnswer;
  expect(unloadOf(curves, answer.cycles[0])).toBe(0);
  expect(unloadOf(curves, answer.cycles[1])).toBe(-1);
  expect(unloadOf(undefined, answer.cycles[0])).toBe(-1);
});

it('keeps the list around the picked one, and moves by keys within it', () => {
  expect(around(0, 20, 7)).toEqual({ first: 0, last: 7 });
  expect(around(10, 20, 7)).toEqual({ first: 7, last: 14 });
  expect(around(19, 20, 7)).toEqual({ first: 13, last: 20 });
  expect(around(1, 3, 7)).toEqual({ first: 0, last: 3 });
  expect([moved('ArrowDown', 19, 20, 7), moved('ArrowUp', 19, 20, 7), moved('PageUp', 3, 20, 7), moved('Home', 9, 20, 7), moved('End', 9, 20, 7), moved('Tab', 9, 20, 7)])
    .toEqual([19, 18, 0, 0, 19, undefined]);
});

it('draws the count of starts as steps that end with the window', () => {
  const same = (v: number) => v;
  expect(steppedPath([{ at: 10, n: 1 }, { at: 20, n: 2 }, { at: 30, n: 0 }, { at: 90, n: 1 }], 100, same, (n) => -n))
    .toBe('M10.0 0V-1.0H20.0V0ZM20.0 0V-2.0H30.0V0ZM90.0 0V-1.0H100.0V0Z');
});

it('scales by factors and marks times that people know', () => {
  const y = logScale(10, 1000, 0, 200);
  expect([y(10), y(100), y(1000)].map(Math.round)).toEqual([0, 100, 200]);
  expect(durationTicks(50, 700)).toEqual([60, 120, 300, 600]);
  expect([20, 60, 90, 120, 3600, 86_400].map(shortTime)).toEqual(['20 s', '1 min', '90 s', '2 min', '1 h', '1 d']);
});

it('has the classes of every row once, ascending', () => {
  const bins = binsOf([{ classes: [{ from: 20, to: 30, count: 1 }] }, { classes: [{ from: 0, to: 10, count: 2 }, { from: 3600, count: 1 }] }] as never);
  expect(bins.map(binText)).toEqual(['under 10 s', '20 s to 30 s', 'over 1 h']);
});

it('ends an unload where it loads again, not with what is read then', () => {
  const curve = { ended: 'load', lasted_s: 20, power: [[0, 34], [19, 12], [20, 33]], sump: [] } as never;
  expect(unloadedPart(curve, 'power')).toEqual([[0, 34], [19, 12]]);
});
