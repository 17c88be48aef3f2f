import { expect, it } from 'vitest';
import type { HookupReading } from '../api';
import { countText, msText, percentText, timeScale } from './scale';
import { spotOf } from './spot';
import { numbersOf, readingText } from './words';

const form = (values: Record<string, string>) => {
  const data = new FormData();
  for (const [k, v] of Object.entries({ when: 'as_found', step: 'loaded', who: 'R. Vale', instrument: 'clamp meter', ...values })) data.set(k, v);
  return data;
};

it('reads one number or three, however they are parted', () => {
  expect(numbersOf('44 45,5 / 44.6')).toEqual([44, 45.5, 44.6]);
  expect(numbersOf(' ')).toEqual([]);
  expect(numbersOf('44 A')).toBeUndefined();
});

it('makes a spot reading in SI of what was typed', () => {
  expect(spotOf(form({ current: '44 45 44.5', voltage: '461', power: '33,4', accuracy: '1.5' }), 'comp1')).toEqual({
    machine: 'comp1', when: 'as_found', step: 'loaded', who: 'R. Vale', instrument: 'clamp meter', current_a: [44, 45, 44.5], voltage_v: [461], power_w: 33_400, power_accuracy: 0.015,
  });
  expect(spotOf(form({ current: '44', when: 'as_left', step: 'unloaded' }), 'comp1')).toMatchObject({ when: 'as_left', step: 'unloaded', power_w: null, power_accuracy: 0 });
});

it('names the field of a spot reading that cannot be read', () => {
  for (const [values, field] of [
    [{}, 'current'], [{ current: '44 45' }, 'current'], [{ voltage: 'high' }, 'voltage'], [{ power: '1 2' }, 'power'],
    [{ power: '33', accuracy: 'good' }, 'accuracy'], [{ current: '44', who: ' ' }, 'who'], [{ current: '44', instrument: '' }, 'instrument'],
  ] as [Record<string, string>, string][]) expect(spotOf(form(values), 'comp1')).toMatchObject({ field });
});

// Factors: 1 psi = 6894.757 Pa, 1 bar = 100 kPa (NIST SP 811, table B.8, from memory).
it('shows means in the reader’s units', () => {
  const mean = (role: string, unit: HookupReading['unit'], value: number) => ({ role, unit, mean: value, samples: 80 });
  expect(readingText(mean('discharge_pressure', 'Pa', 700_000), 'us')).toEqual({ text: '101.5', unit: 'psi' });
  expect(readingText(mean('discharge_pressure', 'Pa', 700_000), 'si')).toEqual({ text: '7.00', unit: 'bar' });
  expect(readingText(mean('power', 'W', 33_456), 'us')).toEqual({ text: '33.5', unit: 'kW' });
  expect(readingText(mean('loaded', '1', 0.25), 'us')).toEqual({ text: '25', unit: '% of the time' });
  expect(readingText(mean('power_factor', '1', 0.861), 'us')).toEqual({ text: '0.86', unit: '' });
});

it('puts equal ratios of time at equal steps', () => {
  const s = timeScale(0.3, 1000, 400);
  expect(s.ticks).toEqual([0.1, 1, 10, 100, 1000]);
  expect(s.x(0.1)).toBe(0);
  expect(s.x(10)).toBeCloseTo(200);
  expect(s.x(1000)).toBe(400);
  expect(s.x(1e9)).toBe(400);
  expect(s.x(0)).toBe(0);
});

it('writes counts and shares as people read them', () => {
  expect(countText(1_234_567)).toBe('1\u202f234\u202f567');
  expect([msText(0.042), msText(2.42), msText(12.4), msText(1300)]).toEqual(['0.04', '2.4', '12', '1\u202f300']);
  expect([0, 0.0004, 0.054, 0.5, 0.9999, 1].map(percentText)).toEqual(['0.0', '<0.1', '5.4', '50', '>99.9', '100']);
});
