// @vitest-environment happy-dom
import { render } from 'preact';
import { expect, it } from 'vitest';
import type { Figure } from '../api';
import { breach, FigureEntry } from './figure';

const shown = (figure: Partial<Figure>) => {
  const host = document.createElement('div');
  const found = { figure: { unit: 's', method: 'm', ...figure } as Figure, at: '/machines/0/figures/0' };
  render(<FigureEntry title="Shortest rest" found={found} instruments={[]} system="si" look="" />, host);
  return (host.querySelector('.must')?.textContent ?? '').replaceAll('\u00a0', ' ');
};

it('says beside the value that a limit is not kept', () => {
  expect(shown({ name: 'shortest_rest', value: 11, limit: 72, limit_basis: 'a standard' })).toBe('Under the limit of 1 min 12 s.');
  expect(shown({ name: 'starts_per_hour_max', value: 20, unit: '1/h', limit: 8 })).toBe('Over the limit of 8 per hour.');
  expect(shown({ name: 'shortest_rest', value: 72, limit: 72 })).toBe('');
  expect(shown({ name: 'shortest_rest', value: 11 })).toBe('');
  expect(shown({ name: 'shortest_rest', limit: 72, absent: 'no starts' })).toBe('');
});

it('takes no reference for a limit', () => {
  const of = (name: string, value: number, limit: number) => breach({ name, value, limit } as Figure);
  expect([of('isentropic_efficiency', 0.8, 0.7), of('starts_per_hour_max', 8, 8), of('starts_per_hour_max', 7, 8)]).toEqual(['', '', '']);
});
