// Says what is to be tried: fields for the usual settings, each with what it is
// now, and lines for all the others.
import { useId, useRef, useState } from 'preact/hooks';
import { answerOf, type ReplayAlternative, type ReplayListed, type ReplayNow } from '../api';
import { useAsked, type Pace } from '../api/asked';
import { capital } from '../look/words';
import { displayOf, write, type UnitSystem } from '../units/units';
import { fieldsOf, moreSettings, restOf, type Field } from './fields';

export interface Wrong {
  field: string;
  message: string;
}

export interface FormProps {
  /** what it begins with; undefined: a new one */
  from: ReplayAlternative | undefined;
  settings: ReplayNow[] | undefined;
  machines: string[];
  names: string[];
  wrong: Wrong | undefined;
  busy: boolean;
  pace: Pace;
  system: UnitSystem;
  put: (a: ReplayAlternative) => void;
  close: () => void;
}

export function SettingsForm({ from, settings, machines, names, wrong, busy, pace, system, put, close }: FormProps) {
  const id = useId();
  const form = useRef<HTMLFormElement>(null);
  const [own, setOwn] = useState<Wrong | undefined>(undefined);
  const listed = useAsked(pace, { key: 'machines', ask: (s) => answerOf('/api/v1/replay/machines', new URLSearchParams(), s) });
  const list = listed.value.value?.machines ?? [];
  const groups = fieldsOf(settings, machines);
  const places = machines.map((m) => `${m}.replace`);
  const keys = [...groups.flatMap((g) => g.fields.map((f) => f.key)), ...places];
  const bad = own ?? wrong;
  const known = bad && (keys.includes(bad.field) || bad.field === 'name');
  const submit = (e: SubmitEvent) => {
    e.preventDefault();
    const data = new FormData(e.currentTarget as HTMLFormElement);
    const get = (name: string) => String(data.get(name) ?? '').trim();
    const more = moreSettings(get('more'));
    if (more.wrong) return setOwn({ field: 'more', message: `“${more.wrong}” is no setting: write key=value, like comp1.cut_out=112 psi` });
    const set = [...keys.map((key) => ({ key, value: get(key) })).filter((s) => s.value !== ''), ...more.set];
    if (set.length === 0) return setOwn({ field: 'more', message: 'nothing is changed: fill in one setting at least' });
    const name = get('name') || nameOf(set.map((s) => `${s.key} ${s.value}`), names);
    if (name !== from?.name && names.includes(name)) return setOwn({ field: 'name', message: 'another alternative has this name' });
    setOwn(undefined);
    put({ name, set });
  };
  const note = (field: string) => bad && bad.field === field && <p class="warn" id={`${id}-${field}-why`} role="alert">{capital(bad.message)}.</p>;
  const marked = (field: string) => (bad && bad.field === field ? { 'aria-invalid': true as const, 'aria-describedby': `${id}-${field}-why` } : {});
  const value = (key: string) => from?.set.find((s) => s.key === key)?.value ?? '';
  return (
    <form class="try-form" ref={form} onSubmit={submit} noValidate aria-labelledby={`${id}-title`}>
      <h2 id={`${id}-title`}>{from ? <>Change “<span data-words>{from.name}</span>”</> : 'Try other settings'}</h2>
      <p class="aside">Fill in what is to be different; what is left empty stays as it is. Nothing of it is sent to a machine.</p>
      <p class="one-field"><label for={`${id}-name`}>Name</label><input id={`${id}-name`} name="name" maxLength={60} defaultValue={from?.name ?? ''} placeholder="like Narrow band" {...marked('name')} />{note('name')}</p>
      {groups.map((g) => (
        <fieldset key={g.whose}>
          <legend>{g.whose || 'The plant'}</legend>
          <div class="fields">
            {g.fields.map((f) => <Setting key={f.key} id={`${id}-${f.key}`} field={f} value={value(f.key)} marked={marked(f.key)} note={note(f.key)} />)}
            {g.whose && (
              <p class="one-field">
                <label for={`${id}-${g.whose}.replace`}>Another machine in its place</label>
                <select id={`${id}-${g.whose}.replace`} name={`${g.whose}.replace`} {...marked(`${g.whose}.replace`)}>
                  <option value="">as it stands</option>
                  {list.map((m) => <option key={m.id} value={m.id} selected={value(`${g.whose}.replace`) === m.id}>{listedWords(m, system)}</option>)}
                </select>
                {listed.error.value && <span class="warn">The list of machines could not be fetched: {listed.error.value}.</span>}
                {note(`${g.whose}.replace`)}
              </p>
            )}
          </div>
        </fieldset>
      ))}
      <details open={restOf(from, keys) !== '' || bad?.field === 'more'}>
        <summary>More settings: another machine beside, users, order, base and trim</summary>
        <label for={`${id}-more`}>One a line, key=value; docs/replay.md has all keys</label>
        <textarea id={`${id}-more`} name="more" rows={3} defaultValue={restOf(from, keys)} placeholder={'add.second=screw-15hp\nuser.blast_cabinet=+20 cfm Mon-Fri 07:00-16:00'} {...marked('more')} />
      </details>
      {note('more')}
      {bad && !known && bad.field !== 'more' && <p class="warn" role="alert"><code>{bad.field}</code>: {bad.message}.</p>}
      <p class="acts"><button type="submit" disabled={busy}>{busy ? 'Replaying …' : 'Replay with these'}</button> <button type="button" onClick={close}>Close</button></p>
    </form>
  );
}

function Setting({ id, field: f, value, marked, note }: { id: string; field: Field; value: string; marked: object; note: preact.ComponentChildren }) {
  return (
    <p class="one-field">
      <label for={id}>{f.label}</label>
      {f.choices ? (
        <select id={id} name={f.key} {...marked}>
          <option value="">{f.now ? `as it is: ${f.now}` : 'as it is'}</option>
          {f.choices.map((c) => <option key={c} value={c} selected={c === value}>{c}</option>)}
        </select>
      ) : <input id={id} name={f.key} defaultValue={value} placeholder={f.example} autoComplete="off" {...marked} />}
      {f.now && !f.choices && <span class="aside" data-words title={f.basis}>now {f.now}</span>}
      {note}
    </p>
  );
}

function listedWords(m: ReplayListed, system: UnitSystem): string {
  const flow = displayOf('flow', system);
  return `${m.id}: ${m.about}${flow ? `, ${write(flow, m.rated_flow_m3s)}` : ''}`;
}

/** A name from what is set, for who gives none. */
function nameOf(settings: string[], taken: string[]): string {
  const name = settings.slice(0, 2).join(', ').replaceAll('_', ' ').slice(0, 50);
  for (let n = 2, free = name; ; n++) {
    if (!taken.includes(free)) return free;
    free = `${name} ${n}`;
  }
}
