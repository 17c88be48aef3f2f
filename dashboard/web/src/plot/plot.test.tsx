// @vitest-environment happy-dom
import { render } from 'preact';
import { act } from 'preact/test-utils';
import { afterEach, beforeEach, expect, it, vi } from 'vitest';
import { Plot } from './plot';
import type { Curve, PlotProps } from './types';

// A canvas that takes every drawing call; what is drawn is looked at in a browser.
const context = new Proxy({}, { get: (_, name) => (name === 'measureText' ? () => ({ width: 10 }) : () => undefined), set: () => true });
const hour = 3_600_000;
const t0 = Date.UTC(2026, 10, 25, 14);

function curve(id: string): Curve {
  const t = Float64Array.from({ length: 60 }, (_, i) => t0 + (i + 0.5) * 60_000);
  const mean = t.map((_, i) => (i === 30 ? NaN : 100 + (i % 7)));
  return { id, name: id, t, min: mean.map((v) => v - 1), max: mean.map((v) => v + 1), mean, look: 0, decimals: 1, bit: false };
}

let host: HTMLDivElement;
let props: PlotProps;
beforeEach(() => {
  vi.stubGlobal('ImageData', class {});
  HTMLCanvasElement.prototype.getContext = (() => context) as unknown as typeof HTMLCanvasElement.prototype.getContext;
  host = document.createElement('div');
  document.body.append(host);
  props = {
    from: t0, to: t0 + hour, least: t0 - 24 * hour, most: t0 + 2 * hour, width: 656, timeZone: 'UTC', colours: 0, chosen: '', a: undefined, b: undefined,
    lanes: [{ key: 'psi', unit: 'psi', curves: [curve('c.p')], guides: [], zeroBased: false, height: 120 }],
    states: [{ machine: 'comp1', runs: [{ state: 'loaded', from: t0, to: t0 + hour, reason: '' }] }],
    marks: [{ key: 'm1', from: t0 + hour / 4, to: undefined, sort: 'note', text: 'Oil' }, { key: 'm2', from: t0 + hour / 2, to: undefined, sort: 'fault', text: 'Hot' }],
    onView: vi.fn(), onCursor: vi.fn(), onMark: vi.fn(), onPoint: vi.fn(),
  };
});
afterEach(async () => {
  await act(() => render(null, host));
  host.remove();
  vi.unstubAllGlobals();
});

const show = (more: Partial<PlotProps> = {}) => act(() => render(<Plot {...props} {...more} />, host));
const surface = () => host.querySelector('[role=application]') as HTMLElement;
const press = (key: string, more: KeyboardEventInit = {}, at: Element = surface()) => at.dispatchEvent(new KeyboardEvent('keydown', { key, bubbles: true, cancelable: true, ...more }));
const told = () => vi.mocked(props.onView).mock.calls.at(-1);

it('leaves nothing behind when it goes, a hundred times', async () => {
  const added = vi.spyOn(window, 'addEventListener');
  const lanes = props.lanes.map((l) => ({ ...l, height: 20 }));
  for (let i = 0; i < 100; i++) {
    await show({ a: t0 + hour / 3, lanes, width: 200 });
    expect(host.querySelectorAll('canvas').length).toBe(2);
    await act(() => render(null, host));
  }
  expect(document.querySelectorAll('canvas, .plot').length).toBe(0);
  expect(added.mock.calls.length).toBe(0); // all listeners go with its own elements
}, 20_000);

it('goes a tenth of the window by an arrow, and tells when the key is let go', async () => {
  await show();
  press('ArrowLeft');
  surface().dispatchEvent(new KeyboardEvent('keyup', { key: 'ArrowLeft', bubbles: true }));
  expect(told()).toEqual([t0 - hour / 10, t0 + hour - hour / 10, true]);
});

it('adds up keys that come faster than the page draws', async () => {
  await show();
  press('ArrowRight');
  press('ArrowRight', { shiftKey: true });
  surface().dispatchEvent(new KeyboardEvent('keyup', { key: 'ArrowRight', bubbles: true }));
  expect(told()).toEqual([t0 + 0.6 * hour, t0 + 1.6 * hour, true]);
});

it('says the view is done after the wheel has come to rest', async () => {
  vi.useFakeTimers();
  try {
    await show();
    const turn = new WheelEvent('wheel', { deltaY: 100, bubbles: true, cancelable: true });
    Object.defineProperty(turn, 'clientX', { value: 300 }); // which happy-dom leaves out
    surface().dispatchEvent(turn);
    vi.advanceTimersByTime(1_000);
    const [from, to, done] = told() ?? [0, 0, false];
    expect(to - from).toBeGreaterThan(hour);
    expect(done).toBe(true);
  } finally {
    vi.useRealTimers();
  }
});

const pointer = (type: string, x: number, id = 1) => {
  const e = new PointerEvent(type, { clientX: x, pointerId: id, button: 0, bubbles: true } as PointerEventInit);
  surface().dispatchEvent(e);
};

it('goes with a drag, and is no click then', async () => {
  await show(); // 656 px wide: 600 px of time, 6 s each
  pointer('pointerdown', 300);
  pointer('pointermove', 200);
  pointer('pointerup', 200);
  expect(told()).toEqual([t0 + 600_000, t0 + hour + 600_000, true]);
  expect(props.onCursor).not.toHaveBeenCalled();
});

it('shows half the time when two fingers go twice as far apart', async () => {
  await show();
  pointer('pointerdown', 200, 1);
  pointer('pointerdown', 400, 2);
  pointer('pointermove', 100, 1);
  pointer('pointermove', 500, 2);
  pointer('pointerup', 500, 2);
  pointer('pointerup', 100, 1);
  expect(told()).toEqual([t0 + hour / 4, t0 + (3 * hour) / 4, true]);
});

it('sets A, then B, then moves the nearer by clicks', async () => {
  const click = (x: number) => { pointer('pointerdown', x); pointer('pointerup', x); };
  await show();
  click(100);
  expect(props.onCursor).toHaveBeenLastCalledWith('a', t0 + 600_000);
  await show({ a: t0 + 600_000 });
  click(500);
  expect(props.onCursor).toHaveBeenLastCalledWith('b', t0 + 3_000_000);
  await show({ a: t0 + 600_000, b: t0 + 3_000_000 });
  click(400);
  expect(props.onCursor).toHaveBeenLastCalledWith('b', t0 + 2_400_000);
});

it('moves and removes a cursor by keys', async () => {
  await show({ a: t0 + 600_000 });
  const handle = host.querySelector('[data-cursor=a]') as HTMLElement;
  expect(handle.getAttribute('aria-valuetext')).toBe('Wed 25 Nov 2026 14:10:00');
  press('ArrowRight', { shiftKey: true }, handle);
  expect(props.onCursor).toHaveBeenLastCalledWith('a', t0 + 660_000);
  press('Delete', {}, handle);
  expect(props.onCursor).toHaveBeenLastCalledWith('a', undefined);
  expect(props.onView).not.toHaveBeenCalled();
});

it('goes from mark to mark by keys', async () => {
  await show({ chosen: 'm1' });
  press('n');
  expect(props.onMark).toHaveBeenLastCalledWith('m2');
  await show({ chosen: 'm2' });
  press('p');
  expect(props.onMark).toHaveBeenLastCalledWith('m1');
});

it('says in words what it shows', async () => {
  await show();
  expect(host.querySelector('[role=img]')?.getAttribute('aria-label')).toBe(
    'Plot from Wed 25 Nov 2026 14:00:00 to Wed 25 Nov 2026 15:00:00. c.p between 99.0 and 107.0 psi. 2 marks.');
});
