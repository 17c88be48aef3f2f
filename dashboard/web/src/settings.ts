// What the reader chose, kept in this browser. Everything works without storage.
import { computed, effect, signal } from '@preact/signals';
import { door } from './door/state';
import type { UnitSystem } from './units/units';

export type Theme = 'auto' | 'light' | 'dark';

function stored<T extends string>(key: string, allowed: readonly T[]): T | undefined {
  try {
    const value = localStorage.getItem(key);
    return allowed.find((a) => a === value);
  } catch {
    return undefined; // storage may be forbidden
  }
}

function keep(key: string, value: string): void {
  try {
    localStorage.setItem(key, value);
  } catch {
    // then the choice lasts as long as the page
  }
}

/** The reader's name: who is signed in, else as it was last written under a note, a test or a tag. */
export function storedAuthor(): string {
  try {
    return door.peek()?.person?.name ?? localStorage.getItem('author') ?? '';
  } catch {
    return '';
  }
}

export function sayAuthor(name: string): void {
  keep('author', name.trim());
}

/** The site's time zone, in which every time is shown. */
export const siteZone = signal('UTC');

/** The site's units, until the reader chose others. */
export const siteUnits = signal<UnitSystem>('si');
const chosenUnits = signal<UnitSystem | undefined>(stored('units', ['us', 'si'] as const));
export const units = computed<UnitSystem>(() => chosenUnits.value ?? siteUnits.value);

export function chooseUnits(system: UnitSystem): void {
  chosenUnits.value = system;
  keep('units', system);
}

export const theme = signal<Theme>(stored('theme', ['auto', 'light', 'dark'] as const) ?? 'auto');

export function chooseTheme(next: Theme): void {
  theme.value = next;
  keep('theme', next);
}

/** Grows whenever the colours may have changed, so that canvases draw anew. */
export const colours = signal(0);

/** Applies theme and units to the document and follows the system's theme. Returns the undo. */
export function applyTheme(root: HTMLElement): () => void {
  const dark = matchMedia('(prefers-color-scheme: dark)');
  const changed = () => {
    colours.value += 1;
  };
  dark.addEventListener('change', changed);
  const undo = effect(() => {
    if (theme.value === 'auto') delete root.dataset.theme;
    else root.dataset.theme = theme.value;
    colours.value = colours.peek() + 1;
  });
  const shown = effect(() => { root.dataset.units = units.value; });
  return () => {
    dark.removeEventListener('change', changed);
    undo();
    shown();
  };
}
