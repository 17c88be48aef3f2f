// @vitest-environment node
import { expect, it } from 'vitest';
import { capital, listed, reasonWords, sentence } from './words';

it.each([
  ['no flow meter', 'No flow meter.'], ['it ended.', 'It ended.'], ['is it meant?', 'Is it meant?'], ['Ready', 'Ready.'], ['ölstand low', 'Ölstand low.'],
])('makes %j the sentence %j', (text, want) => expect(sentence(text)).toBe(want));

it('leaves all but the first letter alone', () => expect(capital('comp1 is at 7 bar(g)')).toBe('Comp1 is at 7 bar(g)'));

it('leaves a channel’s id as it is', () => {
  expect(sentence('meter.power has a gap')).toBe('meter.power has a gap.');
  expect(sentence('it ended. so be it')).toBe('It ended. so be it.');
  expect(capital('controller_2.oil-temperature')).toBe('controller_2.oil-temperature');
});

it('says of a lost line what is so of ports and networks', () => {
  expect(['port gone', 'timeout'].map(reasonWords)).toEqual(['port or connection lost', 'timeout']);
});

it.each([
  [[], ''], [['a'], 'a'], [['a', 'b'], 'a and b'], [['a', 'b', 'c'], 'a, b and c'],
])('lists %j as %j', (names, want) => expect(listed(names)).toBe(want));
