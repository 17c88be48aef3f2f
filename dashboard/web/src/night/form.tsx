// A small form: what was wrong stands at its field, the name of who writes is
// remembered by the browser.
import { useSignal, type Signal } from '@preact/signals';
import { useId } from 'preact/hooks';
import { ApiError } from '../api';
import { capital } from '../look/words';
import { sayAuthor, storedAuthor } from '../settings';

/** Something wrong with a field, found before it is sent. */
export class Mistake extends Error {
  constructor(readonly field: string, message: string) { super(message); }
}

export interface Form {
  id: string;
  author: string;
  wrong: Signal<{ field: string; message: string }>;
  kept: Signal<string>;
  busy: Signal<boolean>;
  /** the fields that the form has: what is wrong with another stands at the end */
  submit: (e: SubmitEvent) => void;
  bad: (field: string) => { 'aria-invalid'?: true; 'aria-describedby'?: string };
}

function ancestors(of: Element): Element[] {
  const all: Element[] = [];
  for (let e = of.parentElement; e; e = e.parentElement) all.push(e);
  return all;
}

/** Where a form is taken away with the focus in it, the focus goes to the nearest button that opens one, so that the keyboard goes on from there. */
function focusNear(form: Element, around: Element[]): void {
  if (form.isConnected || (document.activeElement !== null && document.activeElement !== document.body)) return;
  for (const e of around.filter((a) => a.isConnected)) {
    const button = e.querySelector<HTMLElement>('button[aria-expanded]');
    if (button ?? e.localName === 'main') return (button ?? (e as HTMLElement)).focus();
  }
}

/** send gets the fields, trimmed; it gives what to say of what was kept. */
export function useForm(send: (get: (name: string) => string, form: HTMLFormElement) => Promise<string>): Form {
  const id = useId();
  const wrong = useSignal({ field: '', message: '' });
  const kept = useSignal('');
  const busy = useSignal(false);
  const submit = (e: SubmitEvent) => {
    e.preventDefault();
    if (busy.peek()) return; // once is enough
    const form = e.currentTarget as HTMLFormElement;
    const data = new FormData(form);
    const get = (name: string) => String(data.get(name) ?? '').trim();
    const around = ancestors(form);
    busy.value = true;
    kept.value = '';
    send(get, form).then(
      (said) => {
        wrong.value = { field: '', message: '' };
        kept.value = said;
        if (get('who')) sayAuthor(get('who'));
      },
      (error: unknown) => {
        const field = error instanceof ApiError || error instanceof Mistake ? error.field : '';
        wrong.value = { field: form.elements.namedItem(field) ? field : '', message: error instanceof Error ? error.message : String(error) };
        const at = field ? form.elements.namedItem(field) : null;
        if (at instanceof HTMLElement) {
          at.closest('details')?.setAttribute('open', ''); // what is wrong is not told where nobody sees it
          at.focus();
        }
      },
    ).finally(() => {
      busy.value = false;
      setTimeout(() => focusNear(form, around)); // when it is drawn what came of it
    });
  };
  const bad = (field: string) => (wrong.value.message && wrong.value.field === field ? { 'aria-invalid': true as const, 'aria-describedby': `${id}-${field}` } : {});
  return { id, author: storedAuthor(), wrong, kept, busy, submit, bad };
}

/** What is wrong with a field; with an empty one: with what no field is at fault for. */
export function Why({ form, field }: { form: Form; field: string }) {
  const { message, field: at } = form.wrong.value;
  if (!message || at !== field) return null;
  return <p class="warn" id={`${form.id}-${field}`} role="alert"><span data-words>{capital(message)}</span>.</p>;
}
