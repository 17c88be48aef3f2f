// The frame of every page: its head, and what stands there until the first
// readings have come.
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
  const far = page.value === 'machine' && isFar(location, place.value) && site?.machines.length !== 0;
  return (
    <div class={far ? 'frame far' : 'frame'}>
      {!far && <a class="skip" href="#main" onClick={skip}>To the content</a>}
      {!far && <Head live={live} site={site} view={view} />}
      <main id="main" tabIndex={-1} data-page={page.value}>
        {!site || !view ? <Waiting live={live} view={view} /> : (
          <Guarded key={page.value}>
            {page.value === 'machine' ? <AtTheMachine live={live} site={site} view={view} /> : <Lazy name={page.value} props={{ live, site, view }} />}
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
