// Says what a search may vary and what it must hold.
import { useId, useState } from 'preact/hooks';
import type { ReplayNow } from '../api';
import { capital } from '../look/words';
import { limitKeys, variesOf } from './address';
import type { Wrong } from './form';
import { units } from '../settings';
import type { UnitSystem } from '../units/units';

const ofMachine = ['cut_in', 'cut_out', 'target', 'no_load_stop', 'least_between_starts'] as const;
/** What one may write, in the units that the reader has chosen; where they are one text, for both. */
const examples: Record<string, string | Record<UnitSystem, string>> = {
  cut_in: { us: 'like 90 to 100 psi by 2 psi', si: 'like 6.2 to 6.8 bar by 0.2 bar' }, cut_out: { us: 'like 105 psi; 110 psi; as is', si: 'like 7.2 bar; 7.6 bar; as is' },
  target: { us: 'like 95 to 105 psi by 2 psi', si: 'like 6.5 to 7.3 bar by 0.2 bar' }, no_load_stop: 'like 3 min; 5 min; never',
  least_between_starts: 'like 6 min; 10 min', volume_add: { us: 'like as is; 240 gal; 400 gal', si: 'like as is; 0.9 m³; 1.5 m³' }, leaks_mended: 'like as is; 50 %',
  lowest_pressure: { us: 'like 88 psi', si: 'like 6.1 bar' }, starts_per_hour: 'like 6', cycles_per_hour: 'like 20',
  below_minimum: 'like 5 min; empty: what there is now', short: { us: 'like 50 ft³', si: 'like 1.5 m³' },
};
const limitWords: Record<(typeof limitKeys)[number], string> = {
  lowest_pressure: 'Lowest pressure, at least', starts_per_hour: 'Starts in an hour, at most', cycles_per_hour: 'Load cycles a running hour, at most',
  below_minimum: 'Time below the minimum, at most', short: 'Air that users go without, at most',
};

function exampleOf(key: string, system: UnitSystem): string {
  const text = examples[key] ?? '';
  return typeof text === 'string' ? text : text[system];
}

interface SearchFormProps {
  query: URLSearchParams;
  settings: ReplayNow[];
  machines: string[];
  wrong: Wrong | undefined;
  busy: boolean;
  put: (query: URLSearchParams) => void;
}

export function SearchForm({ query, settings, machines, wrong, busy, put }: SearchFormProps) {
  const id = useId();
  const given = variesOf(query);
  const [nothing, setNothing] = useState(false);
  // Hours are not searched: their values have semicolons of their own.
  const keys = [...settings.filter((n) => n.machine && machines.includes(n.machine) && ofMachine.some((k) => n.key.endsWith(`.${k}`))).map((n) => ({ key: n.key, label: `${n.machine}: ${n.name}`, now: n.text })),
    { key: 'volume_add', label: 'Receiver added', now: '' }, { key: 'leaks_mended', label: 'Leaks mended', now: '' }];
  const submit = (e: SubmitEvent) => {
    e.preventDefault();
    const data = new FormData(e.currentTarget as HTMLFormElement);
    const next = new URLSearchParams(query);
    next.delete('vary');
    for (const k of keys) {
      const text = String(data.get(k.key) ?? '').trim();
      if (text !== '') next.append('vary', `${k.key}|${text.replaceAll('|', ' ')}`);
    }
    setNothing(!next.has('vary'));
    if (!next.has('vary')) return;
    for (const l of limitKeys) {
      const text = String(data.get(l) ?? '').trim();
      if (text === '') next.delete(l);
      else next.set(l, text);
    }
    put(next);
  };
  // search.vary.comp1.cut_in[0] and search.limits.short name their fields.
  const field = (wrong?.field ?? '').replace(/^search\.(vary|limits)\./, '').replace(/(\[\d+\]|\.(from|to|step))$/, '');
  const known = [...keys.map((k) => k.key), ...limitKeys].some((k) => k === field);
  const marked = (key: string) => (wrong && field === key ? { 'aria-invalid': true as const, 'aria-describedby': `${id}-${key}-why` } : {});
  const note = (key: string) => wrong && field === key && <span class="warn" id={`${id}-${key}-why`} role="alert">{capital(wrong.message)}.</span>;
  return (
    <form class="try-form search-form" onSubmit={submit} noValidate aria-label="Search">
      <fieldset>
        <legend>What may vary</legend>
        <div class="fields">
          {keys.map((k) => (
            <p class="one-field" key={k.key}>
              <label for={`${id}-${k.key}`}>{k.label}</label>
              <input id={`${id}-${k.key}`} name={k.key} defaultValue={given.find((v) => v.key === k.key)?.text ?? ''} placeholder={exampleOf(k.key.slice(k.key.lastIndexOf('.') + 1), units.value)} autoComplete="off" {...marked(k.key)} />
              {k.now && <span class="aside" data-words>now {k.now}</span>}
              {note(k.key)}
            </p>
          ))}
        </div>
      </fieldset>
      <fieldset>
        <legend>What must hold</legend>
        <div class="fields">
          {limitKeys.map((l) => (
            <p class="one-field" key={l}>
              <label for={`${id}-${l}`}>{limitWords[l]}</label>
              <input id={`${id}-${l}`} name={l} defaultValue={query.get(l) ?? ''} placeholder={exampleOf(l, units.value)} autoComplete="off" {...marked(l)} />
              {note(l)}
            </p>
          ))}
        </div>
      </fieldset>
      {wrong && !known && <p class="warn" role="alert">{wrong.field && <><code>{wrong.field}</code>: </>}{wrong.message}.</p>}
      {nothing && <p class="warn" role="alert">Nothing may vary: write at least one field of the first group.</p>}
      <p class="acts"><button type="submit" disabled={busy}>Search</button></p>
    </form>
  );
}
