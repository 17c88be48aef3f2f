// What a person says: that an audit begins, and of a step that it was looked at.
import { useSignal } from '@preact/signals';
import { useId } from 'preact/hooks';
import { ApiError, post, type AuditBegin, type AuditMark } from '../api';
import { addDays } from '../look/days';
import { sayAuthor, storedAuthor } from '../settings';
import { localDate } from '../units/words';

interface Wrong {
  field: string;
  message: string;
}

const wrongOf = (e: unknown): Wrong => ({ field: e instanceof ApiError ? e.field : '', message: e instanceof Error ? e.message : String(e) });
const sentence = (s: string) => `${s.charAt(0).toUpperCase()}${s.slice(1)}${s.endsWith('.') ? '' : '.'}`;

/** Posts a form once at a time; what is wrong stands at its field. */
function useSend(at: string, done: () => void) {
  const wrong = useSignal<Wrong>({ field: '', message: '' });
  const busy = useSignal(false);
  const id = useId();
  return {
    busy,
    send: async (form: HTMLFormElement, body: AuditBegin | AuditMark) => {
      busy.value = true;
      try {
        await post(at, body);
        wrong.value = { field: '', message: '' };
        sayAuthor(body.who);
        form.reset();
        done();
      } catch (e) {
        wrong.value = wrongOf(e);
      } finally {
        busy.value = false;
      }
    },
    bad: (field: string) => (wrong.value.field === field && wrong.value.message ? { 'aria-invalid': true, 'aria-describedby': `${id}-${field}` } : {}),
    why: (field: string) => wrong.value.field === field && wrong.value.message && <p class="warn" role="alert" id={`${id}-${field}`}>{sentence(wrong.value.message)}</p>,
  };
}

export function BeginForm({ zone, now, done, another }: { zone: string; now: number; done: () => void; another: boolean }) {
  const { busy, send, bad, why } = useSend('/api/v1/audit/begin', done);
  const id = useId();
  const submit = (e: SubmitEvent) => {
    e.preventDefault();
    const form = e.currentTarget as HTMLFormElement;
    const said = new FormData(form);
    void send(form, { who: String(said.get('who') ?? ''), ends: String(said.get('ends') ?? '') });
  };
  return (
    <form class="begin" onSubmit={submit} noValidate aria-labelledby={`${id}-t`}>
      <h2 id={`${id}-t`}>{another ? 'Begin another audit' : 'Begin the audit'}</h2>
      <p class="aside">The checks of the first hour and half way are counted from now; tests, alternatives and report count from then on. {another ? 'What was said of the one before stays in the record.' : ''}</p>
      <div class="fields">
        <div><label for={`${id}-w`}>Who does it</label><input id={`${id}-w`} name="who" maxLength={80} autocomplete="name" defaultValue={storedAuthor()} {...bad('who')} />{why('who')}</div>
        <div><label for={`${id}-e`}>Planned last day</label><input id={`${id}-e`} name="ends" type="date" defaultValue={addDays(localDate(now, zone), 7)} {...bad('ends')} />{why('ends')}</div>
        <button type="submit" disabled={busy.value}>{busy.value ? 'Beginning …' : 'Begin'}</button>
      </div>
      {why('')}
    </form>
  );
}

export function MarkForm({ step, title, open, done }: { step: string; title: string; open: boolean; done: () => void }) {
  const { busy, send, bad, why } = useSend('/api/v1/audit/mark', done);
  const id = useId();
  const submit = (e: SubmitEvent) => {
    e.preventDefault();
    const form = e.currentTarget as HTMLFormElement;
    const said = new FormData(form);
    void send(form, { step, who: String(said.get('who') ?? ''), text: String(said.get('text') ?? '') });
  };
  return (
    <details class="say">
      <summary>{open ? 'Say why it is well as it is' : 'Say something of it'}<span class="visually-hidden">: {title}</span></summary>
      <form onSubmit={submit} noValidate aria-label={`Say something of: ${title}`}>
        <label for={`${id}-t`}>What was seen, or why it is accepted</label>
        <textarea id={`${id}-t`} name="text" rows={2} maxLength={2000} {...bad('text')} />
        {why('text')}
        <label for={`${id}-w`}>Your name</label>
        <input id={`${id}-w`} name="who" maxLength={80} autocomplete="name" defaultValue={storedAuthor()} {...bad('who')} />
        {why('who')}{why('step')}{why('')}
        <button type="submit" disabled={busy.value}>{busy.value ? 'Keeping it …' : 'Keep it'}</button>
      </form>
    </details>
  );
}
