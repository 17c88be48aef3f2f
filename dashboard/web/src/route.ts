// Which page is shown: the part of the address behind "#", so that one document
// serves all pages and a link to one works.
import { signal } from '@preact/signals';

export type PageName = 'machine' | 'book';

export const pages: { name: PageName; title: string; hash: string }[] = [
  { name: 'machine', title: 'At the machine', hash: '#/' },
  { name: 'book', title: 'Service book', hash: '#/service-book' },
];

export function pageOf(hash: string): PageName {
  return pages.find((p) => p.hash === hash)?.name ?? 'machine';
}

export const page = signal<PageName>('machine');

/** Follows the address. Returns the undo. */
export function followAddress(window: Window): () => void {
  const changed = () => {
    page.value = pageOf(window.location.hash);
    window.document.title = pages.find((p) => p.name === page.value)?.title ?? '';
  };
  window.addEventListener('hashchange', changed);
  changed();
  return () => window.removeEventListener('hashchange', changed);
}
