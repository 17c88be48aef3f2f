// What stands in place of every page before a sign-in: name and password, or, where
// nobody exists yet, the code that loadscribe printed.
import { useSignal, type Signal } from '@preact/signals';
import { useEffect, useRef } from 'preact/hooks';
import { ApiError, post, type Door as Answer } from '../api';
import { capital } from '../look/words';
import { Mistake, useForm, Why } from '../night/form';
import { clock } from '../units/words';
import './door.css';
import '../look/form.css';
import { Password, typed } from './password';
import { cameIn, door, shut } from './state';

export default function Door() {
  const box = useRef<HTMLDivElement>(null);
  const fresh = door.value?.set_up === true;
  const why = shut.value ?? '';
  useEffect(() => { (box.current?.querySelector('input') ?? box.current?.querySelector('h1'))?.focus(); }, [fresh]);
  useEffect(() => {
    const before = document.title;
    document.title = 'Sign in';
    return () => { if (document.title === 'Sign in') document.title = before; };
  }, []);
  return (
    <div class="door" ref={box}>
      <div class="sentence">
        <div>
          <h1 tabIndex={-1}>{fresh ? 'Nobody may come in yet.' : 'Sign in.'}</h1>
          {why && <p class="note-line" role="status"><span data-words>{capital(why)}</span>. What you typed is still there.</p>}
        </div>
      </div>
      {fresh ? <SetUp /> : <SignIn />}
    </div>
  );
}

/** Zone of the browser: the site's is not known before a sign-in. */
const ownZone = () => new Intl.DateTimeFormat().resolvedOptions().timeZone;

/** Posts, and comes in. While attempts are limited it keeps until when, and waits. */
function useKnock(path: string, body: (get: (name: string) => string, form: HTMLFormElement) => unknown, until: Signal<number>) {
  const timer = useRef<ReturnType<typeof setTimeout> | undefined>(undefined);
  useEffect(() => () => clearTimeout(timer.current), []);
  const knock = useForm(async (get, form) => {
    try {
      const answer = (await post(path, body(get, form))) as Answer;
      form.reset();
      cameIn(answer);
      return '';
    } catch (e) {
      if (e instanceof ApiError && e.afterS > 0) {
        until.value = Date.now() + e.afterS * 1000;
        clearTimeout(timer.current);
        timer.current = setTimeout(() => {
          until.value = 0;
          knock.wrong.value = { field: '', message: '' }; // that it must wait is over
        }, e.afterS * 1000);
      }
      throw e;
    }
  });
  return knock;
}

function Limited({ until }: { until: Signal<number> }) {
  return <p class="limited" role="status">{until.value > 0 && <>The next attempt is taken after <time dateTime={new Date(until.value).toISOString()}>{clock(until.value, ownZone())}</time>.</>}</p>;
}

function SignIn() {
  const until = useSignal(0);
  const form = useKnock('/api/v1/door/in', (get, f) => {
    if (!get('name')) throw new Mistake('name', 'write your name');
    if (!typed(f, 'password')) throw new Mistake('password', 'write your password');
    return { name: get('name'), password: typed(f, 'password') };
  }, until);
  return (
    <form class="form-sheet" method="post" onSubmit={form.submit} noValidate aria-label="Sign in">
      <div class="field">
        <label for={`${form.id}-n`}>Name</label>
        <input id={`${form.id}-n`} name="name" maxLength={64} autocomplete="username" autocapitalize="off" spellcheck={false} required {...form.bad('name')} />
        <Why form={form} field="name" />
      </div>
      <Password form={form} name="password" label="Password" fresh={false} />
      <Why form={form} field="" />
      <Limited until={until} />
      <div class="form-end"><button type="submit" class="main" disabled={form.busy.value || until.value > 0}>{form.busy.value ? 'Signing in …' : 'Sign in'}</button></div>
      <p class="aside">A forgotten password is set anew by somebody with the role operate, on the page People, or on the computer that records: <code>loadscribe people password NAME --site FILE</code></p>
    </form>
  );
}

function SetUp() {
  const until = useSignal(0);
  const form = useKnock('/api/v1/door/set-up', (get, f) => {
    if (!get('code')) throw new Mistake('code', 'write the set-up code');
    if (!get('name')) throw new Mistake('name', 'write the name that you will sign in with');
    if (!typed(f, 'password')) throw new Mistake('password', 'choose a password');
    return { code: get('code'), name: get('name'), password: typed(f, 'password') };
  }, until);
  return (
    <form class="form-sheet" method="post" onSubmit={form.submit} noValidate aria-label="Make the first person">
      <p>The first person is made here and may do everything: look, write, set, and let others in.</p>
      <p class="aside">loadscribe printed a set-up code where it was started. Where it runs as a service, or for a new one, on the computer that records: <code>loadscribe people code --site FILE</code>. A code holds for an hour and serves once. Before you enter it: the certificate that the browser warned of has the fingerprint printed with the code, or somebody is in between.</p>
      <div class="field">
        <label for={`${form.id}-c`}>Set-up code</label>
        <input id={`${form.id}-c`} name="code" maxLength={80} autocomplete="one-time-code" autocapitalize="off" spellcheck={false} required {...form.bad('code')} />
        <Why form={form} field="code" />
      </div>
      <div class="field">
        <label for={`${form.id}-n`}>Name</label>
        <input id={`${form.id}-n`} name="name" maxLength={64} autocomplete="username" autocapitalize="off" spellcheck={false} required {...form.bad('name')} />
        <Why form={form} field="name" />
      </div>
      <Password form={form} name="password" label="Password" fresh />
      <Why form={form} field="" />
      <Limited until={until} />
      <div class="form-end"><button type="submit" class="main" disabled={form.busy.value || until.value > 0}>{form.busy.value ? 'Coming in …' : 'Make the first person'}</button></div>
    </form>
  );
}
