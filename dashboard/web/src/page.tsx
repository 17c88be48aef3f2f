// The frame of every page: its head, and what stands there until the first
// readings have come.
import { useLayoutEffect, useRef } from 'preact/hooks';
import { useAlarms } from './alarms/line';
import { shut } from './door/state';
import type { Live, View } from './live/live';
import { Guarded } from './look/broken';
import { Head } from './machine/head';
import { AtTheMachine } from './machine/page';
import { Lazy } from './pages';
import { isFar, page, place } from './route';

/** The address names the page, so it must not be changed to "#main". */
function skip(e: Event): void {
  e.preventDefault();
  document.getElementById('main')?.focus();
}

export function Page({ live }: { live: Live }) {
  const site = live.site.value;
  const view = live.view.value;
  const closed = shut.value !== undefined;
  const alarms = useAlarms(live);
  const left = useRef<Element | null>(null);
  useLayoutEffect(() => { // before the browser takes the focus from what is hidden
    if (closed) left.current = document.activeElement;
    else if (left.current instanceof HTMLElement) (left.current.isConnected && left.current !== document.body ? left.current : document.getElementById('main'))?.focus();
  }, [closed]);
  const far = !closed && page.value === 'machine' && isFar(location, place.value) && site?.machines.length !== 0;
  return (
    <div class={far ? 'frame far' : 'frame'}>
      {!far && <a class="skip" href="#main" onClick={skip}>To the content</a>}
      {!far && <Head live={live} site={site} view={view} alarms={alarms ?? []} />}
      {closed && <main key="door" id="main" tabIndex={-1} data-page="door"><Lazy name="door" props={{}} /></main>}
      {/* Hidden, not taken away: what was typed is there after the sign-in. */}
      <main key="page" id={closed ? undefined : 'main'} hidden={closed} tabIndex={-1} data-page={page.value}>
        {!site || !view ? <Waiting live={live} view={view} /> : (
          <Guarded key={page.value}>
            {page.value === 'machine' ? <AtTheMachine live={live} site={site} view={view} alarms={alarms} /> : <Lazy name={page.value} props={{ live, site, view }} />}
          </Guarded>
        )}
      </main>
    </div>
  );
}

function Waiting({ live, view }: { live: Live; view: View | null }) {
  const error = live.siteError.value;
  return (
    <div class="sentence">
      <div>
        <h1>{view?.connection === 'lost' ? 'No contact with loadscribe yet.' : 'Waiting for the first readings.'}</h1>
        <p class="note-line">{error ? `${error}. Trying again.` : view?.connection === 'lost' ? 'Check that its computer is on and that this device is on the network. The page tries again by itself.' : ''}</p>
      </div>
    </div>
  );
}
