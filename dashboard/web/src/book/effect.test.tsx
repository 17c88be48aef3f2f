// @vitest-environment happy-dom
import { signal } from '@preact/signals';
import { render } from 'preact';
import { act } from 'preact/test-utils';
import { afterEach, expect, it, vi } from 'vitest';
import type { Site } from '../api';
import { Effect } from './effect';

const host = document.createElement('div');
afterEach(() => render(null, host));

it('takes who opened it to its heading, and lets the focus be when other days are chosen', async () => {
  document.body.append(host);
  const asked: string[] = [];
  vi.stubGlobal('fetch', vi.fn(async (address: string) => {
    asked.push(address);
    return { ok: true, json: async () => ({ note: 41, machine: 'comp1', item: 'oil', done: '2026-03-04T16:00:00.000Z', days_asked: 7, days: 0, absent: 'no whole day before the service is recorded', moves: [], remarks: [] }) };
  }));
  const link = document.body.appendChild(document.createElement('button'));
  link.focus();
  const show = (days: number) => act(() => render(<Effect site={{ timezone: 'UTC', machines: [] } as unknown as Site} asked={{ note: 41, days }} pace={{ held: signal(false) }} />, host));
  await show(7);
  expect(document.activeElement?.id).toBe('effect-title');
  await vi.waitFor(() => expect(host.textContent).toContain('There is nothing to compare: no whole day before'));
  const button = [...host.querySelectorAll('button')].find((b) => b.textContent?.startsWith('14 days'));
  button?.focus();
  await show(14);
  expect(host.textContent).not.toContain('There is nothing to compare'); // that was of other days
  await vi.waitFor(() => expect(host.textContent).toContain('There is nothing to compare'));
  expect(document.activeElement).toBe(button);
  expect(asked).toEqual(['/api/v1/service/effect?note=41&days=7', '/api/v1/service/effect?note=41&days=14']);
});
