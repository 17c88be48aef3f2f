import { expect, it } from 'vitest';
import { addDays } from '../look/days';
import { aroundOf } from './faults';
import { ruledDays } from './ruled';
import { bookWindow } from './window';

const now = Date.parse('2026-11-25T18:00:00Z');
const chicago = 'America/Chicago';
const query = (text: string) => new URLSearchParams(text);

it('is today and the six days before it where the address names none, so that seven lines are drawn', () => {
  const w = bookWindow(query(''), now, chicago);
  expect([new Date(w.from).toISOString(), w.to, w.days, w.now]).toEqual(['2026-11-19T06:00:00.000Z', now, 7, true]);
  expect(ruledDays([], new Map(), w.drawnFrom, w.to, chicago).length).toBe(7);
});

it('draws the last 28 of more days, a line each, over a change of clocks too', () => {
  const w = bookWindow(query('from=2026-09-10&to=2026-11-14'), now, chicago);
  expect([w.days, new Date(w.from).toISOString()]).toEqual([66, '2026-09-10T05:00:00.000Z']);
  expect(ruledDays([], new Map(), w.drawnFrom, w.to, chicago).map((d) => d.date)).toEqual(Array.from({ length: 28 }, (_, i) => addDays('2026-11-14', -i)));
});

it('is whole local days where it does, the last one included, over a change of clocks too', () => {
  const w = bookWindow(query('from=2026-10-31&to=2026-11-01'), now, chicago); // clocks go back on 1 November
  expect(new Date(w.from).toISOString()).toBe('2026-10-31T05:00:00.000Z');
  expect(new Date(w.to).toISOString()).toBe('2026-11-02T06:00:00.000Z');
  expect([w.days, w.now]).toEqual([2, false]);
  expect(bookWindow(query('from=2026-11-24'), now, chicago)).toMatchObject({ to: now, days: 2, now: true });
});

it('draws from before a fault came until after it went, of a long one its beginning', () => {
  const at = (iso: string) => Date.parse(iso);
  expect(aroundOf({ from: '2026-11-24T16:40:00Z', to: '2026-11-24T16:47:00Z' }, now)).toEqual({ from: at('2026-11-24T16:35:00Z'), to: at('2026-11-24T16:52:00Z') });
  expect(aroundOf({ from: '2026-11-24T16:40:00Z', to: null }, now)).toEqual({ from: at('2026-11-24T16:35:00Z'), to: at('2026-11-24T18:35:00Z') });
  expect(aroundOf({ from: '2026-11-25T17:59:00Z', to: null }, now)).toEqual({ from: at('2026-11-25T17:54:00Z'), to: now });
  // Of days that are over nobody told how long after their end it was on.
  expect(aroundOf({ from: '2026-11-24T05:50:00Z', to: null }, now, at('2026-11-24T06:00:00Z'))).toEqual({ from: at('2026-11-24T05:45:00Z'), to: at('2026-11-24T06:00:00Z') });
});
