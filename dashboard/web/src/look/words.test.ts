// @vitest-environment node
import { expect, it } from 'vitest';
import { capital, listed, sentence } from './words';

it.each([
  ['no flow meter', 'No flow meter.'], ['it ended.', 'It ended.'], ['is it meant?', 'Is it meant?'], ['Ready', 'Ready.'], ['ölstand low', 'Ölstand low.'],
])('makes %j the sentence %j', (text, want) => expect(sentence(text)).toBe(want));

it('leaves all but the first letter alone', () => expect(capital('comp1 is at 7 bar(g)')).toBe('Comp1 is at 7 bar(g)'));

it.each([
  [[], ''], [['a'], 'a'], [['a', 'b'], 'a and b'], [['a', 'b', 'c'], 'a, b and c'],
])('lists %j as %j', (names, want) => expect(listed(names)).toBe(want));
