// Guided tests: what must be read before, how the one that runs stands, and what
// was found. The person turns every valve; loadscribe reads and times.
import { useSignal } from '@preact/signals';
import { answerOf, post, type Site, type TestRecord, type Tests } from '../api';
import { useAsked } from '../api/asked';
import { Operating } from '../door/operating';
import { mayOperate } from '../door/state';
import { Num } from '../figure/number';
import type { Live, View } from '../live/live';
import { Standing } from '../look/standing';
import { displayOf, showFigure, type UnitSystem } from '../units/units';
import { clockMinute, day as dayWords } from '../units/words';
import { BeginTest } from './begin';
import { isOver, newest, testWord } from './course';
import { Running } from './running';
import { useForm, Why } from './form';

const path = '/api/v1/tests';

interface Props { live: Live; site: Site; view: View; name: string; system: UnitSystem }

const whose = (s: { test: string; who: string }) => `${s.test} ${s.who}`;

export function Guided({ live, site, view, name, system }: Props) {
  const asked = useAsked<Tests>({ held: live.held, tick: live.eventTick }, { key: path, everyMs: 30_000, ask: (signal) => answerOf(path, new URLSearchParams(), signal) });
  const aside = useSignal(''); // the ended test that was read and put away
  const mine = useSignal(''); // the test that was begun here: who began it goes on with it, and with no other
  const tests = asked.value.value;
  const at = tests?.running.findIndex((t) => t.system === name) ?? -1;
  const now = newest(tests?.running[at], live.tests.value[name]);
  const shown = now && !(isOver(now) && aside.value === (now.started ?? '')) ? now : undefined;
  const results = tests?.results.map((r, i) => ({ r, i })).filter(({ r }) => r.system === name) ?? [];
  return (
    <section class="guided" id="guided" aria-labelledby="guided-title" data-answer={path} data-moves>
      <h2 id="guided-title">Measure it yourself: guided tests</h2>
      <p class="said">A leak test times what flows while nobody uses air; a pump-up test measures what a machine truly delivers, without trust in its nameplate. You turn valves and buttons; loadscribe reads, times and files the result, and figures of later days use it.</p>
      <Standing asked={asked} what="the tests" question={path} />
      {tests && shown && <Running key={whose(shown)} focus={mine.value === whose(shown)} live={live} site={site} view={view} system={system} status={shown} at={at < 0 ? undefined : `/running/${at}`} again={() => asked.again()} away={() => { aside.value = shown.started ?? ''; }} />}
      {tests && (!shown || isOver(shown)) && <Operating what="begin a test"><BeginTest site={site} name={name} cautions={tests.cautions} system={system} begun={(s) => { mine.value = whose(s); live.tests.value = { ...live.tests.value, [s.system]: s }; aside.value = ''; asked.again(); }} /></Operating>}
      {tests && <Results list={results} site={site} system={system} again={() => asked.again()} now={view.now} />}
    </section>
  );
}

function Results({ list, site, system, again, now }: { list: { r: TestRecord; i: number }[]; site: Site; system: UnitSystem; again: () => void; now: number }) {
  return (
    <div class="results">
      <h3>Filed</h3>
      {list.length === 0 && <p class="aside">No guided test of this system is on record.</p>}
      <ol class="result-list">{list.map(({ r, i }) => <Result key={r.seq} r={r} at={`/results/${i}`} site={site} system={system} again={again} now={now} />)}</ol>
    </div>
  );
}

function Result({ r, at, site, system, again, now }: { r: TestRecord; at: string; site: Site; system: UnitSystem; again: () => void; now: number }) {
  const open = useSignal(false);
  const gone = r.withdrawn_by !== undefined;
  const end = r.to === null ? now : Date.parse(r.to);
  const flow = r.flow_m3s === undefined ? undefined : showFigure('', r.flow_m3s * 60, 'm³/min', (r.flow_uncertainty_m3s ?? 0) * 60, system);
  const share = r.share === undefined ? undefined : showFigure('loaded_share', r.share, '1', r.share_uncertainty, system);
  const pressure = displayOf('pressure', system);
  return (
    <li class={gone ? 'gone' : undefined} data-seq={r.seq}>
      <p>
        <time dateTime={new Date(end).toISOString()}>{`${dayWords(end, site.timezone)}, ${clockMinute(end, site.timezone)}`}</time>{' '}
        <strong>{testWord[r.test]}</strong>{r.machine && <> of <span data-words>{r.machine}</span></>}, by <span data-words>{r.who}</span>
        {gone && <strong> taken back</strong>}
      </p>
      <p class="found">
        {flow && r.flow_m3s !== undefined && <><Num value={r.flow_m3s} at={`${at}/flow_m3s`}>{flow.value}</Num> ± <Num value={r.flow_uncertainty_m3s ?? 0} at={`${at}/flow_uncertainty_m3s`}>{flow.uncertainty}</Num> {flow.unit}</>}
        {share && r.share !== undefined && <>{flow && ', '}it delivered <Num value={r.share} at={`${at}/share`}>{share.value}</Num> % of the time</>}
        {pressure && <> at <Num value={r.pressure_pa} at={`${at}/pressure_pa`}>{(r.pressure_pa * pressure.scale).toFixed(pressure.decimals)}</Num> {pressure.unit}</>}
      </p>
      <p class="aside"><span data-words>{r.text}</span></p>
      {gone && <p class="aside">Why: <span data-words>{r.withdrawn_why}</span></p>}
      {!gone && mayOperate.value && <button type="button" class="plain" aria-expanded={open.value} onClick={() => { open.value = !open.value; }}>{open.value ? 'Leave it' : 'Take it back …'}<span class="visually-hidden"> (<span data-words>{r.text}</span>)</span></button>}
      {open.value && !gone && mayOperate.value && <Withdraw seq={r.seq} done={() => { open.value = false; again(); }} />}
    </li>
  );
}

function Withdraw({ seq, done }: { seq: number; done: () => void }) {
  const form = useForm(async (get) => {
    await post(`${path}/withdraw`, { seq, who: get('who'), why: get('why') });
    done();
    return '';
  });
  return (
    <form class="night-form" onSubmit={form.submit} noValidate aria-label="Take the result back">
      <p class="aside">It stays on record with your name and reason, and counts no longer.</p>
      <label>Your name <input name="who" maxLength={80} defaultValue={form.author} {...form.bad('who')} /></label><Why form={form} field="who" />
      <label>Why <input name="why" maxLength={500} {...form.bad('why')} /></label><Why form={form} field="why" />
      <Why form={form} field="" />
      <div class="form-end"><button type="submit" disabled={form.busy.value}>Take it back</button></div>
    </form>
  );
}
