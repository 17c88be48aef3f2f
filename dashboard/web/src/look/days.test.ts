import { describe, expect, it } from 'vitest';
import { addDays, apiWindow, count, daysOf, moved } from './days';

const noon = Date.parse('2026-03-09T17:00:00Z'); // Monday noon in Chicago, the day after the clocks went forward
const zone = 'America/Chicago';
const asked = (text: string) => daysOf(new URLSearchParams(text), noon, zone);

describe('days', () => {
  it('are the last seven up to now where the address says nothing', () => {
    expect(asked('')).toEqual({ from: '2026-03-03', to: '2026-03-09', now: true });
    expect(apiWindow(asked(''))).toEqual({ from: '2026-03-03', to: 'now' });
    expect(count(asked(''))).toBe(7);
  });
  it('are those of the address, both included', () => {
    expect(asked('from=2026-03-02&to=2026-03-04')).toEqual({ from: '2026-03-02', to: '2026-03-04', now: false });
    expect(apiWindow(asked('from=2026-03-02&to=2026-03-04'))).toEqual({ from: '2026-03-02', to: '2026-03-04' });
  });
  it('are today of the site, not of UTC', () => {
    expect(daysOf(new URLSearchParams(), Date.parse('2026-03-10T03:00:00Z'), zone).to).toBe('2026-03-09');
  });
  it('end today at the latest and mend what cannot be meant', () => {
    expect(asked('from=2026-03-08&to=2027-01-01')).toEqual({ from: '2026-03-08', to: '2026-03-09', now: true });
    expect(asked('from=2026-03-08&to=2026-03-01')).toEqual({ from: '2026-02-23', to: '2026-03-01', now: false });
    expect(asked('from=nonsense&to=2026-02-31x').to).toBe('2026-03-09');
  });
  it('move by days over a clock change, not past today', () => {
    expect(addDays('2026-03-08', 1)).toBe('2026-03-09');
    expect(moved(asked(''), -7, '2026-03-09')).toEqual({ from: '2026-02-24', to: '2026-03-02' });
    expect(moved(asked('from=2026-03-01&to=2026-03-05'), 7, '2026-03-09')).toEqual({ from: '2026-03-05', to: '2026-03-09' });
  });
});
