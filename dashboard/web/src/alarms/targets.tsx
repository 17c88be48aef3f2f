// To whom alarms are told, what waits to be sent, and a message to try it.
import { useSignal } from '@preact/signals';
import { post, type Alarms, type AlarmTarget, type AlarmTested } from '../api';
import { mayOperate } from '../door/state';
import { Num } from '../figure/number';
import { At } from './moment';
import type { Shared } from './standing';

export function Targets({ answer, zone, now }: Shared & { answer: Alarms }) {
  return (
    <section aria-labelledby="targets-title">
      <h2 id="targets-title">Who is told</h2>
      {answer.targets.length === 0 && <p>Nobody: alarms stand on these pages alone. <code>[mail]</code> and <code>[[webhook]]</code> in the site file say who is told; docs/alarm-messages.md has both.</p>}
      <ul class="targets">{answer.targets.map((t, i) => <Target key={t.name} target={t} at={`/targets/${i}`} zone={zone} now={now} />)}</ul>
    </section>
  );
}

function Target({ target: t, at, zone, now }: { target: AlarmTarget; at: string; zone: string; now: number }) {
  const tested = useSignal<{ busy: boolean; ok?: boolean; words: string }>({ busy: false, words: '' });
  const moment = (stamp: string) => <At stamp={stamp} zone={zone} now={now} />;
  const test = async () => {
    tested.value = { busy: true, words: '' };
    try {
      const r = (await post('/api/v1/alarms/test', { target: t.name })) as AlarmTested;
      tested.value = { busy: false, ok: r.ok, words: r.answer };
    } catch (e) {
      tested.value = { busy: false, ok: false, words: e instanceof Error ? e.message : String(e) };
    }
  };
  const { busy, ok, words } = tested.value;
  return (
    <li data-target={t.name}>
      <h3><span data-words>{t.name}</span><span class="role-word"> {t.kind === 'mail' ? 'mail' : 'webhook'} to <span data-words>{t.to}</span></span></h3>
      <p>
        {t.last_sent ? <>Last sent {moment(t.last_sent)}</> : 'Nothing was sent yet'}
        {t.waiting > 0 ? <>; <Num value={t.waiting} at={`${at}/waiting`}>{t.waiting}</Num> {t.waiting === 1 ? 'message waits' : 'messages wait'}</> : '; nothing waits'}
        {t.given_up > 0 && <>; <Num value={t.given_up} at={`${at}/given_up`}>{t.given_up}</Num> given up</>}.
      </p>
      {t.failing_since && <p class="warn">It fails since {moment(t.failing_since)}: <span data-words>{t.why}</span>. What waits is sent when it works again, with its true time.</p>}
      {mayOperate.value && <button type="button" disabled={busy} onClick={() => void test()}>{busy ? 'Sending …' : 'Send a test message'}<span class="visually-hidden" data-words> to {t.name}</span></button>}
      <p role="status" class={ok === false ? 'warn tested' : 'tested'}>{words && <>{ok ? 'It was taken' : 'It was not taken'}: <span data-words>{words}</span>.</>}</p>
    </li>
  );
}
