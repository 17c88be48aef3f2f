// Shelving: an alarm tells nobody for a while, with who says so and why.
import { post, type Alarms } from '../api';
import { door } from '../door/state';
import { useForm, Why, type Form } from '../night/form';

const spans: [string, string][] = [['1h', 'an hour'], ['4h', 'four hours'], ['8h', 'eight hours'], ['24h', 'a day'], ['72h', 'three days'], ['168h', 'seven days, the longest']];

/** Who does it: the person who is signed in, else the one who is named. */
export const whoIs = (get: (name: string) => string): string => door.peek()?.person?.name ?? get('who');

/** Nothing where a person is signed in: that is known. */
export function WhoField({ form }: { form: Form }) {
  if (door.value?.person) return <><p class="aside">As <span data-words>{door.value.person.name}</span>.</p><Why form={form} field="who" /></>;
  return (
    <div class="field">
      <label for={`${form.id}-w`}>Your name</label>
      <input id={`${form.id}-w`} name="who" maxLength={80} autocomplete="name" defaultValue={form.author} {...form.bad('who')} />
      <Why form={form} field="who" />
    </div>
  );
}

/** subject: left out, the rule is shelved for all that it watches. */
export function ShelveForm({ rule, subject, done }: { rule: string; subject?: string; done: (answer: Alarms) => void }) {
  const form = useForm(async (get) => {
    done((await post('/api/v1/alarms/shelve', { rule, ...(subject ? { subject } : {}), for: get('for'), who: whoIs(get), why: get('why') })) as Alarms);
    return '';
  });
  return (
    <form class="form-sheet" onSubmit={form.submit} noValidate aria-label={`Shelve ${rule}${subject ? `, ${subject}` : ''}`}>
      <p class="aside">It is watched and written down all the same, but tells nobody and asks for no look until the time is over.</p>
      <div class="field">
        <label for={`${form.id}-f`}>For</label>
        <select id={`${form.id}-f`} name="for" {...form.bad('for')}>{spans.map(([value, title]) => <option key={value} value={value}>{title}</option>)}</select>
        <Why form={form} field="for" />
      </div>
      <div class="field">
        <label for={`${form.id}-y`}>Why</label>
        <input id={`${form.id}-y`} name="why" maxLength={500} {...form.bad('why')} /><Why form={form} field="why" />
      </div>
      <WhoField form={form} />
      <Why form={form} field="" />
      <div class="form-end"><button type="submit" disabled={form.busy.value}>Shelve it</button></div>
    </form>
  );
}

/** subject: of what it was shelved; left out, of all. */
export function Unshelve({ rule, subject, done }: { rule: string; subject?: string; done: (answer: Alarms) => void }) {
  const form = useForm(async (get) => {
    done((await post('/api/v1/alarms/unshelve', { rule, ...(subject ? { subject } : {}), who: whoIs(get) })) as Alarms);
    return '';
  });
  return (
    <form class="form-sheet" onSubmit={form.submit} noValidate aria-label={`Take ${rule} off the shelf`}>
      <WhoField form={form} />
      <Why form={form} field="" />
      <div class="form-end"><button type="submit" disabled={form.busy.value}>Take it off the shelf</button></div>
    </form>
  );
}
