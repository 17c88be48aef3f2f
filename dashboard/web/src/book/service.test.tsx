// @vitest-environment happy-dom
import { render } from 'preact';
import { expect, test } from 'vitest';
import type { ServiceItem } from '../api';
import { doneSentence, dueSentence, Service } from './service';

const item = (more: Partial<ServiceItem>): ServiceItem => ({ item: 'oil', overdue: false, ...more });
const plain = (text: string) => text.replaceAll('\u00a0', ' ');

test('when an item is due, and by what', () => {
  const cases: [Partial<ServiceItem>, string][] = [
    [{}, 'Not known.'],
    [{ due: '2026-06-03T05:00:00.000Z', by: 'hours', hours_left: 39.6, earliest: '2026-05-20T12:00:00.000Z', latest: '2026-06-18T12:00:00.000Z' },
      'Due about 2026-06-03 (2026-05-20 to 2026-06-18), in 40 h of running.'],
    [{ due: '2026-06-03T12:00:00.000Z', by: 'hours', hours_left: 40, earliest: '2026-05-20T12:00:00.000Z' },
      'Due about 2026-06-03 (2026-05-20 at the earliest), in 40 h of running.'],
    [{ due: '2026-06-03T04:59:00.000Z', by: 'months' }, 'Due 2026-06-02, by its months.'], // the day before in Chicago
    [{ due: '2026-03-03T12:00:00.000Z', by: 'hours', hours_left: -8.2, overdue: true }, 'Overdue by 8 h of running.'],
    [{ due: '2026-03-03T12:00:00.000Z', by: 'months', overdue: true }, 'Overdue since 2026-03-03.'],
  ];
  for (const [more, want] of cases) expect(plain(dueSentence(item(more), 'America/Chicago'))).toBe(want);
});

test('when it was done', () => {
  expect(doneSentence(item({}), 'UTC')).toBe('');
  expect(plain(doneSentence(item({ done: '2026-01-14T12:00:00.000Z', hours_since: 160.4, at_least: true }), 'UTC'))).toBe('Done 2026-01-14; ran at least 160 h since.');
});

test('the list names what is not known, and is not there without items', () => {
  const host = document.createElement('div');
  render(<Service timeZone="UTC" machines={[{ machine: 'comp1', items: [item({ absent: 'when it was last done is not known' })] }]} />, host);
  expect(host.querySelector('[data-item="oil"]')?.textContent).toContain('When it was last done is not known.');
  render(<Service timeZone="UTC" machines={[{ machine: 'comp1', items: [] }]} />, host);
  expect(host.textContent).toBe('');
});
