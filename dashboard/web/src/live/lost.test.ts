// @vitest-environment happy-dom
import { expect, it, vi } from 'vitest';
import type { Event, LiveEnvelope } from '../api';
import { CellRing } from '../chart/cells';
import { Live } from './live';

const event = (kind: string): LiveEnvelope => ({ seq: 1, type: 'event', data: { seq: 1, time: '2026-11-25T10:00:00Z', kind, subject: '', text: '', data: {} } as Event });

it('fetches the last hour anew when readings that came were not kept', () => {
  const live = new Live({ protocol: 'http:', host: '127.0.0.1:1' });
  const refill = vi.fn();
  live.record({ scan: () => undefined, state: () => undefined, refill });
  const receive = (m: LiveEnvelope) => (live as unknown as { receive(m: LiveEnvelope): void }).receive(m);
  receive(event('note'));
  expect(refill).not.toHaveBeenCalled();
  for (const kind of ['scans_dropped', 'store_up', 'data_damaged']) receive(event(kind));
  expect(refill).toHaveBeenCalledTimes(3);
  live.stop();
});

it('leaves a gap where the record has none of what was seen live', () => {
  const ring = new CellRing(3_600_000, 1_000);
  for (let t = 0; t < 120_000; t += 1_000) ring.add(t, 7);
  const full = { first: 7, last: 7, min: 7, max: 7, sum: 35, count: 5 };
  ring.load({ channel: 'c', unit: '', step_ms: 5_000, cells: [{ t: 0, ...full }, { t: 5_000, count: 0 }, { t: 110_000, ...full }] });
  const { t, mean } = ring.columns((v) => v);
  expect([...mean.slice(0, 4)]).toEqual([7, NaN, NaN, 7]);
  expect([...t.slice(1, 4)]).toEqual([5_000, 110_000, 112_500]);
});
