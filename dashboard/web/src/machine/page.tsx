// At the machine: the first page.
import { useSignal } from '@preact/signals';
import { useEffect, useState } from 'preact/hooks';
import type { Event, Site, SiteMachine } from '../api';
import { Damage } from '../live/damage';
import { TodayFigures } from '../live/figures';
import { HourRecorder } from '../live/hour';
import type { Live, View } from '../live/live';
import { units } from '../settings';
import { Figures } from './figures';
import { Glyph } from './glyph';
import { Hour } from './hour';
import { Readings } from './readings';
import { Section } from './section';
import { announcement, sentence, starts, stateWord, type Moment } from './sentence';
import { signs } from './signs';
import { mainPressure, powerChannel } from './taps';

export function AtTheMachine({ live, site, view }: { live: Live; site: Site; view: View }) {
  const chosen = useSignal(site.machines[0]?.name ?? '');
  const [damage] = useState(() => new Damage(live));
  useEffect(() => () => damage.stop(), []);
  const losses = damage.losses.value;
  const machine = site.machines.find((m) => m.name === chosen.value) ?? site.machines[0];
  return (
    <>
      {site.machines.length > 1 && (
        <nav class="machines" aria-label="Machines">
          {site.machines.map((m) => {
            const state = view.machines.get(m.name)?.state ?? 'unobserved';
            return (
              <button key={m.name} type="button" aria-pressed={m.name === machine?.name} onClick={() => (chosen.value = m.name)}>
                <Glyph state={state} size={18} /> {m.name}: {stateWord[state]}
              </button>
            );
          })}
        </nav>
      )}
      {machine
        ? <Machine key={`${machine.name} ${site.site_hash}`} live={live} site={site} view={view} machine={machine} losses={losses} />
        : <NoMachine site={site} view={view} losses={losses} />}
    </>
  );
}

function Signs({ view, site, losses }: { view: View; site: Site; losses: Event[] }) {
  const list = signs(view, site, losses);
  if (list.length === 0) return null;
  return (
    <ul class="signs" aria-label="What is wrong">
      {list.map((s) => (
        <li key={s.key} data-sign={s.key}>
          <svg width="22" height="22" viewBox="0 0 22 22" aria-hidden="true" focusable="false"><path class="sign-shape" d="M11 2l9.500 17h-19z" /><path class="sign-mark" d="M11 8.500v5M11 16v1" /></svg>
          <span><strong>{s.what}</strong> {s.todo}</span>
        </li>
      ))}
    </ul>
  );
}

function NoMachine({ site, view, losses }: { site: Site; view: View; losses: Event[] }) {
  return (
    <>
      <div class="sentence"><div><h1>No machine is named in the site file.</h1><p class="note-line">Readings are kept and listed; figures need a [[machine]].</p></div></div>
      <Signs view={view} site={site} losses={losses} />
      <Readings site={site} view={view} system={units.value} />
    </>
  );
}

function Machine({ live, site, view, machine, losses }: { live: Live; site: Site; view: View; machine: SiteMachine; losses: Event[] }) {
  const [recorder] = useState(() => {
    const drawn = [mainPressure(site, machine), powerChannel(site, machine)].filter((c) => c !== undefined);
    return new HourRecorder(machine.name, drawn, () => live.now());
  });
  const [figures] = useState(() => new TodayFigures(live, machine.name, site.timezone));
  useEffect(() => {
    const forget = live.record(recorder);
    recorder.refill();
    return () => {
      forget();
      recorder.stop();
      figures.stop();
    };
  }, []);

  const state = view.machines.get(machine.name);
  const moment: Moment = { now: view.now, heard: view.heard, connection: view.connection, timeZone: site.timezone };
  const said = sentence(state, moment);
  const shown = said.live && state ? state.state : 'unobserved';
  return (
    <>
      <p class="visually-hidden" role="status" aria-live="polite">{announcement(machine.name, state, moment)}</p>
      <div class={said.live ? 'sentence' : 'sentence not-live'} data-state={shown}>
        <Glyph state={shown} size={64} />
        <div>
          <h1>{said.text}</h1>
          <p class="note-line">
            {said.note && <span class="must">{said.note} </span>}
            {state && said.live && starts(state, machine.motor_starts_per_hour, recorder.observedMs(view.now))}
            {state?.method && said.live && <span class="aside"> How we know: {state.method}.</span>}
          </p>
        </div>
      </div>
      <Signs view={view} site={site} losses={losses} />
      <section aria-label="Section drawing">
        <Section site={site} view={view} machine={machine} state={state} system={units.value} />
        <Readings site={site} view={view} system={units.value} />
      </section>
      <div class="pair">
        <Hour site={site} view={view} machine={machine} state={state} recorder={recorder} system={units.value} />
        <Figures source={figures} site={site} machine={machine.name} limit={machine.motor_starts_per_hour} system={units.value} />
      </div>
    </>
  );
}
