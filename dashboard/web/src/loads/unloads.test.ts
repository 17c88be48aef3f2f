import { expect, it } from 'vitest';
import type { UnloadCurve } from '../api';
import { lastPower } from './unloads';

const curve = (ended: string, lasted_s: number): UnloadCurve => ({ start: '', ended, lasted_s, power: [[-5, 33], [0, 30], [105, 12.81], [107, 33.7]], sump: [] }) as unknown as UnloadCurve;

it('takes for the last unloaded power none that was read once it had loaded again', () => {
  expect(lastPower(curve('load', 107))).toEqual({ k: 2, last: 12.81 });
  expect(lastPower(curve('stop', 107))).toEqual({ k: 3, last: 33.7 });
  expect(lastPower({ ...curve('load', 107), power: [] })).toEqual({ k: -1, last: undefined });
});
