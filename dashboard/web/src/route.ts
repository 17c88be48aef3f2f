// Which page is shown, and what of it: the part of the address behind "#", so
// that one document serves all pages and a link carries the whole view:
// #/trace?from=…&ch=…
import { computed, signal } from '@preact/signals';

export type PageName =
  | 'machine' | 'trace' | 'days' | 'loads' | 'money' | 'night' | 'settings' | 'book' | 'missed' | 'hookup' | 'desk' | 'figures' | 'alarms' | 'people';

interface PageInfo {
  name: PageName;
  title: string;
  path: string;
}

export const pages: PageInfo[] = [
  { name: 'machine', title: 'At the machine', path: '/' },
  { name: 'trace', title: 'Trace', path: '/trace' },
  { name: 'days', title: 'Seven days', path: '/seven-days' },
  { name: 'loads', title: 'Load and rest', path: '/load-and-rest' },
  { name: 'money', title: 'Money and air', path: '/money-and-air' },
  { name: 'night', title: 'After hours', path: '/after-hours' },
  { name: 'settings', title: 'Same air, other settings', path: '/other-settings' },
  { name: 'book', title: 'Service book', path: '/service-book' },
  { name: 'missed', title: 'What we missed', path: '/what-we-missed' },
  { name: 'hookup', title: 'Hook-up', path: '/hook-up' },
  { name: 'desk', title: 'Audit desk', path: '/audit-desk' },
  { name: 'figures', title: 'Every figure', path: '/every-figure' },
  { name: 'alarms', title: 'Alarms', path: '/alarms' },
  { name: 'people', title: 'People', path: '/people' },
];

export interface Place {
  page: PageName;
  query: URLSearchParams;
}

/** An address that no page has leads to the first one. */
export function placeOf(hash: string): Place {
  const [path = '', query = ''] = hash.replace(/^#/, '').split('?', 2);
  return { page: pages.find((p) => p.path === path)?.name ?? 'machine', query: new URLSearchParams(query) };
}

/** The address of a page; empty values are left out. Commas and colons stay readable. */
export function href(page: PageName, query: Record<string, string | undefined> | URLSearchParams = {}): string {
  const entries = query instanceof URLSearchParams ? [...query] : Object.entries(query);
  const text = entries
    .filter((e): e is [string, string] => e[1] !== undefined && e[1] !== '')
    .map(([k, v]) => `${encodeURIComponent(k)}=${encodeURIComponent(v).replace(/%2C/g, ',').replace(/%3A/g, ':')}`)
    .join('&');
  const path = pages.find((p) => p.name === page)?.path ?? '/';
  return `#${path}${text ? `?${text}` : ''}`;
}

export const place = signal<Place>({ page: 'machine', query: new URLSearchParams() });
export const page = computed(() => place.value.page);

/** The machine that the address names, on whatever page; empty: none, or several as Trace has them. */
export const askedMachine = computed(() => {
  const name = place.value.query.get('machine') ?? '';
  return name.includes(',') ? '' : name;
});

/** Shown large, to be read from across the room: "/?far" or "#/?far". */
export function isFar(location: { search: string }, at: Place): boolean {
  return new URLSearchParams(location.search).has('far') || at.query.has('far');
}

/**
 * Goes to another view. With replace it takes the place of this one in the
 * browser's history, for changes that nobody would step back through.
 */
export function go(address: string, replace = false): void {
  if (replace) {
    window.history.replaceState(window.history.state, '', address);
    place.value = placeOf(address);
  } else {
    window.location.hash = address; // the listener does the rest
  }
}

/** Follows the address. Returns the undo. */
export function followAddress(window: Window): () => void {
  const changed = () => {
    place.value = placeOf(window.location.hash);
    window.document.title = pages.find((p) => p.name === place.value.page)?.title ?? '';
  };
  window.addEventListener('hashchange', changed);
  changed();
  return () => window.removeEventListener('hashchange', changed);
}
