// The page's conversions against those of the browser's checks, which are made of
// published factors by themselves, and those checks against numbers that are wrong.
import { expect, it } from 'vitest';
import { wrong } from '../e2e/convert.mjs';
import { channelDisplay, showFigure, write } from '../src/units/units.ts';

const units = ['kPa', '°C', 'm³', 'm³/min', 'kW/(m³/min)', 'kWh/m³', 'kW', 'kWh', '1/h', 'K', 'l/d', 'USD/m³', 'USD', 'kg'];

for (const system of ['us', 'si']) {
  it(`shows figures as the published factors do: ${system}`, () => {
    for (const unit of units) {
      for (const value of [0.0123, 1, 7.25, 103.421, 690.4]) {
        const at = { unit, share: false, key: 'value' };
        const shown = showFigure('some', value, unit, value / 50, system);
        const half = unit === 'm³' ? value / 50 : undefined;
        expect(wrong(shown.value, value, at, system, shown.unit, half), `${value} ${unit} as ${shown.value} ${shown.unit}`).toBe('');
        expect(wrong(shown.uncertainty, value / 50, { ...at, key: 'uncertainty' }, system, shown.unit, half), `± ${value / 50} ${unit} as ${shown.uncertainty} ${shown.unit}`).toBe('');
      }
    }
  });
}

it('shows readings as the published factors do', () => {
  const gauge = { unit: 'bar', quantity: 'pressure', si_scale: 1e5, si_offset: 0, absolute: false };
  expect(wrong(write(channelDisplay(gauge, 'us'), 7.2), 7.2, { unit: 'bar', share: false, key: '' }, 'us')).toBe('');
  const hot = { unit: '°F', quantity: 'temperature', si_scale: 1 / 1.8, si_offset: 459.67 / 1.8, absolute: false };
  expect(wrong(write(channelDisplay(hot, 'si'), 212), 212, { unit: '°F', share: false, key: '' }, 'si')).toBe('');
});

it('finds a number that is off by one in its last place, in another unit, or cut instead of rounded', () => {
  const kPa = { unit: 'kPa', share: false, key: 'value' };
  expect(wrong('100.0', 689.4757, kPa, 'us')).toBe('');
  expect(wrong('100.1', 689.4757, kPa, 'us')).not.toBe('');
  expect(wrong('6.89', 689.4757, kPa, 'us')).not.toBe('');
  expect(wrong('6.89', 689.4757, kPa, 'si')).toBe('');
  expect(wrong('99.9', 689.4, kPa, 'us')).not.toBe('');
  expect(wrong('3 min 12 s', 192.9, { unit: 's', share: false, key: 'x' }, 'si')).toBe('');
  expect(wrong('3 min 14 s', 192.9, { unit: 's', share: false, key: 'x' }, 'si')).not.toBe('');
  expect(wrong('under 1', 0.02, { unit: '1', share: true, key: 'share' }, 'si')).not.toBe('');
  expect(wrong('100.0', 0.99999, { unit: '1', share: true, key: 'coverage' }, 'si')).not.toBe('');
  expect(wrong('none', 3, { unit: '1', share: false, key: 'n' }, 'si')).not.toBe('');
});
