// The hook-up walk: the person lets the machine stop, idle and load, and the page
// says what moves as it should and what is wired or mapped wrongly.
import { useSignal } from '@preact/signals';
import { useEffect, useRef } from 'preact/hooks';
import { answerOf, post, type HookupReport, type HookupStepName, type Site, type SiteMachine } from '../api';
import { useAsked } from '../api/asked';
import { Operating } from '../door/operating';
import { mayOperate } from '../door/state';
import { Num } from '../figure/number';
import type { Live, View } from '../live/live';
import { isFresh } from '../live/picture';
import { MachineChooser, shownMachine } from '../look/choose';
import { Standing } from '../look/standing';
import { reasonWords, sentence } from '../look/words';
import { channelDisplay, write, type UnitSystem } from '../units/units';
import { age } from '../units/words';
import { Found } from './found';
import { Spot } from './spot';
import { mayLeaveOut, readingText, roleWords, stepButton, stepState, stepTitle } from './words';

const path = '/api/v1/hookup';

/** What a walk looks at, in the order in which a person would. */
const wanted = ['motor_running', 'loaded', 'motor_current', 'power', 'voltage_ab', 'voltage_bc', 'voltage_ca', 'power_factor', 'apparent_power', 'discharge_pressure'];

interface Props { live: Live; site: Site; view: View; system: UnitSystem }

export function Walk({ live, site, view, system }: Props) {
  const asked = useAsked<HookupReport>({ held: live.held }, { key: path, everyMs: 1_000, ask: (signal) => answerOf(path, new URLSearchParams(), signal) });
  const wrong = useSignal('');
  const busy = useSignal(false);
  const report = asked.value.value;
  const machine = site.machines.find((m) => m.name === report?.machine) ?? shownMachine(site);
  if (!machine) return <p class="aside">The site file names no machine: there is nothing to walk through. Its registers and lines are shown here all the same.</p>;
  const send = async (what: string, body: unknown) => {
    busy.value = true;
    try {
      asked.value.value = (await post(`${path}/${what}`, body)) as HookupReport;
      wrong.value = '';
    } catch (e) {
      wrong.value = e instanceof Error ? e.message : String(e);
    } finally {
      busy.value = false;
      asked.again(); // and no answer from before it
    }
  };
  return (
    <section aria-labelledby="walk-title" class="walk">
      <h2 id="walk-title">{report && report.phase !== 'idle' ? `Hook-up check of ${report.machine}` : 'Hook-up check'}</h2>
      <Standing asked={asked} what="the hook-up check" question={path} />
      {wrong.value && <p class="warn" role="alert">{sentence(wrong.value)}</p>}
      {report?.phase === 'idle' && <Operating what="begin a hook-up check"><Begin site={site} machine={shownMachine(site) ?? machine} busy={busy.value} begin={(name) => void send('start', { machine: name })} /></Operating>}
      {report && report.phase !== 'idle' && (
        <div data-answer={path} data-moves>
          <p class="visually-hidden" role="status">{report.phase === 'done' ? report.instruction : report.phase === 'waiting' ? `${report.detail ? `${report.detail}. ` : ''}${report.instruction}` : report.instruction}</p>
          <Found report={report} />
          <ol class="steps">
            {report.steps.map((s, i) => (
              <li key={s.step} data-step={s.step} data-state={s.state} class={s.step === report.step ? 'current' : undefined} aria-current={s.step === report.step ? 'step' : undefined}>
                <h3>{stepTitle[s.step]}<span class="aside"> {s.step === report.step && s.state === 'waiting' ? 'now' : stepState[s.state]}</span></h3>
                {s.step === report.step && <Now report={report} step={s.step} busy={busy.value} send={send} />}
                {s.readings.length > 0 && (
                  <dl class="means">
                    {s.readings.map((r, k) => {
                      const shown = readingText(r, system);
                      return <div key={r.role}><dt>{roleWords(r.role)}</dt><dd><Num value={r.mean} at={`/steps/${i}/readings/${k}/mean`}>{shown.text}</Num> {shown.unit}</dd></div>;
                    })}
                  </dl>
                )}
                {mayOperate.value && (s.state === 'done' || s.state === 'skipped') && (
                  <button type="button" class="plain" disabled={busy.value} onClick={() => void send('step', { step: s.step })}>Read this step again<span class="visually-hidden">: {stepTitle[s.step]}</span></button>
                )}
              </li>
            ))}
          </ol>
          <Operating what="lead the check on"><p><button type="button" disabled={busy.value} onClick={() => void send('start', { machine: report.machine })}>Begin anew</button></p></Operating>
        </div>
      )}
      <LiveReadings machine={machine} site={site} view={view} system={system} />
      <Spot key={machine.name} live={live} site={site} view={view} machine={machine} />
    </section>
  );
}

function Begin({ site, machine, busy, begin }: { site: Site; machine: SiteMachine; busy: boolean; begin: (machine: string) => void }) {
  return (
    <div class="begin">
      <p>You lead the machine through standing still, running unloaded, loaded and unloaded again; loadscribe only reads. It then says whether the bits, current
        transformers and scales tell the truth, and what to do where they do not. It takes some minutes; a machine that cannot be stopped is checked without that step.</p>
      <MachineChooser site={site} />
      <button type="button" class="main" disabled={busy} onClick={() => begin(machine.name)}>Begin the check of {machine.name}</button>
    </div>
  );
}

function Now({ report, step, busy, send }: { report: HookupReport; step: HookupStepName; busy: boolean; send: (what: string, body: unknown) => Promise<void> }) {
  const first = useRef<HTMLButtonElement>(null);
  // Who has just pressed the button of the step before goes on with this one.
  useEffect(() => {
    if (document.activeElement === document.body) first.current?.focus({ preventScroll: true });
  }, [step, report.phase]);
  if (report.phase === 'collecting') {
    return (
      <div class="now-step">
        <p class="instruction"><span data-words>{report.instruction}</span></p>
        <progress max={report.needed_s} value={Math.min(report.collected_s, report.needed_s)} aria-label="Read so far" />
        <p><Num value={report.collected_s} at="/collected_s">{Math.floor(report.collected_s)}</Num> of <Num value={report.needed_s} at="/needed_s">{report.needed_s}</Num> s
          {report.detail && report.detail !== 'collecting' && <>: <span data-words>{report.detail}</span></>}</p>
      </div>
    );
  }
  return (
    <div class="now-step">
      {report.detail && <p class="warn"><span data-words>{report.detail}</span>.</p>}
      <p class="instruction"><span data-words>{report.instruction}</span></p>
      {report.cautions.length > 0 && <ul class="cautions" aria-label="Cautions">{report.cautions.map((c) => <li key={c}><span data-words>{c}</span></li>)}</ul>}
      {mayOperate.value && <div class="form-end">
        <button type="button" class="main" ref={first} disabled={busy} onClick={() => void send('step', { step })}>{stepButton[step]}</button>
        {mayLeaveOut(step) && <button type="button" disabled={busy} onClick={() => void send('step', { step, skip: true })}>Leave this step out</button>}
      </div>}
    </div>
  );
}

function LiveReadings({ machine, site, view, system }: { machine: SiteMachine; site: Site; view: View; system: UnitSystem }) {
  const rows = wanted.flatMap((role) => {
    const channel = site.channels.find((c) => c.id === machine.channels[role]);
    return channel ? [{ role, channel }] : [];
  });
  const live = view.connection === 'live';
  return (
    <section class="live-readings" aria-labelledby="live-title" data-answer="/api/v1/state" data-moves>
      <h3 id="live-title">What {machine.name} says now</h3>
      {rows.length === 0 && <p class="aside">No channel of {machine.name} has a role that a walk looks at: give the channels of its map a role.</p>}
      <dl class="means">
        {rows.map(({ role, channel }) => {
          const r = view.readings.get(channel.id);
          const fresh = live && isFresh(r, channel.period_ms, view.now);
          const value = r?.value;
          const text = value === null || value === undefined ? '–' : channel.bit ? (value ? 'yes' : 'no') : write(channelDisplay(channel, system), value);
          return (
            <div key={role} data-role={role} data-fresh={String(fresh)}>
              <dt>{roleWords(role)}</dt>
              <dd class={fresh ? undefined : 'old'}>
                {value === null || value === undefined ? text : <Num value={value} at={`/channels/${channel.id}/value`}>{fresh ? text : `(${text})`}</Num>}
                {!fresh && <span class="aside"> {r?.at === undefined ? reasonWords(r?.reason ?? 'not read yet') : <time dateTime={new Date(r.at).toISOString()}>{age(view.now - r.at)} old</time>}</span>}
              </dd>
            </div>
          );
        })}
      </dl>
    </section>
  );
}
