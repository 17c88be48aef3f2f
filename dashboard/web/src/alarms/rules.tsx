// What is watched: each rule of the site file, and whether it can see.
import { useSignal } from '@preact/signals';
import type { AlarmRule, Alarms, AlarmShelf } from '../api';
import { mayOperate } from '../door/state';
import { priorityWord } from './mark';
import { At } from './moment';
import { ShelveForm, Unshelve } from './shelve';
import type { Shared } from './standing';

export function Rules({ answer, ...shared }: Shared & { answer: Alarms }) {
  return (
    <section aria-labelledby="rules-title">
      <h2 id="rules-title">What is watched</h2>
      {answer.rules.length === 0 && <NoRule />}
      <ul class="rules">{answer.rules.map((r) => <Rule key={r.rule} rule={r} {...shared} />)}</ul>
    </section>
  );
}

function NoRule() {
  return (
    <>
      <p>Alarms are written into the site file, each as an <code>[[alarm]]</code>; <code>[mail]</code> and <code>[[webhook]]</code> say who is told. docs/alarms.md has a list to begin with.</p>
      <pre tabIndex={0} aria-label="An example of an alarm"><code data-words>{'[[alarm]]\nname = "air end hot"\non = "temperature"\nrole = "discharge_temperature"\nabove = "105 °C"\nback = "3 K"\nafter = "30s"\npriority = "high"'}</code></pre>
    </>
  );
}

const stateWord: Record<AlarmRule['state'], string> = { quiet: 'quiet', raised: 'raised', waiting: 'waits out its delay', blind: 'cannot see', new: 'not looked at yet' };

function Rule({ rule: r, zone, now, done }: Shared & { rule: AlarmRule }) {
  const open = useSignal(false);
  const ended = (answer: Alarms) => { open.value = false; done(answer); };
  return (
    <li data-rule={r.rule} data-state={r.state}>
      <div class="rule-head">
        <h3 data-words>{r.rule}</h3>
        <span class="rule-state">{stateWord[r.state]}{r.since && r.state !== 'quiet' && <>, since <At stamp={r.since} zone={zone} now={now} /></>}</span>
      </div>
      <p data-words>{r.text}</p>
      {r.why && <p class={r.state === 'blind' ? 'warn' : 'aside'}>{r.state === 'blind' ? 'It can neither raise nor return' : 'It does not see all'}: <span data-words>{r.why}</span>.</p>}
      <p class="aside">
        {r.subjects.length > 0 ? <>Watches <span data-words>{r.on === 'disk' ? 'the disk of the data directory' : r.subjects.join(', ')}</span>; </> : 'Watches nothing in this site; '}
        {priorityWord[r.priority]}; tells {r.tell.length > 0 ? <><span data-words>{r.tell.join(', ')}</span> and this page</> : 'this page alone'}.
      </p>
      {r.shelved.length > 0 && <ul class="shelves">{r.shelved.map((s) => <Shelf key={s.subject} rule={r.rule} shelf={s} zone={zone} now={now} done={done} />)}</ul>}
      {mayOperate.value && !r.shelved.some((s) => s.subject === '') && <button type="button" class="plain" aria-expanded={open.value} onClick={() => { open.value = !open.value; }}>{open.value ? 'Leave it' : 'Shelve …'}<span class="visually-hidden" data-words>: {r.rule}</span></button>}
      {open.value && mayOperate.value && <ShelveForm rule={r.rule} done={ended} />}
    </li>
  );
}

function Shelf({ rule, shelf: s, zone, now, done }: Shared & { rule: string; shelf: AlarmShelf }) {
  const open = useSignal(false);
  const of = s.subject ? { subject: s.subject } : {};
  return (
    <li>
      <p>
        Shelved{s.subject && <> of <span data-words>{s.subject}</span></>} until <At stamp={s.until} zone={zone} now={now} /> by <span data-words>{s.who}</span>: <span data-words>{s.why}</span>.
        {mayOperate.value && <button type="button" class="plain" aria-expanded={open.value} onClick={() => { open.value = !open.value; }}>{open.value ? 'Leave it' : 'Take it off the shelf …'}<span class="visually-hidden" data-words>: {rule} {s.subject}</span></button>}
      </p>
      {open.value && mayOperate.value && <Unshelve rule={rule} {...of} done={(answer) => { open.value = false; done(answer); }} />}
    </li>
  );
}
