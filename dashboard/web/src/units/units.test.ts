import { describe, expect, it } from 'vitest';
import { channelDisplay, convert, decimalsFor, displayOf, fixed, showFigure, toSI, write, type ChannelUnit, type Display } from './units';

const channel = (quantity: string, unit: string, si_scale: number, si_offset = 0, absolute = false): ChannelUnit => ({ quantity, unit, si_scale, si_offset, absolute });

// SI values of one shown unit: NIST Special Publication 811 (2008), appendix B.8,
// printed to seven digits (from memory).
const nist: [string, 'us' | 'si', number][] = [
  ['pressure', 'us', 6894.757],
  ['pressure', 'si', 1e5],
  ['flow', 'us', 4.719474e-4],
  ['volume', 'us', 2.831685e-2],
  ['energy', 'us', 3.6e6],
];

describe('units', () => {
  for (const [quantity, system, si] of nist) {
    it(`shows one ${displayOf(quantity, system)?.unit} as the standard has it`, () => {
      expect(convert(displayOf(quantity, system) as Display, si)).toBeCloseTo(1, 6);
    });
  }

  it('shows temperatures by their fixed points', () => {
    // 0 °C = 32 °F = 273.15 K by definition.
    expect(write(displayOf('temperature', 'us') as Display, 273.15)).toBe('32.0 °F');
    expect(write(displayOf('temperature', 'si') as Display, 273.15)).toBe('0.0 °C');
  });

  it('converts a channel from its map unit to either system', () => {
    const psi = channel('pressure', 'psi', 6894.757293168361);
    expect(write(channelDisplay(psi, 'us'), 102.4)).toBe('102.4 psi');
    expect(write(channelDisplay(psi, 'si'), 102.4)).toBe('7.06 bar');
    const celsius = channel('temperature', '°C', 1, 273.15);
    expect(write(channelDisplay(celsius, 'us'), 85)).toBe('185.0 °F');
    expect(toSI(celsius, 85)).toBeCloseTo(358.15, 9);
  });

  it('shows no decimals that a channel does not have', () => {
    const count = { ...channel('plain', '1', 1), step: 1 };
    expect(write(channelDisplay(count, 'us'), 4120)).toBe('4120');
    const hours = { ...channel('duration', 'h', 3600), step: 0.1 };
    expect(write(channelDisplay(hours, 'us'), 21526.6)).toBe('21526.6 h');
    const factor = { ...channel('plain', '1', 1), step: 0.001 };
    expect(write(channelDisplay(factor, 'us'), 0.98)).toBe('0.980');
    // a tenth of a bar is 1.45 psi
    const bar = { ...channel('pressure', 'bar', 1e5), step: 0.1 };
    expect(write(channelDisplay(bar, 'us'), 7.1)).toBe('103 psi');
    expect(write(channelDisplay(bar, 'si'), 7.1)).toBe('7.1 bar');
  });

  it('says when a pressure is absolute', () => {
    expect(write(channelDisplay(channel('pressure', 'kPa(a)', 1e3, 0, true), 'si'), 98.8)).toBe('0.99 bar(a)');
  });

  it('leaves a unit alone that it does not know', () => {
    expect(write(channelDisplay(channel('length', 'mm', 1e-3), 'us'), 4)).toBe('4.00 mm');
    expect(write(channelDisplay(channel('plain', '1', 1), 'us'), 3)).toBe('3.00');
  });

  it.each([[-0.04, 1, '0.0'], [-0.06, 1, '−0.1'], [102.3 + 0.1, 1, '102.4'], [NaN, 1, '–']])('writes %d with %d decimals as %s', (v, d, want) => {
    expect(fixed(v, d)).toBe(want);
  });

  it.each([[0.31, 2], [1.7, 1], [17, 0], [0.003, 4], [0, 0]])('shows an uncertainty of %d with %d decimals', (u, want) => {
    expect(decimalsFor(u)).toBe(want);
  });
});

describe('figures', () => {
  it('shows a time in words, and no end of its interval below none', () => {
    const text = (v: number, u?: number) => JSON.stringify(showFigure('x', v, 's', u, 'us')).replaceAll('\u00a0', ' ');
    expect(text(11_531, 4)).toBe('{"value":"3 h 12 min","uncertainty":"4.0 s","unit":"","interval":"3 h 12 min to 3 h 12 min","ends":["3 h 12 min","3 h 12 min"]}');
    expect(text(0.5, 2)).toContain('"interval":"0 s to 2.5 s"');
    expect(text(75, 0.01)).toContain('within 0.1 s of 1 min 15 s');
    expect(text(0)).toBe('{"value":"0 s","uncertainty":"","unit":"","interval":""}');
  });

  it('shows a share in percent with its interval', () => {
    expect(showFigure('duty_cycle', 0.6134, '1', 0.0031, 'us')).toEqual({ value: '61.34', uncertainty: '0.31', unit: '%', interval: '61.03 to 61.65', ends: ['61.03', '61.65'] });
  });

  it('shows specific power per 100 cfm in US units', () => {
    // 1 m³/min is 35.31467 cfm (NIST SP 811, from memory): 6.41 becomes 18.15 kW/100 cfm.
    expect(showFigure('specific_power', 6.41, 'kW/(m³/min)', 0.19, 'us')).toMatchObject({ value: '18.15', uncertainty: '0.54', unit: 'kW/100 cfm' });
    expect(showFigure('specific_power', 6.41, 'kW/(m³/min)', 0.19, 'si')).toMatchObject({ value: '6.41', uncertainty: '0.19' });
    expect(showFigure('air_cost', 0.0106, 'USD/m³', 0.0011, 'us')).toMatchObject({ value: '0.300', uncertainty: '0.031', unit: 'USD/1000 ft³' });
    expect(showFigure('air_cost', 0.0106, 'EUR/m³', 0.0011, 'si')).toMatchObject({ value: '0.0106', uncertainty: '0.0011', unit: 'EUR/m³' });
  });

  it('converts the width of a temperature interval without the offset', () => {
    expect(showFigure('approach', 10, '°C', 1, 'us')).toMatchObject({ value: '50.0', uncertainty: '1.8' });
  });

  it('rounds a volume to two figures of its uncertainty, as summary does', () => {
    // 1 m³ is 35.31467 ft³ (NIST SP 811, from memory): 6580.76 m³ are 232397 ft³, 612.55 m³ 21632.
    expect(showFigure('air_delivered', 6580.76, 'm³', 612.55, 'us')).toMatchObject({ value: '232000', uncertainty: '22000', interval: '211000 to 254000', unit: 'ft³' });
    expect(showFigure('air_delivered', 6580.76, 'm³', 612.55, 'si')).toMatchObject({ value: '6580', uncertainty: '610' });
    expect(showFigure('air_delivered', 658.076, 'm³', 12.3, 'si')).toMatchObject({ value: '658', uncertainty: '12' });
    expect(showFigure('energy', 6580.76, 'kWh', 612.55, 'si')).toMatchObject({ value: '6581', uncertainty: '613' });
  });

  it('does not round a small uncertainty to none', () => {
    expect(showFigure('starts_per_hour_mean', 0.2532, '1/h', 0.00004, 'us')).toEqual({ value: '0.25', uncertainty: '<0.01', unit: 'per hour', interval: 'within 0.01 of 0.25' });
  });

  it('states no interval where there is none', () => {
    expect(showFigure('starts_per_hour_mean', 0.83, '1/h', undefined, 'us')).toEqual({ value: '0.83', uncertainty: '', unit: 'per hour', interval: '' });
  });
});
