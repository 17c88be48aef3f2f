// @vitest-environment happy-dom
import { signal } from '@preact/signals';
import { render } from 'preact';
import { afterEach, expect, it } from 'vitest';
import type { Figure, FiguresAnswer, InstrumentFacts, Site } from '../api';
import { machineFigures } from '../figure/answer';
import { coverageText } from '../figure/known';
import type { Today, TodayFigures } from '../live/figures';
import { Figures } from './figures';

const host = document.createElement('div');
afterEach(() => render(null, host));

const site = { timezone: 'UTC', channels: [{ id: 'controller.loaded', bit: true }], machines: [{ name: 'comp1', channels: {} }], systems: [] } as unknown as Site;

function draw(today: Today | null, error: string, system: 'us' | 'si'): string {
  const source = { today: signal<Today | null>(today), error: signal(error) } as unknown as TodayFigures;
  render(<Figures source={source} site={site} machine="comp1" limit={6} system={system} />, host);
  return (host.textContent ?? '').replaceAll('\u00a0', ' ');
}

function todayOf(figures: Figure[], notes: string[] = [], instruments: InstrumentFacts[] = []): Today {
  const answer = { machines: [{ machine: 'comp1', figures }] } as unknown as FiguresAnswer;
  return { figures: machineFigures(answer, 'comp1'), address: '/api/v1/figures', from: 0, to: 3_600_000, notes, instruments };
}

function show(figures: Figure[] | null, error = '', notes: string[] = [], instruments: InstrumentFacts[] = []): string {
  return draw(figures && todayOf(figures, notes, instruments), error, 'us');
}

const duty: Figure = { name: 'duty_cycle', value: 0.6134, unit: '1', uncertainty: 0.0031, level: 0.95, coverage: 0.9987, method: 'loaded over running time', denominator: 'running time', inputs: ['controller.loaded'] };

it('shows a figure with its uncertainty and how it is known', () => {
  const text = show([duty]);
  expect(text).toContain('61.34 ± 0.31 %');
  expect(host.querySelector('a')?.getAttribute('href')).toBe('#/trace?ch=controller.loaded&machine=comp1&from=1970-01-01T00:00:00Z&to=1970-01-01T01:00:00Z');
  expect(host.querySelector('strong data')?.getAttribute('data-at')).toBe('/machines/0/figures/0/value');
  for (const part of ['loaded over running time', 'running time', 'controller.loaded', '61.03 to 61.65 %, at 95 % confidence', '99.8 % of the window was observed']) expect(text).toContain(part);
});

it('says what the uncertainty comes from and what would narrow it', () => {
  const wide: Figure = { name: 'specific_power', value: 7, unit: 'kW/(m³/min)', uncertainty: 0.8, level: 0.95,
    budget: [{ input: 'rated flow of comp1 (assumed)', share: 0.985 }, { input: 'others', share: 0.004 }],
    narrower: { sentence: 'rests on the flow on the nameplate, ±10 % (comp1); a pump-up makes it ±4 %', uncertainty: 0.32 } };
  const text = draw(todayOf([wide]), '', 'si');
  expect(text).toContain('It comes fromrated flow of comp1 (assumed) 99 %, others under 1 %');
  expect(text).toContain('What would narrow itIt rests on the flow on the nameplate, ±10 % (comp1); a pump-up makes it ±4 %. It would then be known to ± 0.32 kW/(m³/min).');
  expect(show([duty])).not.toContain('What would narrow it');
});

it('names the instruments behind a figure and how their calibration stands', () => {
  const meter: InstrumentFacts = { subject: 'meter', channels: ['meter.power'], serial: 'PM-0731', calibrated: '2025-03-02', calibrated_until: '2026-03-02', standing: 'expired', figures: ['duty_cycle'] };
  const gauge: InstrumentFacts = { subject: 'gauge', channels: [], standing: 'no date', figures: ['duty_cycle'] };
  const other: InstrumentFacts = { subject: 'other', channels: [], standing: 'valid', figures: ['energy'] };
  const text = show([duty], '', [], [meter, gauge, other]);
  expect(text).toContain('Instrumentsmeter (serial PM-0731), calibrated 2025-03-02, calibration until 2026-03-02, which has ended; gauge, no calibration date');
  expect(text).not.toContain('other');
  expect(show([duty])).not.toContain('Instruments');
});

it('says why a figure is absent and never shows zero for it', () => {
  const text = show([{ name: 'specific_power', absent: 'no flow meter, no pump-up test and no rated flow' }]);
  expect(text).toContain('Not known: no flow meter, no pump-up test and no rated flow.');
  expect(host.querySelectorAll('[data-figure]').length).toBe(0);
});

it('shows the mean load where a part-load machine has no duty cycle', () => {
  expect(show([{ name: 'duty_cycle', absent: 'part-load machine' }, { name: 'mean_load_fraction', value: 0.4, unit: '1', uncertainty: 0.02 }])).toContain('Mean load40.0 ± 2.0 %');
});

it('says at least for a maximum over gaps', () => {
  expect(show([{ name: 'starts_per_hour_mean', value: 0.8, unit: '1/h' }, { name: 'starts_per_hour_max', value: 3, unit: '1/h', at_least: true }])).toContain('at least 3 in the busiest 60 minutes; the motor’s limit is 6');
  expect([...host.querySelectorAll('.aside data')].map((d) => `${d.closest('[data-answer]')?.getAttribute('data-answer')} ${d.getAttribute('data-at')}`)).toEqual(['/api/v1/figures /machines/0/figures/1/value', '/api/v1/site /machines/0/motor_starts_per_hour']);
});

it('says none where no start was seen, and at least only where the figure does', () => {
  const max = (value: number, at_least: boolean): Figure => ({ name: 'starts_per_hour_max', value, unit: '1/h', at_least });
  const mean: Figure = { name: 'starts_per_hour_mean', value: 0, unit: '1/h' };
  expect(show([mean, max(0, true)])).toContain('none in the busiest 60 minutes');
  expect(show([mean, max(2, true)])).toContain('at least 2 in the busiest');
  expect(show([mean, max(2, false)])).not.toContain('at least');
});

it('says what the figures rest on', () => {
  expect(show([duty], '', ['single readings before 2026-11-01 are no longer kept'])).toContain('Single readings before 2026-11-01 are no longer kept.');
});

it('keeps old figures with a word that they are old, and says when there are none', () => {
  expect(show([duty], 'loadscribe cannot be reached')).toMatch(/61\.34.*/);
  expect(host.textContent).toContain('older than it should be: loadscribe cannot be reached');
  expect(show(null, 'loadscribe cannot be reached')).toContain('No figures: loadscribe cannot be reached');
});

it('never rounds coverage up to all', () => {
  expect(coverageText(0.99999)).toBe('99.9 % of the window was observed');
  expect(coverageText(1)).toBe('the whole window was observed');
});
