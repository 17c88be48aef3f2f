// Adding a person, and what is done to one: another role, another password, away.
import { useSignal } from '@preact/signals';
import { ApiError, post, type Door, type DoorPeople, type DoorPerson } from '../api';
import { Password, typed } from '../door/password';
import { cameIn, door, doubt, type Role } from '../door/state';
import { Mistake, useForm, Why } from '../night/form';

const path = '/api/v1/door/people';

type Done = (answer: DoorPeople) => void;

const roles: { role: Role; title: string; what: string }[] = [
  { role: 'look', title: 'Look', what: 'sees everything that is measured, changes nothing' },
  { role: 'operate', title: 'Operate', what: 'writes notes, does tests, answers alarms, sets up, and lets others in' },
];

export function AddPerson({ done }: { done: Done }) {
  const open = useSignal(false);
  const form = useForm(async (get, f) => {
    if (!get('name')) throw new Mistake('name', 'write the name');
    if (!typed(f, 'password')) throw new Mistake('password', 'choose a password');
    const name = get('name');
    const answer = (await post(path, { name, role: get('role'), password: typed(f, 'password') })) as DoorPeople;
    f.reset();
    open.value = false;
    done(answer);
    return `${name} may come in now.`;
  });
  const id = form.id;
  return (
    <div class="add">
      <button type="button" aria-expanded={open.value} onClick={() => { open.value = !open.value; }}>{open.value ? 'Leave it' : 'Let somebody in …'}</button>
      {open.value && (
        <form class="form-sheet" method="post" onSubmit={form.submit} noValidate aria-label="Let somebody in">
          <div class="field">
            <label for={`${id}-n`}>Name</label>
            <input id={`${id}-n`} name="name" maxLength={64} autocomplete="off" autocapitalize="off" spellcheck={false} required {...form.bad('name')} />
            <Why form={form} field="name" />
          </div>
          <fieldset class="roles">
            <legend>Role</legend>
            {roles.map((r, i) => <label key={r.role}><input type="radio" name="role" value={r.role} defaultChecked={i === 0} /><span>{r.title}<span class="hint">: {r.what}</span></span></label>)}
          </fieldset>
          <Why form={form} field="role" />
          <Password form={form} name="password" label="First password, which they can change" fresh />
          <Why form={form} field="" />
          <div class="form-end"><button type="submit" disabled={form.busy.value}>Let them in</button></div>
        </form>
      )}
      <p class="aside" role="status" data-words>{form.kept.value}</p>
    </div>
  );
}

type Act = 'role' | 'password' | 'remove';

/** alone: the last one who may operate, who cannot be taken away. */
export function PersonActs({ person: p, alone, done }: { person: DoorPerson; alone: boolean; done: Done }) {
  const act = useSignal<Act | ''>('');
  const other: Role = p.role === 'operate' ? 'look' : 'operate';
  const self = p.name === door.value?.person?.name;
  const ended = (answer: DoorPeople) => {
    act.value = '';
    done(answer);
    if (self) doubt.value += 1; // what I may do may have changed
  };
  const titles: [Act, string][] = [['role', other === 'operate' ? 'Let operate …' : 'Let look only …'], ...(self ? [] : [['password', 'Set a new password …'] as [Act, string]]), ['remove', 'Remove …']];
  const shown = alone ? titles.filter(([a]) => a === 'password') : titles;
  return (
    <>
      <div class="acts">
        {shown.map(([a, title]) => <button key={a} type="button" class="plain" aria-expanded={act.value === a} onClick={() => { act.value = act.value === a ? '' : a; }}>{act.value === a ? 'Leave it' : title}<span class="visually-hidden" data-words>: {p.name}</span></button>)}
        {alone && <span class="aside">The last one who may operate can be neither removed nor made to look only.</span>}
      </div>
      {act.value === 'role' && <Sure key="role" text={other === 'operate' ? `${p.name} may then do everything, and let others in.` : `${p.name} may then change nothing; it holds at once.`} word={other === 'operate' ? 'Let operate' : 'Let look only'} send={() => post(path, { name: p.name, role: other })} done={ended} />}
      {act.value === 'remove' && <Sure key="remove" text={`${p.name} is signed out everywhere at once and may not come in again. What ${p.name} wrote stays.`} word="Remove" send={() => post(`${path}/remove`, { name: p.name })} done={ended} />}
      {act.value === 'password' && <NewPassword person={p} done={ended} />}
    </>
  );
}

function Sure({ text, word, send, done }: { text: string; word: string; send: () => Promise<unknown>; done: Done }) {
  const form = useForm(async () => {
    done((await send()) as DoorPeople);
    return '';
  });
  return (
    <form class="form-sheet" onSubmit={form.submit} noValidate aria-label={word}>
      <p data-words>{text}</p>
      <Why form={form} field="" />
      <div class="form-end"><button type="submit" disabled={form.busy.value}>{word}</button></div>
    </form>
  );
}

function NewPassword({ person: p, done }: { person: DoorPerson; done: Done }) {
  const form = useForm(async (_get, f) => {
    if (!typed(f, 'password')) throw new Mistake('password', 'choose a password');
    done((await post(path, { name: p.name, role: p.role, password: typed(f, 'password') })) as DoorPeople);
    return '';
  });
  return (
    <form class="form-sheet" method="post" onSubmit={form.submit} noValidate aria-label={`A new password for ${p.name}`}>
      <p class="aside">It ends every session of <span data-words>{p.name}</span>. Tell it them by voice; they can change it here.</p>
      <Password form={form} name="password" label="New password" fresh />
      <Why form={form} field="" />
      <div class="form-end"><button type="submit" disabled={form.busy.value}>Set it</button></div>
    </form>
  );
}

/** name: whose, for the browser that keeps passwords. */
export function OwnPassword({ name, done }: { name: string; done: () => void }) {
  const form = useForm(async (_get, f) => {
    if (!typed(f, 'old')) throw new Mistake('old', 'write the password that you have');
    if (!typed(f, 'new')) throw new Mistake('new', 'choose a new password');
    const now = (await post('/api/v1/door/password', { old: typed(f, 'old'), new: typed(f, 'new') }).catch((e: unknown) => {
      if (!(e instanceof ApiError) || e.field !== 'password') throw e;
      throw e.status === 401 ? new Mistake('old', 'it is not your password') : new Mistake('new', e.message);
    })) as Door;
    cameIn(now);
    f.reset();
    done();
    return 'The new password holds. Your other sessions were ended.';
  });
  return (
    <form class="form-sheet" method="post" onSubmit={form.submit} noValidate aria-label="Change your own password">
      <input class="visually-hidden" name="name" autocomplete="username" defaultValue={name} readOnly tabIndex={-1} aria-hidden="true" />
      <Password form={form} name="old" label="The password that you have" fresh={false} />
      <Password form={form} name="new" label="The new one" fresh />
      <Why form={form} field="" />
      <div class="form-end"><button type="submit" disabled={form.busy.value}>Change it</button></div>
      <p class="aside" role="status">{form.kept.value}</p>
    </form>
  );
}
