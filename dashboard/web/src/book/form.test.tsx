// @vitest-environment happy-dom
import { render } from 'preact';
import { act } from 'preact/test-utils';
import { afterEach, expect, it, vi } from 'vitest';
import { ApiError, type Event, type MachineService, type NewNote, type Site } from '../api';
import { NoteForm } from './form';

const host = document.createElement('div');
document.body.append(host);
afterEach(() => render(null, host));

const site = { timezone: 'America/Chicago', machines: [{ name: 'comp1' }], systems: [{ name: 'main' }], devices: [{ name: 'meter' }], lines: [{ name: 'net' }] } as unknown as Site;
const kept: Event = { seq: 12, time: '2026-11-25T16:40:00.000Z', kind: 'note', subject: 'comp1', text: 'oil changed', data: {} };

async function fill(values: Record<string, string>, send: (n: NewNote) => Promise<Event>, corrects?: Event, service: MachineService[] = []): Promise<ReturnType<typeof vi.fn>> {
  const done = vi.fn();
  await act(() => render(<NoteForm site={site} now={Date.parse('2026-11-25T18:00:00Z')} service={service} corrects={corrects} done={done} send={send} />, host));
  for (const [name, value] of Object.entries(values)) (host.querySelector(`[name=${name}]`) as HTMLInputElement).value = value;
  await act(async () => {
    host.querySelector('form')?.dispatchEvent(new window.Event('submit', { bubbles: true, cancelable: true }));
    await Promise.resolve();
  });
  return done;
}

it('sends what was written, the time as the site’s clock has it', async () => {
  const send = vi.fn(async (_: NewNote) => kept);
  const done = await fill({ text: ' oil changed ', subject: 'meter', time: '2026-11-25T10:40', author: 'R. Vale' }, send);
  expect(send).toHaveBeenCalledWith({ text: 'oil changed', subject: 'meter', author: 'R. Vale', time: '2026-11-25T16:40:00.000Z' });
  expect(done).toHaveBeenCalledOnce();
  expect(host.textContent).toContain('Kept as note 12, 10:40:00.');
  expect((host.querySelector('textarea') as HTMLTextAreaElement).value).toBe('');
});

it('names the field that is wrong and keeps what was typed', async () => {
  const error = new ApiError('it has 2001 characters, at most 2000 fit: write two');
  error.field = 'text';
  const done = await fill({ text: 'long' }, async () => { throw error; });
  const text = host.querySelector('textarea') as HTMLTextAreaElement;
  expect(text.getAttribute('aria-invalid')).toBe('true');
  expect(document.getElementById(text.getAttribute('aria-describedby') ?? '')?.textContent).toBe('It has 2001 characters, at most 2000 fit: write two.');
  expect(text.value).toBe('long');
  expect(done).not.toHaveBeenCalled();
});

const oil = { machine: 'comp1', items: [{ item: 'oil', overdue: false }] } as unknown as MachineService;

it('marks a service item as done, with the hour meter', async () => {
  const send = vi.fn(async (_: NewNote) => kept);
  await fill({ text: 'oil changed', author: 'R. Vale', service: 'oil', hour_meter: '21530,4' }, send, undefined, [oil]);
  expect(send).toHaveBeenCalledWith({ text: 'oil changed', subject: 'comp1', author: 'R. Vale', service: 'oil', hour_meter: 21530.4 });
  await fill({ text: 'oil changed', service: 'oil', hour_meter: 'many' }, send, undefined, [oil]);
  expect(send).toHaveBeenCalledTimes(1);
  expect(host.textContent).toContain('Write the hours as a number');
  await fill({ text: 'oil changed', service: 'oil', hour_meter: '12,345' }, send, undefined, [oil]); // it was kept as 12.345 h
  expect(send).toHaveBeenCalledTimes(1);
});

it('asks what was found of the item that it was opened for', async () => {
  const send = vi.fn(async (_: NewNote) => kept);
  await act(() => render(<NoteForm key="preset" site={site} now={Date.parse('2026-11-25T18:00:00Z')} service={[oil]} corrects={undefined} preset={{ machine: 'comp1', item: 'oil', n: 1 }} done={() => undefined} send={send} />, host));
  expect((host.querySelector('[name=service]') as HTMLSelectElement).value).toBe('oil');
  (host.querySelector('[name=text]') as HTMLTextAreaElement).value = 'changed';
  (host.querySelector('[name=found]') as HTMLTextAreaElement).value = ' dark, no water ';
  await act(async () => {
    host.querySelector('form')?.dispatchEvent(new window.Event('submit', { bubbles: true, cancelable: true }));
    await Promise.resolve();
  });
  expect(send).toHaveBeenCalledWith(expect.objectContaining({ text: 'changed', subject: 'comp1', service: 'oil', found: 'dark, no water' }));
});

it('does not send an empty note', async () => {
  const send = vi.fn(async (_: NewNote) => kept);
  await fill({ text: '  ' }, send);
  expect(send).not.toHaveBeenCalled();
  expect(host.textContent).toContain('The note is empty: write what was done or seen.');
});

it('says what went wrong when nobody answers', async () => {
  await fill({ text: 'x' }, async () => { throw new ApiError('loadscribe cannot be reached'); });
  expect(host.textContent).toContain('Loadscribe cannot be reached.');
});

it('corrects a note by its number and leaves its subject and time alone', async () => {
  const send = vi.fn(async (_: NewNote) => kept);
  await fill({ text: 'it was the filter', author: '' }, send, { ...kept, seq: 7 });
  expect(send).toHaveBeenCalledWith({ text: 'it was the filter', subject: 'comp1', author: '', corrects: 7 });
  expect(host.querySelector('[name=subject], [name=time]')).toBeNull();
  expect(host.textContent).toContain('Correct note 7');
});
