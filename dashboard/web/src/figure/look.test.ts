import { expect, it } from 'vitest';
import type { Site } from '../api';
import { parseView } from '../trace/address';
import { channelsToShow, lookAt } from './look';

const site = {
  channels: [
    { id: 'controller.loaded', bit: true }, { id: 'controller.running', bit: true }, { id: 'controller.pressure', bit: false },
    { id: 'meter.power', bit: false }, { id: 'inputs.header', bit: false }, { id: 'inputs.flow', bit: false },
  ],
  machines: [{ name: 'comp1', channels: { loaded: 'controller.loaded', discharge_pressure: 'controller.pressure', power: 'meter.power' } }],
  systems: [{ name: 'main', machines: ['comp1'], pressure: 'inputs.header', parts: [], taps: [{ at: 'mains', pressure: 'inputs.header', flow: 'inputs.flow' }] }],
} as unknown as Site;

const view = (address: string) => parseView(new URLSearchParams(address.split('?')[1]));

it('shows what a figure was read from', () => {
  expect(channelsToShow(site, { machine: 'comp1' }, { inputs: ['controller.pressure (± 2 kPa)'], unit: 'kPa' })).toEqual(['controller.pressure']);
});

it('shows the pressure beside signals, which say nothing by themselves', () => {
  expect(channelsToShow(site, { machine: 'comp1' }, { inputs: ['controller.loaded', 'controller.running'], unit: '1' })).toEqual(['inputs.header', 'controller.loaded', 'controller.running']);
});

it('finds power and flow by their role where a figure rests on no channel', () => {
  expect(channelsToShow(site, { machine: 'comp1' }, { inputs: ['rated flow (assumed)'], unit: 'kW/(m³/min)' })).toEqual(['meter.power', 'inputs.flow']);
  expect(channelsToShow(site, { system: 'main' }, { inputs: ['rated flow (assumed)'], unit: 'm³/min' })).toEqual(['inputs.flow']);
});

it('goes to the moment of an extreme, with a margin and the cursors at its ends', () => {
  const hour = 3_600_000;
  const at = { from: '2026-11-25T14:00:00Z', to: '2026-11-25T15:00:00Z' };
  const v = view(lookAt(site, { machine: 'comp1' }, { inputs: ['controller.running'], unit: '1/h', at }, 0, 1));
  expect([v.a, v.b]).toEqual([Date.parse(at.from), Date.parse(at.to)]);
  expect([v.from, v.to]).toEqual([Date.parse(at.from) - hour / 2, Date.parse(at.to) + hour / 2]);
  expect(v.machines).toEqual(['comp1']);
});

it('goes to the whole window of a mean, with all machines of a system', () => {
  const v = view(lookAt(site, { system: 'main' }, { inputs: ['inputs.header'], unit: 'kPa' }, 1_000, 9_000));
  expect([v.from, v.to, v.a, v.b]).toEqual([1_000, 9_000, undefined, undefined]);
  expect(v.machines).toEqual(['comp1']);
});
