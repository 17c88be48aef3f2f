// @vitest-environment happy-dom
import { render } from 'preact';
import { expect, it } from 'vitest';
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
