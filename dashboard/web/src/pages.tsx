// The pages beyond the first, each fetched when it is first opened.
import { signal } from '@preact/signals';
import type { ComponentType } from 'preact';
import type { Site } from './api';
import type { Live, View } from './live/live';
import type { PageName } from './route';

/** What every page is given. Its query is place.value.query. */
export interface PageProps {
  live: Live;
  site: Site;
  view: View;
}

/** What stands in place of every page before a sign-in is fetched the same way. */
type Name = PageName | 'door';
type Loader = () => Promise<{ default: ComponentType<PageProps> | ComponentType }>;

const loaders: Partial<Record<Name, Loader>> = {
  book: () => import('./book/page'),
  desk: () => import('./desk/page'),
  days: () => import('./days/page'),
  settings: () => import('./replayed/page'),
  loads: () => import('./loads/page'),
  missed: () => import('./missed/page'),
  money: () => import('./money/page'),
  night: () => import('./night/page'),
  trace: () => import('./trace/page'),
  hookup: () => import('./hookup/page'),
  figures: () => import('./figure/page'),
  alarms: () => import('./alarms/page'),
  people: () => import('./people/page'),
  door: () => import('./door/page'),
};

/** Whether there is a page by this name to go to. */
export const has = (name: PageName): boolean => name === 'machine' || loaders[name] !== undefined;

const got = signal<Partial<Record<Name, ComponentType<object> | 'fetching' | 'failed'>>>({});

function fetchPage(name: Name, loader: Loader): void {
  got.value = { ...got.value, [name]: 'fetching' };
  loader().then(
    (m) => { got.value = { ...got.value, [name]: m.default as ComponentType<object> }; },
    () => { got.value = { ...got.value, [name]: 'failed' }; },
  );
}

export function Lazy({ name, props }: { name: PageName; props: PageProps } | { name: 'door'; props: object }) {
  const loader = loaders[name];
  const have = got.value[name];
  if (!loader) return null;
  if (have === undefined) queueMicrotask(() => { if (got.peek()[name] === undefined) fetchPage(name, loader); });
  if (have === undefined || have === 'fetching') return <p class="standing" role="status">Opening the page …</p>;
  if (have === 'failed') {
    return (
      <div class="standing">
        <p class="warn">This page could not be fetched. loadscribe may have been updated, or cannot be reached.</p>
        <button type="button" onClick={() => fetchPage(name, loader)}>Try again</button>
        <button type="button" onClick={() => location.reload()}>Load everything anew</button>
      </div>
    );
  }
  const Shown = have;
  return <Shown {...props} />;
}
