// @vitest-environment happy-dom
import { render } from 'preact';
import { expect, it } from 'vitest';
import type { Fault } from '../api';
import { FaultSentence } from './faults';
import { Sentence } from './page';
import type { Shown } from './source';

it.each([true, false])('tells no fault from nothing observed (up to now: %s)', (now) => {
  const host = document.createElement('div');
  const said = (unseen: boolean) => {
    render(<Sentence shown={{ now } as Shown} faults={[]} now={0} timeZone="UTC" unseen={unseen} />, host);
    return host.textContent;
  };
  expect(said(false)).toBe('No fault was seen in these days.');
  expect(said(true)).toBe('Nothing was observed in these days: whether there was a fault is not known.');
});

const fault = (more: Partial<Fault>): Fault => ({ subject: 'comp1', channel: 'c.code', code: '2', text: 'motor overload', times: 1, first: '2026-11-24T16:40:00Z', last: '2026-11-24T16:40:00Z', on_s: 420, unseen_s: 0, on: false, came: [], ...more });

it.each<[string, Partial<Fault>, boolean, string]>([
  ['once', {}, false, 'Once; Tue 24 Nov 10:40:00; on for 7 min 0 s.'],
  ['twice', { times: 2 }, false, 'Twice; last Tue 24 Nov 10:40:00; on for 7 min 0 s in all.'],
  ['still on', { times: 3, on_s: 900, unseen_s: 60, on: true }, false, '3 times; last Tue 24 Nov 10:40:00; still on, 15 min 0 s in all, of which 1 min 0 s unread.'],
  ['still on when days that are over ended', { on: true }, true, 'Once; Tue 24 Nov 10:40:00; still on at the end of these days, 7 min 0 s.'],
  ['from before', { times: 0, first: null, last: null }, true, 'On since before these days; on for 7 min 0 s.'],
])('says how often a fault came, when last, and for how long: %s', (_, more, over, want) => {
  const host = document.createElement('div');
  render(<FaultSentence fault={fault(more)} at="/faults/0" timeZone="America/Chicago" over={over} />, host);
  expect((host.textContent ?? '').replaceAll('\u00a0', ' ')).toBe(want);
});

it('does not say that no fault was seen where one from before was on', () => {
  const host = document.createElement('div');
  render(<Sentence shown={{ now: false } as Shown} faults={[fault({ times: 0, first: null, last: null })]} now={0} timeZone="UTC" unseen={false} />, host);
  expect(host.textContent).toBe('No fault came in these days; motor overload had come before and was on in them.');
});
