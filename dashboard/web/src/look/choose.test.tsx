// @vitest-environment happy-dom
import { render } from 'preact';
import { afterEach, beforeEach, expect, it } from 'vitest';
import type { Site } from '../api';
import { followAddress, place } from '../route';
import { MachineChooser, shownMachine } from './choose';
import { WindowChooser } from './window';

const host = document.createElement('div');
let undo = () => {};
const settled = () => new Promise((r) => setTimeout(r, 5)); // hashchange and the next drawing
beforeEach(() => {
  window.location.hash = '#/seven-days';
  undo = followAddress(window as unknown as globalThis.Window);
});
afterEach(() => { render(null, host); undo(); });

const press = (title: string) => [...host.querySelectorAll('button')].find((b) => b.textContent === title)?.click();
const now = Date.parse('2026-03-09T17:00:00Z');

it('puts the machine into the address and leaves the rest of it', async () => {
  window.location.hash = '#/seven-days?from=2026-03-02&to=2026-03-04';
  await settled();
  const site = { machines: [{ name: 'comp1' }, { name: 'comp2' }] } as unknown as Site;
  render(<MachineChooser site={site} />, host);
  press('comp2');
  await settled();
  expect(Object.fromEntries(place.value.query)).toEqual({ from: '2026-03-02', to: '2026-03-04', machine: 'comp2' });
  expect(shownMachine(site)?.name).toBe('comp2');
});

it('offers no choice of one', () => {
  render(<MachineChooser site={{ machines: [{ name: 'comp1' }] } as unknown as Site} />, host);
  expect(host.textContent).toBe('');
});

it('goes earlier, and back to the days that move on', async () => {
  const draw = () => render(<WindowChooser now={now} timeZone="America/Chicago" />, host);
  draw();
  press('Earlier');
  await settled();
  expect(place.value.query.get('from')).toBe('2026-02-24');
  expect(place.value.query.get('to')).toBe('2026-03-02');
  draw();
  press('Last 7 days');
  await settled();
  expect(place.value.query.has('from')).toBe(false);
});

it('says what is wrong with dates', async () => {
  render(<WindowChooser now={now} timeZone="America/Chicago" />, host);
  const [from] = host.querySelectorAll<HTMLInputElement>('input');
  if (!from) throw new Error('no field');
  from.value = '2020-01-01';
  from.dispatchEvent(new Event('input', { bubbles: true }));
  await settled();
  host.querySelector('form')?.dispatchEvent(new Event('submit', { bubbles: true, cancelable: true }));
  await settled();
  expect(host.querySelector('[role=alert]')?.textContent).toMatch(/At most 92 days/);
  expect(place.value.query.has('from')).toBe(false);
});
