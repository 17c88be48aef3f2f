// Alarms that stand: what, where, since when, how far from the limit; acknowledging
// and shelving.
import { useSignal } from '@preact/signals';
import { post, type Alarms, type StandingAlarm } from '../api';
import { Operating } from '../door/operating';
import { mayOperate } from '../door/state';
import { Num } from '../figure/number';
import { useForm, Why } from '../night/form';
import { units } from '../settings';
import { showFigure } from '../units/units';
import { duration } from '../units/words';
import { AlarmMark, priorityWord } from './mark';
import { At, type Clock } from './moment';
import { ShelveForm, Unshelve, WhoField, whoIs } from './shelve';

export interface Shared extends Clock { done: (now: Alarms) => void }

export function StandingList({ all, answer, ...shared }: Shared & { all: StandingAlarm[]; answer: Alarms }) {
  return (
    <section class="standing-alarms" aria-labelledby="standing-title">
      <h2 id="standing-title" class="visually-hidden">Alarms that stand</h2>
      <ul>{all.map((a) => <One key={a.id} alarm={a} at={`/standing/${answer.standing.indexOf(a)}`} whole={answer.rules.some((r) => r.rule === a.rule && r.shelved.some((s) => s.subject === ''))} {...shared} />)}</ul>
      {!mayOperate.value && <Operating what="acknowledge or shelve alarms">{null}</Operating>}
    </section>
  );
}

type Act = 'acknowledge' | 'shelve' | 'unshelve';

/** whole: its rule is shelved for all that it watches. */
function One({ alarm: a, at, whole, zone, now, done }: Shared & { alarm: StandingAlarm; at: string; whole: boolean }) {
  const doing = useSignal<Act | ''>('');
  const moment = (stamp: string | null) => <At stamp={stamp} zone={zone} now={now} />;
  const ended = (answer: Alarms) => { doing.value = ''; done(answer); };
  const turn = (what: Act) => { doing.value = doing.value === what ? '' : what; };
  const state = a.shelved_until ? 'shelved' : a.returned ? 'returned' : 'bad';
  return (
    <li data-alarm={a.id} data-state={state} data-priority={a.priority}>
      <AlarmMark priority={a.priority} size={34} />
      <div>
        <h3 data-words>{a.text}</h3>
        <p>
          <strong data-words>{a.rule}</strong>, {priorityWord[a.priority]}, since {a.since_at_least && 'at least '}{moment(a.since)}
          {a.returned ? <>; over since {moment(a.returned)}</> : a.since !== null && <> <span class="aside">(<time dateTime={a.since}>{duration(now - Date.parse(a.since))}</time>)</span></>}.
        </p>
        <Far alarm={a} at={at} />
        {a.times > 1 && <p>It was raised <Num value={a.times} at={`${at}/times`}>{a.times}</Num> times within the hour.</p>}
        {a.acknowledged && <p class="aside">Acknowledged {moment(a.acknowledged.at)} by <span data-words>{a.acknowledged.who}</span>{a.acknowledged.why && <>: <span data-words>{a.acknowledged.why}</span></>}.</p>}
        {a.shelved_until && <p class="aside">Shelved until {moment(a.shelved_until)}: it tells nobody before.</p>}
        {a.returned && !a.acknowledged && <p class="aside">It stands here until somebody acknowledges it.</p>}
        {!a.told && !a.shelved_until && <p class="aside">It was told to nobody but this page.</p>}
        {mayOperate.value && (
          <div class="acts">
            {!a.acknowledged && <button type="button" aria-expanded={doing.value === 'acknowledge'} onClick={() => turn('acknowledge')}>{doing.value === 'acknowledge' ? 'Leave it' : 'Acknowledge …'}<span class="visually-hidden" data-words>: {a.text}</span></button>}
            {a.shelved_until && <button type="button" aria-expanded={doing.value === 'unshelve'} onClick={() => turn('unshelve')}>{doing.value === 'unshelve' ? 'Leave it' : 'Take it off the shelf …'}<span class="visually-hidden" data-words>: {a.text}</span></button>}
            {!a.shelved_until && <button type="button" aria-expanded={doing.value === 'shelve'} onClick={() => turn('shelve')}>{doing.value === 'shelve' ? 'Leave it' : 'Shelve …'}<span class="visually-hidden" data-words>: {a.text}</span></button>}
          </div>
        )}
        {mayOperate.value && doing.value === 'acknowledge' && <Acknowledge alarm={a} done={ended} />}
        {mayOperate.value && doing.value === 'unshelve' && <Unshelve rule={a.rule} {...(whole ? {} : { subject: a.subject })} done={ended} />}
        {mayOperate.value && doing.value === 'shelve' && <ShelveForm rule={a.rule} subject={a.subject} done={ended} />}
      </div>
    </li>
  );
}

/** What was read when it was raised, beside the limit. */
function Far({ alarm: a, at }: { alarm: StandingAlarm; at: string }) {
  if (a.value === null || a.limit === null) return null;
  const show = (v: number) => showFigure(a.unit === '1/h' ? 'starts_per_hour_max' : '', v, a.unit, undefined, units.value);
  const [value, limit] = [show(a.value), show(a.limit)];
  return <p class="far-from">When it was raised: <Num value={a.value} at={`${at}/value`}>{value.value}</Num> {value.unit}; the limit is <Num value={a.limit} at={`${at}/limit`}>{limit.value}</Num> {limit.unit}.</p>;
}

function Acknowledge({ alarm: a, done }: { alarm: StandingAlarm; done: (answer: Alarms) => void }) {
  const form = useForm(async (get) => {
    done((await post('/api/v1/alarms/acknowledge', { id: a.id, who: whoIs(get), ...(get('why') ? { why: get('why') } : {}) })) as Alarms);
    return '';
  });
  return (
    <form class="form-sheet" onSubmit={form.submit} noValidate aria-label={`Acknowledge ${a.rule}`}>
      <p class="aside">That you have seen it and see to it. It mends nothing, and the alarm stands until what is wrong is over.</p>
      <div class="field">
        <label for={`${form.id}-y`}>What you do about it; it may stay empty</label>
        <input id={`${form.id}-y`} name="why" maxLength={500} {...form.bad('why')} /><Why form={form} field="why" />
      </div>
      <WhoField form={form} />
      <Why form={form} field="" />
      <div class="form-end"><button type="submit" disabled={form.busy.value}>Acknowledge it</button></div>
    </form>
  );
}
