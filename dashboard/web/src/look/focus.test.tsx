// @vitest-environment happy-dom
import { render } from 'preact';
import { useState } from 'preact/hooks';
import { act } from 'preact/test-utils';
import { afterEach, beforeEach, expect, it } from 'vitest';
import { useFocusAfter } from './focus';

let host: HTMLElement;
beforeEach(() => {
  host = document.createElement('div');
  document.body.append(host);
});
afterEach(() => {
  render(null, host);
  host.remove();
});

/** A thing with a sheet that stands in its place. */
function Thing({ begin = false, off = false }: { begin?: boolean; off?: boolean }) {
  const [open, setOpen] = useState(begin);
  useFocusAfter(open ? 'sheet' : '', (was) => ({ at: open ? ['#title'] : was === 'sheet' ? ['.gone', '.opens', '.other'] : [] }));
  return open ? <div><h2 id="title" tabIndex={-1}>Sheet</h2><button class="closes" onClick={() => setOpen(false)}>Back</button></div>
    : <div><input name="typed" /><button class="opens" disabled={off} onClick={() => setOpen(true)}>Open</button><button class="other">Other</button></div>;
}

const find = (selector: string) => host.querySelector<HTMLElement>(selector);
const press = (selector: string) => act(() => { find(selector)?.focus(); find(selector)?.click(); });

it('goes into what was opened, and back to what opened it', async () => {
  await act(() => render(<Thing />, host));
  expect(document.activeElement).toBe(document.body);
  await press('.opens');
  expect(document.activeElement?.id).toBe('title');
  await press('.closes');
  expect(document.activeElement?.className).toBe('opens');
});

it('takes the next place where the first can do nothing', async () => {
  await act(() => render(<Thing begin off />, host));
  await press('.closes');
  expect(document.activeElement?.className).toBe('other');
});

it('leaves it alone where somebody has it, and on the first drawing', async () => {
  const field = document.createElement('input');
  document.body.append(field);
  await act(() => render(<Thing begin />, host));
  expect(document.activeElement).toBe(document.body);
  field.focus();
  await act(() => find('.closes')?.click());
  expect(document.activeElement).toBe(field);
  field.remove();
});

it('takes it from what opened something elsewhere and stays', async () => {
  function Beside() {
    const [open, setOpen] = useState(false);
    useFocusAfter(String(open), () => ({ at: ['[name=first]'], opened: open }));
    return <div>{open && <input name="first" />}<button class="opens" onClick={() => setOpen(true)}>Change it</button></div>;
  }
  await act(() => render(<Beside />, host));
  await press('.opens');
  expect(document.activeElement?.getAttribute('name')).toBe('first');
});
