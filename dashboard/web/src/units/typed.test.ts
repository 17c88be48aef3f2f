import { expect, it } from 'vitest';
import { typedNumber } from './typed';

it.each([['21530.4', 21530.4], ['21530,4', 21530.4], ['21 530,4', 21530.4], ['21,530.4', 21530.4], ['1,234,567', 1234567], ['0,125', 0.125], [' 6 ', 6], ['-3,5', -3.5], ['.5', 0.5], ['6.', 6]])('reads %s', (text, value) => {
  expect(typedNumber(text)).toBe(value);
});

it.each(['', 'six', '12,345', '1,000', '1.234,5', '6 psi', 'Infinity', '0x10', '.', '1.2.3'])('takes “%s” for no number', (text) => {
  expect(typedNumber(text)).toBeNaN();
});
