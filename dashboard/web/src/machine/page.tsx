// At the machine: the first page.
import { useEffect, useMemo, useState } from 'preact/hooks';
import type { Site, SiteMachine, StandingAlarm } from '../api';
import { Damage } from '../live/damage';
import { TodayFigures } from '../live/figures';
import { HourRecorder } from '../live/hour';
import type { Live, View } from '../live/live';
import { NotHere, shownMachine } from '../look/choose';
import { askedMachine, href, isFar, place } from '../route';
import { units } from '../settings';
import { Far } from './far';
import { Figures } from './figures';
import { Glyph } from './glyph';
import { Hour } from './hour';
import { Readings } from './readings';
import { Rows } from './rows';
import { Section } from './section';
import { Said } from './said';
import { announcement, plantSentence, sentence, starts, type Moment } from './sentence';
import { signs, type Sign } from './signs';
import { mainPressure, powerChannel, systemOf } from './taps';
import { alarmSigns, allWell, plantSigns } from './wrong';

interface Seen {
  live: Live;
  site: Site;
  view: View;
  moment: Moment;
  wrong: Sign[];
  well: boolean;
}

/** alarms: those that stand and ask for a look, over or not, as the head has them; undefined: not heard yet. */
export function AtTheMachine({ live, site, view, alarms }: { live: Live; site: Site; view: View; alarms: StandingAlarm[] | undefined }) {
  const [damage] = useState(() => new Damage(live));
  useEffect(() => () => damage.stop(), []);
  const machine = shownMachine(site);
  const moment: Moment = { now: view.now, heard: view.heard, connection: view.connection, timeZone: site.timezone };
  const wrong = [...plantSigns(view, site, units.value), ...signs(view, site, damage.losses.value)];
  const seen: Seen = { live, site, view, moment, wrong, well: alarms?.length === 0 && allWell(view, site, wrong, damage.known.value) };
  const named = site.machines.filter((m) => m.name === askedMachine.value);
  return (
    <>
      <Spoken site={site} view={view} moment={moment} />
      {!machine ? <NoMachine {...seen} />
        : isFar(location, place.value) ? <Far {...seen} wrong={[...wrong, ...alarmSigns(alarms?.filter((a) => !a.returned) ?? [])]} over={alarms?.some((a) => a.returned) ?? false} machines={named.length > 0 ? named : site.machines} system={units.value} />
          : site.machines.length === 1 ? <OneMachine key={site.site_hash} {...seen} machine={machine} />
            : <Plant {...seen} machine={machine} />}
    </>
  );
}

/** Changes of state, said once each: a region for each machine, so that only what changed is read out. */
function Spoken({ site, view, moment }: { site: Site; view: View; moment: Moment }) {
  return (
    <div class="visually-hidden">
      <p role="status">{moment.connection !== 'live' && moment.heard > 0 ? 'No contact with loadscribe. Readings are old.' : ''}</p>
      {site.machines.map((m) => <p key={m.name} role="status"><Said words={announcement(m.name, view.machines.get(m.name), moment)} /></p>)}
    </div>
  );
}

function Signs({ list }: { list: Sign[] }) {
  if (list.length === 0) return null;
  return (
    <ul class="signs" aria-label="What is wrong">
      {list.map((s) => (
        <li key={s.key} data-sign={s.key}>
          <svg width="22" height="22" viewBox="0 0 22 22" aria-hidden="true" focusable="false"><path class="sign-shape" d="M11 2l9.500 17h-19z" /><path class="sign-mark" d="M11 8.500v5M11 16v1" /></svg>
          <span><strong><Said words={s.words ?? s.what} /></strong> <Said words={s.todo} /></span>
        </li>
      ))}
    </ul>
  );
}

function NoMachine({ site, view, wrong }: Seen) {
  return (
    <>
      <div class="sentence"><div><h1>No machine is named in the site file.</h1><p class="note-line">Readings are kept and listed; figures need a [[machine]].</p></div></div>
      <Signs list={wrong} />
      <Readings site={site} view={view} system={units.value} />
    </>
  );
}

/** The same, as large as the screen allows. */
function AcrossTheRoom() {
  const query = new URLSearchParams(place.value.query);
  query.set('far', '1');
  return <a class="across" href={href('machine', query)}>Show it large, to read from across the room</a>;
}

function OneMachine(seen: Seen & { machine: SiteMachine }) {
  const { live, site, view, moment, wrong, well, machine } = seen;
  const state = view.machines.get(machine.name);
  const said = sentence(state, moment, well);
  const shown = said.live && state ? state.state : 'unobserved';
  const recorder = useRecorder(live, site, machine);
  const limited = wrong.some((s) => s.key === `starts ${machine.name}`); // then the sign has it
  return (
    <>
      <NotHere site={site} instead={`this is ${machine.name}`} />
      <div class={said.live ? 'sentence' : 'sentence not-live'} data-state={shown}>
        <Glyph state={shown} size={64} />
        <div>
          <h1><Said words={said.text} /></h1>
          <p class="note-line">
            {said.note && <span class="must">{said.note} </span>}
            {state && said.live && !limited && <Said words={starts(state, { index: site.machines.indexOf(machine), limit: machine.motor_starts_per_hour }, recorder.observedMs(view.now))} />}
            {state?.method && said.live && <span class="aside"> How we know: {state.method}.</span>}
          </p>
          <AcrossTheRoom />
        </div>
      </div>
      <Signs list={wrong} />
      <section aria-label="Section drawing">
        <Section site={site} view={view} shown={{ machines: [machine], system: systemOf(site, machine) }} system={units.value} />
        <Readings site={site} view={view} system={units.value} />
      </section>
      <Later live={live} site={site} view={view} machine={machine} recorder={recorder} />
    </>
  );
}

function Plant(seen: Seen & { machine: SiteMachine }) {
  const { site, view, moment, wrong, well, machine } = seen;
  const said = plantSentence(site.machines.map((m) => view.machines.get(m.name)), moment, well);
  const system = systemOf(site, machine);
  const joined = system ? site.machines.filter((m) => system.machines.includes(m.name)) : [machine];
  return (
    <>
      <div class={said.live ? 'sentence' : 'sentence not-live'}>
        <div>
          <h1><Said words={said.text} /></h1>
          {said.note && <p class="note-line">{said.note}</p>}
          <AcrossTheRoom />
        </div>
      </div>
      <Signs list={wrong} />
      <Rows site={site} view={view} moment={moment} shown={machine} system={units.value} />
      <section class="joined" aria-label="Section drawing">
        {site.systems.length > 1 && system && <h2>{system.name}</h2>}
        <Section site={site} view={view} shown={{ machines: joined, system }} system={units.value} />
        <Readings site={site} view={view} system={units.value} />
      </section>
      <ChosenMachine key={`${machine.name} ${site.site_hash}`} {...seen} />
    </>
  );
}

function ChosenMachine({ live, site, view, machine }: Seen & { machine: SiteMachine }) {
  const recorder = useRecorder(live, site, machine);
  const [open, setOpen] = useState(false);
  const state = view.machines.get(machine.name);
  return (
    <section class="chosen" aria-labelledby="chosen-title">
      <h2 id="chosen-title" class="chosen-title">{machine.name}</h2>
      <p class="aside">{state && <Said words={starts(state, { index: site.machines.indexOf(machine), limit: machine.motor_starts_per_hour }, recorder.observedMs(view.now))} />}{state?.method && ` How we know what it does: ${state.method}.`}</p>
      <details class="twin" onToggle={(e) => setOpen(e.currentTarget.open)}>
        <summary>Its own way from the room to the plant</summary>
        {open && <Section site={site} view={view} shown={{ machines: [machine], system: systemOf(site, machine) }} system={units.value} />}
      </details>
      <Later live={live} site={site} view={view} machine={machine} recorder={recorder} />
    </section>
  );
}

/** Keeps the machine's last hour for as long as it is shown. */
function useRecorder(live: Live, site: Site, machine: SiteMachine): HourRecorder {
  const [recorder] = useState(() => {
    const drawn = [mainPressure(site, machine), powerChannel(site, machine)].filter((c) => c !== undefined);
    return new HourRecorder(machine.name, drawn, () => live.now());
  });
  useEffect(() => {
    const forget = live.record(recorder);
    recorder.refill();
    return () => {
      forget();
      recorder.stop();
    };
  }, []);
  return recorder;
}

interface PastProps {
  live: Live;
  site: Site;
  view: View;
  machine: SiteMachine;
  recorder: HourRecorder;
}

/** What was, after the first frame has shown what is. */
function Later(props: PastProps) {
  const [shown, setShown] = useState(false);
  useEffect(() => setShown(true), []);
  return shown ? <Past {...props} /> : <div class="pair" />;
}

function Past({ live, site, view, machine, recorder }: PastProps) {
  const [figures] = useState(() => new TodayFigures(live, machine.name, site.timezone));
  useEffect(() => () => figures.stop(), []);
  // Readings do not change it: it is the same element until something does.
  const today = useMemo(
    () => <Figures source={figures} site={site} machine={machine.name} limit={machine.motor_starts_per_hour} system={units.value} />,
    [figures, site, machine, units.value],
  );
  return (
    <div class="pair">
      <Hour live={live} site={site} view={view} machine={machine} state={view.machines.get(machine.name)} recorder={recorder} system={units.value} />
      {today}
    </div>
  );
}
