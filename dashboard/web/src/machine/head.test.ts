import { expect, test } from 'vitest';
import type { View } from '../live/live';
import { emptyPicture } from '../live/picture';
import { dataAge } from './head';

const now = Date.parse('2026-03-02T12:00:00Z');

function view(read: number | undefined, lastScan: string | null): View {
  const v: View = { ...emptyPicture(), now, connection: 'live', heard: now };
  if (read !== undefined) v.readings.set('controller.power', { value: 1, at: read, reason: 'good' });
  v.readings.set('controller.flow', { value: null, at: undefined, reason: 'timeout' });
  v.devices.set('controller', { device: 'controller', last_scan: lastScan } as never);
  return v;
}

test('a page loaded while the line is down knows how old the newest reading is', () => {
  expect(dataAge(view(undefined, null))).toBeUndefined();
  expect(dataAge(view(undefined, '2026-03-02T11:59:02Z'))).toBe(58_000);
  expect(dataAge(view(now - 2_000, '2026-03-02T11:59:02Z'))).toBe(2_000);
});
