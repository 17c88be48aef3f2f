// A spot reading: what a person read with an instrument of their own, kept as
// found and as left. An unloaded and a loaded one make a calibration.
import { useSignal } from '@preact/signals';
import { useId, useRef } from 'preact/hooks';
import { ApiError, fetchEvents, post, type Event, type EventsAnswer, type HookupSpot, type Site, type SiteMachine } from '../api';
import { useAsked } from '../api/asked';
import { Operating } from '../door/operating';
import type { Live, View } from '../live/live';
import { sentence } from '../look/words';
import { when } from '../units/words';
import { numbersOf } from './words';

const text = (data: FormData, name: string) => String(data.get(name) ?? '').trim();

/** What was typed, or the field that cannot be read and why. */
export function spotOf(data: FormData, machine: string): HookupSpot | { field: string; why: string } {
  const current = numbersOf(text(data, 'current'));
  const voltage = numbersOf(text(data, 'voltage'));
  const power = numbersOf(text(data, 'power'));
  const accuracy = numbersOf(text(data, 'accuracy'));
  if (!text(data, 'who')) return { field: 'who', why: 'Say who read it.' };
  if (!text(data, 'instrument')) return { field: 'instrument', why: 'Say with what it was read.' };
  if (!current || ![0, 1, 3].includes(current.length)) return { field: 'current', why: 'Write one current or three, such as 44.1 45.0 44.6.' };
  if (!voltage || ![0, 1, 3].includes(voltage.length)) return { field: 'voltage', why: 'Write one voltage or three, such as 461.' };
  if (!power || power.length > 1) return { field: 'power', why: 'Write the power in kW, such as 33.4.' };
  if (!accuracy || accuracy.length > 1) return { field: 'accuracy', why: 'Write percent of the reading, such as 2.' };
  if (current.length + voltage.length + power.length === 0) return { field: 'current', why: 'There is no reading in it: write a current, a voltage or a power.' };
  return {
    machine, when: text(data, 'when') === 'as_left' ? 'as_left' : 'as_found', step: text(data, 'step') === 'loaded' ? 'loaded' : 'unloaded',
    who: text(data, 'who'), instrument: text(data, 'instrument'), current_a: current, voltage_v: voltage,
    power_w: power[0] === undefined ? null : power[0] * 1000, power_accuracy: (accuracy[0] ?? 0) / 100,
  };
}

interface Props { live: Live; site: Site; view: View; machine: SiteMachine; send?: (s: HookupSpot) => Promise<Event> }

export function Spot({ live, site, view, machine, send = async (s) => (await post('/api/v1/hookup/spot', s)) as Event }: Props) {
  const id = useId();
  const form = useRef<HTMLFormElement>(null);
  const wrong = useSignal({ field: '', why: '' });
  const kept = useSignal('');
  const busy = useSignal(false);
  const key = `spot ${machine.name}`;
  const asked = useAsked<EventsAnswer>({ held: live.held, tick: live.eventTick }, {
    key, everyMs: 60_000, ask: (signal) => fetchEvents({ kinds: ['spot_reading', 'calibration', 'hookup'], changes: [], subjects: [machine.name], limit: 12 }, signal),
  });
  const submit = async (e: SubmitEvent) => {
    e.preventDefault();
    const spot = spotOf(new FormData(e.currentTarget as HTMLFormElement), machine.name);
    if ('why' in spot) {
      wrong.value = spot;
      return;
    }
    busy.value = true;
    try {
      const event = await send(spot);
      wrong.value = { field: '', why: '' };
      kept.value = `Kept: ${event.text}.`;
      for (const name of ['current', 'voltage', 'power']) (form.current?.elements.namedItem(name) as HTMLInputElement).value = '';
      asked.again();
    } catch (error) {
      const message = error instanceof ApiError || error instanceof Error ? error.message : String(error);
      wrong.value = { field: '', why: sentence(message) };
    } finally {
      busy.value = false;
    }
  };
  const field = (name: string, label: string, mode?: 'decimal' | 'text') => (
    <>
      <label for={`${id}-${name}`}>{label}</label>
      <input id={`${id}-${name}`} name={name} inputMode={mode} maxLength={200} {...(wrong.value.field === name ? { 'aria-invalid': true, 'aria-describedby': `${id}-why` } : {})} />
    </>
  );
  const choice = (name: string, label: string, options: [string, string][]) => (
    <>
      <label for={`${id}-${name}`}>{label}</label>
      <select id={`${id}-${name}`} name={name}>{options.map(([value, title]) => <option key={value} value={value}>{title}</option>)}</select>
    </>
  );
  return (
    <details class="spot">
      <summary>Keep a spot reading of {machine.name}</summary>
      <p class="aside">What you read with a clamp meter or a gauge of your own. An unloaded and a loaded reading of power make power of current where no meter is fitted.</p>
      <Operating what="keep spot readings"><form class="spot-form" ref={form} onSubmit={(e) => void submit(e)} noValidate aria-label={`Spot reading of ${machine.name}`}>
        {choice('when', 'When', [['as_found', 'as found, before anything was changed'], ['as_left', 'as left']])}
        {choice('step', 'The machine', [['unloaded', 'runs unloaded'], ['loaded', 'runs loaded']])}
        {field('who', 'Your name')}
        {field('instrument', 'Read with')}
        {field('current', 'Current, A: one value, or one of each phase', 'text')}
        {field('voltage', 'Voltage, V: one value, or three from line to line', 'text')}
        {field('power', 'Power, kW', 'decimal')}
        {field('accuracy', 'How far off that power may be, % of the reading; left empty it is taken as two percent', 'decimal')}
        {wrong.value.why && <p class="warn" id={`${id}-why`} role="alert"><span data-words>{wrong.value.why}</span></p>}
        <div class="form-end"><button type="submit" disabled={busy.value}>{busy.value ? 'Keeping it …' : 'Keep it'}</button></div>
        <p class="aside" role="status"><span data-words>{kept.value}</span></p>
      </form></Operating>
      {asked.value.value && asked.value.value.events.length > 0 && (
        <>
          <h3>Kept of {machine.name}</h3>
          <ul class="kept">
            {asked.value.value.events.map((e) => <li key={e.seq}><time dateTime={e.time}>{when(Date.parse(e.time), view.now, site.timezone)}</time> <span data-words>{e.text}</span></li>)}
          </ul>
        </>
      )}
    </details>
  );
}
