// Which settings the form offers, what they ask for and what to write. Pure.
import type { ReplayAlternative, ReplayNow, ReplaySetting } from '../api';
import { capital } from '../look/words';

export interface Field {
  key: string;
  label: string;
  /** what it is now, as the API writes it; empty: not known */
  now: string;
  basis: string;
  /** how a value is written */
  example: string;
  /** to choose from; undefined: written */
  choices?: string[];
}

const examples: Record<string, string> = {
  cut_in: 'like 97 psi or 6.7 bar', cut_out: 'like 112 psi or 7.7 bar', target: 'like 105 psi', no_load_stop: 'like 5 min, or never',
  least_between_starts: 'like 10 min', schedule: 'like Mon-Fri 06:55-16:05; Sat 07:00-12:00, or always',
  modulation: 'like 10 psi', least_share: 'like 30 %', follows_pressure: 'like 40 %', leaks_mended: 'like 50 %', volume_add: 'like 400 gal or 1.5 m³',
};

/** The controls of a site file. */
export const controls = ['load/unload', 'start/stop', 'modulating', 'modulate then unload', 'variable displacement', 'variable speed'];

/** What is offered before any answer says what each machine has. */
const first: [string, string][] = [['cut_in', 'Cut-in pressure'], ['cut_out', 'Cut-out pressure'], ['no_load_stop', 'No-load stop'], ['least_between_starts', 'Least time between starts'], ['schedule', 'Hours'], ['control', 'Control']];

function fieldOf(key: string, short: string, name: string, now: string, basis: string): Field {
  return { key, label: capital(name), now, basis, example: examples[short] ?? '', ...(short === 'control' ? { choices: controls } : {}) };
}

/** The fields of each machine by what is known of it, and of the plant; whose is empty for the plant. */
export function fieldsOf(settings: ReplayNow[] | undefined, machines: string[]): { whose: string; fields: Field[] }[] {
  const groups = machines.map((m) => {
    const known = (settings ?? []).filter((n) => n.machine === m);
    const fields = known.length > 0
      ? known.map((n) => fieldOf(n.key, n.key.slice(m.length + 1), n.name, n.text, n.basis))
      : first.map(([short, name]) => fieldOf(`${m}.${short}`, short, name, '', ''));
    return { whose: m, fields };
  });
  const plant = (settings ?? []).filter((n) => !n.machine && n.key !== 'volume').map((n) => fieldOf(n.key, n.key, n.name, n.text, n.basis));
  return [...groups, { whose: '', fields: [fieldOf('volume_add', 'volume_add', 'receiver added', '', ''), ...plant] }];
}

/** "key=value" of each line; what is neither is given back. */
export function moreSettings(text: string): { set: ReplaySetting[]; wrong: string } {
  const set: ReplaySetting[] = [];
  for (const line of text.split('\n').map((l) => l.trim()).filter((l) => l !== '')) {
    const at = line.indexOf('=');
    if (at <= 0 || at === line.length - 1) return { set, wrong: line };
    set.push({ key: line.slice(0, at).trim(), value: line.slice(at + 1).trim() });
  }
  return { set, wrong: '' };
}

/** The settings that no field of the form has, a line each. */
export function restOf(a: ReplayAlternative | undefined, keys: string[]): string {
  return (a?.set ?? []).filter((s) => !keys.includes(s.key)).map((s) => `${s.key}=${s.value}`).join('\n');
}
