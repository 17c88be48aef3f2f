import { describe, expect, it } from 'vitest';
import type { ColumnSeries, Event, Site } from '../api';
import { happenings, within } from './happened';
import { converted, decode, Tail } from './decode';
import { channelName, firstChannels, knownChannels, laned, lanesOf, mostChannels } from './lanes';
import { parseView, type TraceView } from './address';
import { grouped } from './picker';
import { placeOf, precise } from './readings';
import { linkOf } from './share';
import { rowsOf } from './table';
import { about, cellMs, moved, points, serves, slowly, tells, wanted, windowOf } from './window';

const emptyView: TraceView = { channels: [], machines: [], from: undefined, to: undefined, span: undefined, a: undefined, b: undefined };

const minute = 60_000;
const hour = 60 * minute;
const day = 24 * hour;
const now = Date.parse('2026-03-04T12:00:00.400Z');

describe('the window', () => {
  it('follows the present where the address gives no times, and moves on by what can be seen', () => {
    const first = windowOf(emptyView, now);
    expect(first.to - first.from).toBe(day);
    expect(now - first.to).toBeLessThan(72_000);
    const w = windowOf({ ...emptyView, span: hour }, now);
    expect(w.to - w.from).toBe(hour);
    expect(now - w.to).toBeLessThan(3_000);
  });

  it('lags behind the present by no more than can be overlooked, where its questions are slow', () => {
    const lag = (span: number) => now - slowly(windowOf({ ...emptyView, span }, now), true).to;
    expect(lag(hour)).toBeLessThan(20_000);
    expect(lag(day)).toBeLessThan(3 * minute);
    expect(lag(7 * day)).toBeLessThan(20 * minute);
    expect(slowly({ from: 5, to: 77 }, false)).toEqual({ from: 5, to: 77 });
  });

  it('goes on following where the reader comes to the end of it, not where a window was asked for', () => {
    const span = { ...emptyView, span: hour };
    expect(moved(span, { from: now - hour / 2 - 500, to: now - 500 }, now)).toEqual({ from: undefined, to: undefined, span: hour / 2 });
    expect(moved(span, { from: now - 2 * hour, to: now - hour }, now)).toEqual({ from: now - 2 * hour, to: now - hour, span: undefined });
    const fixed = { ...emptyView, from: now - hour, to: now - minute };
    expect(moved(fixed, { from: now - hour, to: now }, now).span).toBeUndefined();
  });

  it('is one of the calendar whatever the address says', () => {
    for (const span of ['Infinity', '1e300', '1e13', '-5', 'x', '']) {
      const w = windowOf(parseView(new URLSearchParams({ span })), now);
      expect([span, w.to - w.from]).toEqual([span, day]);
      expect(() => new Date(w.from).toISOString()).not.toThrow();
    }
    expect(parseView(new URLSearchParams('span=3600')).span).toBe(hour);
  });

  it('is not told by figures of another time', () => {
    const shown = { from: now - day, to: now };
    expect(tells({ from: now - day - 15 * minute, to: now - 15 * minute }, shown)).toBe(true); // a follower's last answer
    expect(tells({ from: now - 2 * day, to: now - day }, shown)).toBe(false);
    expect(tells({ from: now - hour, to: now }, shown)).toBe(false);
    expect(tells({ from: now - 7 * day, to: now }, shown)).toBe(false);
  });

  it('stays within what is recorded', () => {
    expect(about(now, hour, now - day, now)).toEqual({ from: now - hour, to: now });
    expect(about(now - day, hour, now - day, now)).toEqual({ from: now - day, to: now - day + hour });
    expect(about(now, 9 * day, now - day, now)).toEqual({ from: now - day, to: now });
  });

  it('asks for cells on edges that the next moves share, with a margin, and never for what is yet to come', () => {
    for (const span of [minute, hour, 7 * hour, day, 7 * day, 40 * day, 365 * day]) {
      for (const channels of [2, 40]) {
        const shown = { from: now - 900 * day, to: now - 900 * day + span };
        const cell = cellMs(span, 1_000, channels);
        const w = wanted(shown, cell, now - 1_500 * day, now);
        expect(w.from).toBeLessThanOrEqual(shown.from - span / 2);
        expect(w.to).toBeGreaterThanOrEqual(shown.to + span / 2);
        expect(w.from % cell).toBe(0);
        expect(points(w)).toBeLessThanOrEqual(channels === 2 ? 12_000 : 16_000);
        expect(channels * points(w)).toBeLessThanOrEqual(640_000); // as many as the API gives
        // moved by an eighth it is served by the same answer, and asks for the same
        const next = { from: shown.from + span / 64, to: shown.to + span / 64 };
        expect(serves(w, next, cell, now - 1_500 * day, now)).toBe(true);
      }
    }
    const atEnd = wanted({ from: now - hour, to: now }, 5_000, now - day, now);
    expect(atEnd.to).toBe(now);
  });

  it('takes what was fetched for good enough only where it covers the window and is fine enough', () => {
    const held = { from: now - 2 * hour, to: now - hour / 2, cell: 5_000 };
    const ok = (from: number, to: number, cell: number, reach = 0) => serves(held, { from, to }, cell, now - day, now, reach);
    expect(ok(now - 2 * hour, now - hour, 5_000)).toBe(true);
    expect(ok(now - 3 * hour, now - hour, 5_000)).toBe(false);
    expect(ok(now - hour, now, 5_000)).toBe(false);
    expect(ok(now - hour, now, 5_000, hour)).toBe(true); // live readings carry it on
    expect(ok(now - hour, now - hour / 2, 2_000)).toBe(false);
    expect(ok(now - 2 * hour, now - hour, 60_000)).toBe(false); // a hundred times too fine is slow
  });
});

const columns = (more: Partial<ColumnSeries>): ColumnSeries => ({ channel: 'd.p', unit: 'psi', start_ms: 1_000, step_ms: 10, count: [], mean: [], ...more });

describe('columns of the API', () => {
  it('become cells at their middles; a gap is NaN, and a cell that a slow channel left empty is none', () => {
    const c = decode(columns({ count: [2, null, 0, 1], min: [1, null, null, 4], max: [3, null, null, 4], mean: [2, null, null, 4] }));
    expect([...c.t]).toEqual([1_005, 1_025, 1_035]);
    expect([...c.min]).toEqual([1, NaN, 4]);
    expect([...c.max]).toEqual([3, NaN, 4]);
    expect([...c.mean]).toEqual([2, NaN, 4]);
  });

  it('are readings at their times where the step is nought', () => {
    const c = decode(columns({ step_ms: 0, at: [0, 7, 20], count: [1, 0, 1], mean: [5, null, 6] }));
    expect([...c.t]).toEqual([1_000, 1_007, 1_020]);
    expect([...c.max]).toEqual([5, NaN, 6]);
  });

  it('are carried on by live readings, with a gap where they paused', () => {
    const c = decode(columns({ step_ms: 0, at: [0, 1_000], count: [1, 1], mean: [5, 6] }));
    const tail = new Tail(1_000, hour);
    for (const [t, v] of [[1_500, 5.5], [2_000, 6], [3_000, 7], [3_000, 70], [4_000, NaN], [5_000, 8], [20_000, 9]] as const) tail.add(t, v);
    const all = tail.after(c, 2_000);
    expect([...all.t]).toEqual([1_000, 2_000, 3_000, 5_000, 12_500, 20_000]);
    expect([...all.mean]).toEqual([5, 6, 7, 8, NaN, 9]);
  });

  it('are bounded in time', () => {
    const tail = new Tail(1_000, minute);
    for (let t = 0; t < day; t += 1_000) tail.add(t, t);
    expect(tail.size).toBeLessThan(minute / 1_000 + 300);
  });

  it('keep the lower edge below where a scale turns them round', () => {
    const c = converted(decode(columns({ count: [2], min: [1], max: [3], mean: [2] })), -2, 10);
    expect([c.min[0], c.mean[0], c.max[0]]).toEqual([4, 6, 8]);
  });

  it('stand in rows by their time', () => {
    expect(rowsOf([columns({ count: [1, null, 1] }), columns({ start_ms: 1_010, count: [1, 1] })])).toEqual([
      { at: 1_000, places: [0, -1] }, { at: 1_010, places: [-1, 0] }, { at: 1_020, places: [2, 1] },
    ]);
  });
});

const channel = (id: string, quantity: string, more = {}) => ({ id, device: id.split('.')[0], name: id.split('.')[1], role: '', unit: quantity === 'pressure' ? 'psi' : '1', quantity, si_scale: 6894.757293168361, si_offset: 0, absolute: false, period_ms: 1_000, bit: false, ...more });
const site = {
  timezone: 'UTC',
  channels: [
    channel('controller.discharge_pressure', 'pressure'), channel('controller.sump_pressure', 'pressure'), channel('meter.power', 'power', { unit: 'kW', si_scale: 1_000 }),
    channel('controller.loaded', 'plain', { bit: true }), channel('controller.fault_code', 'plain'), channel('second.power', 'power', { unit: 'kW' }),
  ],
  machines: [
    { name: 'comp1', cut_in_pa: 655_000, cut_out_pa: 827_000, channels: { discharge_pressure: 'controller.discharge_pressure', power: 'meter.power', loaded: 'controller.loaded' } },
    { name: 'comp2', channels: { power: 'second.power' } },
  ],
  systems: [{ name: 'main', machines: ['comp1', 'comp2'], minimum_pressure_pa: 620_528.1563851526, parts: [], taps: [] }],
} as unknown as Site;

describe('lanes', () => {
  it('hold what one axis can serve; bits and plain numbers have their own', () => {
    expect(laned(site.channels).map((g) => g.map((c) => c.name))).toEqual([
      ['discharge_pressure', 'sump_pressure'], ['power', 'power'], ['loaded'], ['fault_code'],
    ]);
  });

  it('hold no more curves than their looks tell apart', () => {
    const many = Array.from({ length: 19 }, (_, i) => channel(`d.p${i}`, 'pressure')) as unknown as Site['channels'];
    expect(laned(many).map((g) => g.length)).toEqual([8, 8, 3]);
  });

  it('show the levels that matter, in the shown unit: 90 psi is the minimum', () => {
    const lanes = lanesOf({ site, channels: site.channels.slice(0, 3), machines: ['comp1'], system: 'us', height: 500 }, () => decode(columns({ count: [1], mean: [100], min: [99], max: [101] })));
    expect(lanes[0]?.guides.map((g) => `${g.text} ${g.value.toFixed(1)}`)).toEqual(['minimum 90.0', 'loads 95.0', 'unloads 119.9']);
    expect(lanes[0]?.curves.map((c) => [c.name, c.look, c.mean[0]?.toFixed(3)])).toEqual([['discharge pressure', 0, '100.000'], ['sump pressure', 1, '100.000']]);
    expect(lanes[1]?.guides).toEqual([]);
    expect(lanes[1]?.zeroBased).toBe(true);
  });

  it('are named after the machine where two have a channel of one name', () => {
    expect(site.channels.map((c) => channelName(site, c))).toEqual(['discharge pressure', 'sump pressure', 'comp1 power', 'loaded', 'fault code', 'comp2 power']);
  });

  it('begin with pressure and power, and leave out what the site has not', () => {
    expect(firstChannels(site, ['comp1'])).toEqual(['controller.discharge_pressure', 'meter.power']);
    expect(knownChannels(site, ['meter.power', 'no.such', 'meter.power']).map((c) => c.id)).toEqual(['meter.power']);
    const big = { ...site, channels: Array.from({ length: 60 }, (_, i) => channel(`d.p${i}`, 'pressure')) } as unknown as Site;
    expect(knownChannels(big, big.channels.map((c) => c.id))).toHaveLength(mostChannels);
  });

  it('are found by any of their words', () => {
    expect(grouped(site, 'comp1 press').flatMap((g) => g.channels.map((c) => c.id))).toEqual(['controller.discharge_pressure']);
    expect(grouped(site, 'kw').map((g) => g.title)).toEqual(['comp1', 'comp2']);
    expect(grouped(site, 'humidity')).toEqual([]);
  });
});

const event = (time: string, kind: string, data: Record<string, string> = {}, more: Partial<Event> = {}): Event => ({ seq: 1, time: `2026-03-04T${time}:00.000Z`, kind, subject: 'comp1', text: `${kind} text`, data, ...more });

describe('what happened', () => {
  it('becomes marks in the order of time: what lasts has its end, what is no change has none', () => {
    const all = happenings([
      event('12:00', 'line_up', {}, { subject: 'bus' }),
      event('11:30', 'line_down', {}, { subject: 'bus' }),
      event('11:00', 'state', { change: 'start' }),
      event('10:47', 'fault', { channel: 'c.f', state: 'cleared' }),
      event('10:40', 'fault', { channel: 'c.f', state: 'raised' }),
      event('10:40', 'state', { change: 'trip' }),
      event('10:00', 'config_changed', { file: 'site.toml', before: '', after: 'ff' }),
      event('09:30', 'test', { from: '2026-03-04T09:00:00Z', to: '2026-03-04T09:20:00Z' }),
      event('08:00', 'note', { corrected_by: '7' }),
      event('07:00', 'note'),
    ]);
    const at = (ms: number | undefined) => (ms === undefined ? '' : new Date(ms).toISOString().slice(11, 16));
    expect(all.map((h) => `${h.mark.sort} ${at(h.mark.from)} ${at(h.mark.to)}`)).toEqual([
      'note 07:00 ', 'test 09:00 09:20', 'trip 10:40 ', 'fault 10:40 10:47', 'line 11:30 12:00',
    ]);
    expect(all[3]?.mark.text).toBe('comp1: Fault text');
  });

  it('tells of what happened just now where the view follows the present, however long it is', () => {
    const all = happenings([event('11:59', 'note'), event('11:58', 'fault', { channel: 'c.f', state: 'raised' })]);
    for (const span of [hour, day, 7 * day]) {
      const rest = slowly(windowOf({ ...emptyView, span }, now), true);
      expect([span, within(all, rest, true).map((h) => h.mark.sort)]).toEqual([span, ['fault', 'note']]);
    }
    const asked = { from: now - day, to: Date.parse('2026-03-04T11:59:00Z') }; // a window that was asked for ends where it says
    expect(within(all, asked, false).map((h) => h.mark.sort)).toEqual(['fault']);
    expect(within(all, { from: now - 90_000, to: now }, false).map((h) => h.mark.sort)).toEqual(['note']);
  });

  it('keeps a fault open that stands still', () => {
    expect(happenings([event('10:40', 'fault', { channel: 'c.f', state: 'raised' })])[0]?.mark.to).toBeUndefined();
  });
});

it('finds the cursor’s readings in the answer, which has the earlier first', () => {
  const times = ['2026-03-04T10:00:00.000Z', '2026-03-04T11:00:00.000Z'];
  expect([placeOf(Date.parse(times[1] ?? ''), times), placeOf(Date.parse(times[0] ?? ''), times), placeOf(undefined, times), placeOf(5, times)]).toEqual([1, 0, -1, -1]);
  expect([precise(8_500), precise(9_000), precise(92_000)].map((t) => t.replaceAll('\u00a0', ' '))).toEqual(['8.5 s', '9 s', '1 min 32 s']);
});

it('links to what is seen now, not to what a follower will see', () => {
  expect(linkOf({ href: 'http://shop:8477/#/trace' }, { ...emptyView, span: hour }, { from: 0, to: hour }, ['d.p'], ['comp1']))
    .toBe('http://shop:8477/#/trace?ch=d.p&machine=comp1&from=1970-01-01T00:00:00Z&to=1970-01-01T01:00:00Z');
});
