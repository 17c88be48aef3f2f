import { beforeEach, expect, it } from 'vitest';
import { add, draft, elementOf, emptyDevice, emptyLine, emptyMachine, emptyTap, firstDraft, put, remove, rename, textAt, unclaimed } from './draft';
import { mapName } from './maps';

beforeEach(() => { draft.value = firstDraft('America/Chicago', true); });

it('puts a value where it belongs and leaves the rest', () => {
  const before = draft.value;
  put('machine.0.motor.poles', '4');
  put('device.0.instrument.accuracy.power', '1 % of reading');
  expect(textAt('machine.0.motor.poles')).toBe('4');
  expect(draft.value.device[0]?.instrument.accuracy).toEqual({ power: '1 % of reading' });
  expect(draft.value.site).toBe(before.site);
  put('machine.0.channels.controller', undefined);
  expect(draft.value.machine[0]?.channels).toEqual({});
});

it('adds and takes away, each with values of its own', () => {
  add('system.0.taps', emptyTap);
  add('system.0.taps', emptyTap);
  put('system.0.taps.1.at', 'receiver');
  expect(draft.value.system[0]?.taps.map((t) => t.at)).toEqual(['', 'receiver']);
  remove('system.0.taps', 0);
  expect(draft.value.system[0]?.taps.map((t) => t.at)).toEqual(['receiver']);
});

it('renames what others refer to', () => {
  add('system.0.taps', { at: 'receiver', pressure: 'controller.receiver_pressure', flow: '' });
  rename('line', 0, 'cable');
  rename('device', 0, 'panel');
  rename('machine', 0, 'east');
  expect(draft.value.device[0]?.line).toBe('cable');
  expect(draft.value.machine[0]?.channels).toEqual({ panel: '*' });
  expect(draft.value.system[0]?.machines).toEqual(['east']);
  expect(draft.value.system[0]?.taps[0]?.pressure).toBe('panel.receiver_pressure');
});

it('leaves what refers to another alone while a name is typed through its', () => {
  add('system.0.taps', { at: 'receiver', pressure: 'controller.receiver_pressure', flow: '' });
  add('device', { ...emptyDevice, name: 'meter', line: 'bus' });
  for (const typed of ['c', 'controller', 'controller2']) rename('device', 1, typed);
  expect(draft.value.machine[0]?.channels).toEqual({ controller: '*' });
  expect(draft.value.system[0]?.taps[0]?.pressure).toBe('controller.receiver_pressure');
  add('line', { ...emptyLine, name: 'bus2' });
  put('device.1.line', 'bus2');
  for (const typed of ['bus', 'bus3']) rename('line', 1, typed); // one key back, another one
  expect(draft.value.device.map((d) => d.line)).toEqual(['bus', 'bus3']);
  add('machine', { ...emptyMachine, name: 'comp1' });
  rename('machine', 1, 'comp2');
  expect(draft.value.system[0]?.machines).toEqual(['comp1']);
});

it('finds the input of a remark, or what it is part of', () => {
  const there = new Set(['f-machine.0', 'f-machine.0.motor']);
  const find = (id: string) => (there.has(id) ? ({ id } as HTMLElement) : null);
  expect(elementOf('machine.0.motor.poles', find)?.id).toBe('f-machine.0.motor');
  expect(elementOf('machine.0.control', find)?.id).toBe('f-machine.0');
  expect(elementOf('line', find)).toBe(null);
});

it('makes a map’s name of a file’s', () => {
  expect(mapName('My Controller (v2).TOML')).toBe('my-controller-v2');
  expect(mapName('..')).toBe('map');
});

it('tells of a device whose readings nobody takes', () => {
  expect(unclaimed(draft.value)).toEqual([]);
  add('device', { ...draft.value.device[0], name: 'meter' });
  expect(unclaimed(draft.value)).toEqual(['meter']);
  put('machine.0.channels.meter', '*');
  expect(unclaimed(draft.value)).toEqual([]);
  put('machine.0.channels.meter', undefined);
  add('system.0.taps', { ...emptyTap, flow: 'meter.flow' });
  expect(unclaimed(draft.value)).toEqual([]);
});
