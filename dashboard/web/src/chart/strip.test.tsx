// @vitest-environment happy-dom
import { render } from 'preact';
import { act } from 'preact/test-utils';
import { expect, it, vi } from 'vitest';
import { Strip, type StripProps } from './strip';

// A canvas that takes every drawing call; what is drawn is looked at in a browser.
const context = new Proxy({}, { get: (_, name) => (name === 'measureText' ? () => ({ width: 10 }) : () => undefined), set: () => true });

it('leaves nothing behind when it goes, a hundred times', async () => {
  vi.stubGlobal('Path2D', class { moveTo() {} lineTo() {} rect() {} closePath() {} arc() {} addPath() {} });
  HTMLCanvasElement.prototype.getContext = (() => context) as unknown as typeof HTMLCanvasElement.prototype.getContext;
  const added = vi.spyOn(window, 'addEventListener');
  const removed = vi.spyOn(window, 'removeEventListener');
  const host = document.createElement('div');
  document.body.append(host);
  const props: StripProps = {
    width: 300, height: 100, columns: { t: [1, 2], min: [1, 1], max: [2, 2], mean: [1.5, 1.5] }, from: 0, to: 3000, gaps: [], guides: [],
    colour: '--air', decimals: 1, zeroBased: false, times: false, timeZone: 'UTC', colours: 0, onPoint: () => undefined,
  };
  for (let i = 0; i < 100; i++) {
    await act(() => render(<Strip {...props} />, host));
    expect(host.querySelectorAll('.uplot').length).toBe(1);
    await act(() => render(null, host));
  }
  expect(document.querySelectorAll('.uplot, canvas').length).toBe(0);
  // What each chart hangs on the window it takes off again.
  const own = (calls: unknown[][]) => calls.filter((c) => c[0] === 'dppxchange').length;
  expect(own(added.mock.calls)).toBeGreaterThanOrEqual(100);
  expect(own(removed.mock.calls)).toBe(own(added.mock.calls));
});
