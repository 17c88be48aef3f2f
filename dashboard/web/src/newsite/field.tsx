// One question: what is asked, where the answer stands, what is lost without it,
// and what loadscribe says of the answer.
import { signal } from '@preact/signals';
import type { ComponentChildren } from 'preact';
import type { DraftChecked } from '../api';
import { sentence } from '../look/words';
import { put, remarksAt, textAt, valueAt } from './draft';

/** The newest answer of the check. */
export const checked = signal<DraftChecked | undefined>(undefined);

interface Asked {
  at: string;
  label: string;
  /** where the answer is found, and how it is written */
  hint?: string;
  /** what is lost when it stays empty */
  without?: string;
}

function Remarks({ at }: { at: string }) {
  const of = checked.value;
  if (!of) return null;
  return (
    <div class="remarks" id={`r-${at}`}>
      {remarksAt(of.problems, at).map((r) => <p key={r.message} class="warn"><strong>To mend: </strong>{sentence(r.message)} {r.mend && sentence(r.mend)}</p>)}
      {remarksAt(of.warnings, at).map((r) => <p key={r.message} class="doubt"><strong>Is this meant? </strong>{sentence(r.message)} {r.mend && sentence(r.mend)}</p>)}
    </div>
  );
}

/** The remarks of a group of fields, which belong to none of them alone. */
export const GroupRemarks = ({ at }: { at: string }) => <div id={`f-${at}`} tabIndex={-1} class="of-group"><Remarks at={at} /></div>;

function Frame({ at, label, hint, without, children }: Asked & { children: ComponentChildren }) {
  return (
    <div class="ask">
      <label for={`f-${at}`}>{label}</label>
      {children}
      {(hint || without) && <p class="aside" id={`h-${at}`}>{hint} {without && <span class="without">Left out: {without}</span>}</p>}
      <Remarks at={at} />
    </div>
  );
}

const described = ({ at, hint, without }: Asked) => ({
  id: `f-${at}`, name: at, 'aria-describedby': `${hint || without ? `h-${at} ` : ''}r-${at}`,
  'aria-invalid': checked.value !== undefined && remarksAt(checked.value.problems, at).length > 0 ? true : undefined,
});

/** A short text. suggest are answers to pick from; others may be typed. */
export function Text({ suggest, type = 'text', onText, ...asked }: Asked & { suggest?: { value: string; label?: string }[]; type?: 'text' | 'date'; onText?: (text: string) => void }) {
  const list = suggest && suggest.length > 0 ? `l-${asked.at}` : undefined;
  return (
    <Frame {...asked}>
      <input
        {...described(asked)} type={type} value={textAt(asked.at)} list={list} maxLength={200} spellcheck={false} autocomplete="off"
        onInput={(e) => (onText ?? ((text) => put(asked.at, text)))(e.currentTarget.value)}
      />
      {list && <datalist id={list}>{suggest?.map((s) => <option key={s.value} value={s.value}>{s.label}</option>)}</datalist>}
    </Frame>
  );
}

/** Several texts, one on each line; with one, a text that may have line breaks. */
export function Area({ one, rows = 2, ...asked }: Asked & { one?: boolean; rows?: number }) {
  const value = valueAt(asked.at);
  return (
    <Frame {...asked}>
      <textarea
        {...described(asked)} rows={rows} spellcheck={one} value={Array.isArray(value) ? value.join('\n') : textAt(asked.at)}
        onInput={(e) => put(asked.at, one ? e.currentTarget.value : e.currentTarget.value.split('\n'))}
      />
    </Frame>
  );
}

export interface Option {
  value: string;
  label: string;
}

export function Choice({ options, onPick, ...asked }: Asked & { options: Option[]; onPick?: (value: string) => void }) {
  const value = textAt(asked.at);
  const all = options.some((o) => o.value === value) ? options : [{ value, label: value ? `${value} (not there)` : 'choose' }, ...options];
  return (
    <Frame {...asked}>
      <select {...described(asked)} onChange={(e) => (onPick ?? ((v) => put(asked.at, v)))(e.currentTarget.value)}>
        {all.map((o) => <option key={o.value} value={o.value} selected={o.value === value}>{o.label}</option>)}
      </select>
    </Frame>
  );
}

export function Tick({ label, on, set, hint, name }: { label: string; on: boolean; set: (on: boolean) => void; hint?: string; name: string }) {
  return (
    <div class="ask tick">
      <label><input type="checkbox" name={name} checked={on} onChange={(e) => set(e.currentTarget.checked)} /> {label}</label>
      {hint && <p class="aside">{hint}</p>}
    </div>
  );
}
