// @vitest-environment happy-dom
import { render } from 'preact';
import { afterEach, expect, test, vi } from 'vitest';
import type { MachineService, ServiceItem, Site } from '../api';
import { Done, Due, Service } from './service';

const host = document.createElement('div');
afterEach(() => render(null, host));
const item = (more: Partial<ServiceItem>): ServiceItem => ({ item: 'oil', overdue: false, ...more });
const text = (jsx: preact.JSX.Element) => {
  render(jsx, host);
  return (host.textContent ?? '').replaceAll('\u00a0', ' ');
};
const site = { timezone: 'UTC', machines: [{ name: 'comp1', channels: { power: 'meter.power' } }] } as unknown as Site;

test('when an item is due, and by what', () => {
  const cases: [Partial<ServiceItem>, string][] = [
    [{}, 'Not known.'],
    [{ due: '2026-06-03T05:00:00.000Z', by: 'hours', hours_left: 39.6, earliest: '2026-05-20T12:00:00.000Z', latest: '2026-06-18T12:00:00.000Z' },
      'Due about 2026-06-03 (2026-05-20 to 2026-06-18), in 40 h of running.'],
    [{ due: '2026-06-03T12:00:00.000Z', by: 'hours', hours_left: 40, earliest: '2026-05-20T12:00:00.000Z' },
      'Due about 2026-06-03 (2026-05-20 at the earliest), in 40 h of running.'],
    [{ due: '2026-06-03T04:59:00.000Z', by: 'months' }, 'Due 2026-06-02, by its months.'], // the day before in Chicago
    [{ due: '2026-03-03T12:00:00.000Z', by: 'hours', hours_left: -8.2, hours_since: 208.2, every_hours: 200, overdue: true }, 'Overdue by 8 h of running.'],
    [{ due: '2026-03-03T12:00:00.000Z', by: 'months', overdue: true }, 'Overdue since 2026-03-03.'],
  ];
  for (const [more, want] of cases) expect(text(<Due item={item(more)} at="/machines/0/items/0" timeZone="America/Chicago" />)).toBe(want);
});

test('when it was done', () => {
  expect(text(<Done item={item({})} at="" timeZone="UTC" />)).toBe('');
  expect(text(<Done item={item({ done: '2026-01-14T12:00:00.000Z', hours_since: 160.4, at_least: true })} at="/x" timeZone="UTC" />)).toBe('Done 2026-01-14; ran at least 160 h since.');
  expect(host.querySelector('data')?.getAttribute('data-at')).toBe('/x/hours_since');
});

const machine = (items: ServiceItem[]): MachineService => ({ machine: 'comp1', items, rate_absent: 'less than a day is recorded' });

test('the list names what is not known and what to write where nothing is listed', () => {
  expect(text(<Service site={site} mark={() => undefined} machines={[machine([item({ absent: 'when it was last done is not known' })])]} />)).toContain('When it was last done is not known.');
  expect(host.querySelector('.caution')?.textContent).toContain('lock the mains');
  expect(text(<Service site={site} mark={() => undefined} machines={[machine([])]} />)).toContain('The site file lists no service');
});

test('marks tell who did it and what was found, and lead to what it changed', () => {
  const mark = vi.fn();
  const marks = [{ note: 41, at: '2026-11-20T12:00:00.000Z', author: 'R. Vale', text: 'changed', found: 'grey with dust' }, { note: 7, at: '2026-05-20T12:00:00.000Z', text: 'changed' }];
  const shown = text(<Service site={site} mark={mark} machines={[machine([item({ item: 'air filter', marks })])]} />);
  expect(shown).toContain('changed (R. Vale)Found: grey with dust');
  expect(shown).toContain('What was found was not written down.');
  expect(host.querySelector('[data-note="41"] a')?.getAttribute('href')).toContain('effect=41');
  host.querySelector('button')?.click();
  expect(mark).toHaveBeenCalledWith('comp1', 'air filter');
});
