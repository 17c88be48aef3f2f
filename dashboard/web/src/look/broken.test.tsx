// @vitest-environment happy-dom
import { render } from 'preact';
import { expect, it, vi } from 'vitest';
import { Guarded } from './broken';

it('says that a page has stopped, keeps what stands around it, and tries again', async () => {
  const told = vi.spyOn(console, 'error').mockImplementation(() => undefined);
  const host = document.createElement('div');
  let sound = false;
  const Page = () => {
    if (!sound) throw new TypeError("undefined has no 'map'");
    return <p>drawn</p>;
  };
  const draw = () => render(<main><nav>pages</nav><Guarded><Page /></Guarded></main>, host);
  draw();
  await new Promise((r) => setTimeout(r, 10));
  expect(host.textContent).toContain('pages');
  expect(host.textContent).toContain('This page has stopped.');
  expect(host.textContent).toContain("undefined has no 'map'");
  expect(told).toHaveBeenCalled();
  sound = true;
  [...host.querySelectorAll('button')].find((b) => b.textContent === 'Try again')?.click();
  await new Promise((r) => setTimeout(r, 10));
  expect(host.textContent).toContain('drawn');
  told.mockRestore();
});
