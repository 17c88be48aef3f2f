// A password's field: hidden as it is typed, or shown, so that it need not be typed twice.
import { useSignal } from '@preact/signals';
import { Why, type Form } from '../night/form';

/** So many characters a password has at least, as the server asks. */
const leastCharacters = 10;

/** fresh: one that is made here, not one that exists. */
export function Password({ form, name, label, fresh }: { form: Form; name: string; label: string; fresh: boolean }) {
  const shown = useSignal(false);
  const id = `${form.id}-in-${name}`;
  // The types know a field of one kind only, and another element would lose what was typed.
  return (
    <div class="field">
      <label for={id}>{label}{fresh && <span class="hint">, {leastCharacters} characters or more; a few words make a good one</span>}</label>
      <span class="password">
        <input id={id} name={name} type={(shown.value ? 'text' : 'password') as 'password'} maxLength={200} autocomplete={fresh ? 'new-password' : 'current-password'} autocapitalize="off" spellcheck={false} required {...form.bad(name)} />
        <button type="button" aria-pressed={shown.value} aria-controls={id} onClick={() => { shown.value = !shown.value; }}>Show<span class="visually-hidden"> the characters of: {label}</span></button>
      </span>
      <Why form={form} field={name} />
    </div>
  );
}

/** A field as it was typed: spaces belong to a password. */
export function typed(form: HTMLFormElement, name: string): string {
  const field = form.elements.namedItem(name);
  return field instanceof HTMLInputElement ? field.value : '';
}
