// What a person says: that an audit begins, and of a step that it was looked at.
import { useId } from 'preact/hooks';
import { post, type AuditBegin, type AuditMark } from '../api';
import { addDays } from '../look/days';
import { useForm, Why } from '../night/form';
import { localDate } from '../units/words';

/** Posts what body makes of the fields. */
function useSend(at: string, body: (get: (name: string) => string) => AuditBegin | AuditMark, done: () => void) {
  return useForm(async (get, form) => {
    await post(at, body(get));
    form.reset();
    done();
    return '';
  });
}

export function BeginForm({ zone, now, done, another }: { zone: string; now: number; done: () => void; another: boolean }) {
  const form = useSend('/api/v1/audit/begin', (get) => ({ who: get('who'), ends: get('ends') }), done);
  const id = useId();
  return (
    <form class="begin" onSubmit={form.submit} noValidate aria-labelledby={`${id}-t`}>
      <h2 id={`${id}-t`}>{another ? 'Begin another audit' : 'Begin the audit'}</h2>
      <p class="aside">The checks of the first hour and half way are counted from now; tests, alternatives and report count from then on. {another ? 'What was said of the one before stays in the record.' : ''}</p>
      <div class="fields">
        <div><label for={`${id}-w`}>Who does it</label><input id={`${id}-w`} name="who" maxLength={80} autocomplete="name" defaultValue={form.author} {...form.bad('who')} /><Why form={form} field="who" /></div>
        <div><label for={`${id}-e`}>Planned last day</label><input id={`${id}-e`} name="ends" type="date" defaultValue={addDays(localDate(now, zone), 7)} {...form.bad('ends')} /><Why form={form} field="ends" /></div>
        <button type="submit" disabled={form.busy.value}>{form.busy.value ? 'Beginning …' : 'Begin'}</button>
      </div>
      <Why form={form} field="" />
    </form>
  );
}

export function MarkForm({ step, title, open, done }: { step: string; title: string; open: boolean; done: () => void }) {
  const form = useSend('/api/v1/audit/mark', (get) => ({ step, who: get('who'), text: get('text') }), done);
  const id = useId();
  return (
    <details class="say">
      <summary>{open ? 'Say why it is well as it is' : 'Say something of it'}<span class="visually-hidden">: {title}</span></summary>
      <form onSubmit={form.submit} noValidate aria-label={`Say something of: ${title}`}>
        <label for={`${id}-t`}>What was seen, or why it is accepted</label>
        <textarea id={`${id}-t`} name="text" rows={2} maxLength={2000} {...form.bad('text')} />
        <Why form={form} field="text" />
        <label for={`${id}-w`}>Your name</label>
        <input id={`${id}-w`} name="who" maxLength={80} autocomplete="name" defaultValue={form.author} {...form.bad('who')} />
        <Why form={form} field="who" /><Why form={form} field="" />
        <button type="submit" disabled={form.busy.value}>{form.busy.value ? 'Keeping it …' : 'Keep it'}</button>
      </form>
    </details>
  );
}
