import { describe, expect, it } from 'vitest';
import { href, isFar, placeOf } from './route';

describe('addresses', () => {
  it('say the page and what of it', () => {
    const at = placeOf('#/trace?ch=controller.discharge_pressure,meter.power&from=2026-03-02T06:00:00Z');
    expect(at.page).toBe('trace');
    expect(at.query.get('ch')).toBe('controller.discharge_pressure,meter.power');
    expect(at.query.get('from')).toBe('2026-03-02T06:00:00Z');
  });
  it('come back as they were written', () => {
    const query = { ch: 'a.b,c.d', from: '2026-03-02T06:00:00Z', odd: 'ä & = ? #' };
    const at = placeOf(href('trace', query));
    expect(Object.fromEntries(at.query)).toEqual(query);
  });
  it('leave out what is empty, and lead to the first page where no page is', () => {
    expect(href('machine', { machine: '', x: undefined })).toBe('#/');
    expect(placeOf('#/nowhere').page).toBe('machine');
    expect(placeOf('').page).toBe('machine');
  });
  it('know the view from across the room', () => {
    expect(isFar({ search: '?far' }, placeOf('#/'))).toBe(true);
    expect(isFar({ search: '' }, placeOf('#/?far'))).toBe(true);
    expect(isFar({ search: '' }, placeOf('#/'))).toBe(false);
  });
});
