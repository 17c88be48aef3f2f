// The page's head: where we are, how old what we see is, and how it is shown.
import { useEffect, useMemo, useState } from 'preact/hooks';
import { post, type Site, type StandingAlarm } from '../api';
import { AlarmLine } from '../alarms/line';
import { door, endsSoon, shut } from '../door/state';
import type { Live, View } from '../live/live';
import { has } from '../pages';
import { askedMachine, href, page, pages } from '../route';
import { chooseTheme, chooseUnits, theme, units, type Theme } from '../settings';
import { age, clock, day, zoneName } from '../units/words';

/**
 * Age of the newest reading, ms; undefined when there is none. A page that was
 * loaded while a line is down has no reading, but knows when the last one was.
 */
export function dataAge(view: View): number | undefined {
  let newest: number | undefined;
  for (const r of view.readings.values()) {
    if (r.reason === 'good' && r.at !== undefined && (newest === undefined || r.at > newest)) newest = r.at;
  }
  for (const d of view.devices.values()) {
    const at = d.last_scan === null ? NaN : Date.parse(d.last_scan);
    if (at > (newest ?? -Infinity)) newest = at;
  }
  return newest === undefined ? undefined : view.now - newest;
}

function liveWords(live: Live, view: View | null): string {
  if (live.held.value) return 'Held: not live';
  if (!view) return 'Connecting …';
  const old = dataAge(view);
  const ageText = old === undefined ? 'no reading yet' : `newest reading ${age(old)} old`;
  if (view.connection !== 'live') return `Not live; ${ageText}`;
  return `Live; ${ageText}`;
}

const themeWords: Record<Theme, string> = { auto: 'auto', light: 'light', dark: 'dark' };
const nextTheme: Record<Theme, Theme> = { auto: 'dark', dark: 'light', light: 'auto' };

export function Head({ live, site, view, alarms }: { live: Live; site: Site | null; view: View | null; alarms: StandingAlarm[] }) {
  const zone = site?.timezone ?? 'UTC';
  const held = live.held.value;
  const closed = shut.value !== undefined;
  const [open, setOpen] = useState(false);
  useEffect(() => setOpen(false), [page.value]);
  const nav = useMemo(() => <PagesNav open={open} turn={() => setOpen(!open)} />, [open]); // no reading changes it
  return (
    <header data-menu={open ? 'open' : 'closed'}>
      <div class="where">
        <span class="site">{site?.name ?? 'loadscribe'}</span>
      </div>
      {!closed && nav}
      <div class="now">
        {view && !closed && <span class="clock">{day(view.now, zone)} {clock(view.now, zone)} {zoneName(view.now, zone)}</span>}
        {!closed && <span class="liveness" data-live={String(!held && view?.connection === 'live')}>{liveWords(live, view)}</span>}
      </div>
      <div class="switches">
        {!closed && <button type="button" aria-pressed={held} onClick={() => live.hold(!held)}>{held ? 'Go on' : 'Hold still'}</button>}
        {!closed && <button type="button" class="choice" onClick={() => chooseUnits(units.value === 'us' ? 'si' : 'us')}>
          <span class="wide-only">Units: </span>{units.value === 'us' ? 'psi, °F' : 'bar, °C'}
        </button>}
        <button type="button" class="choice" onClick={() => chooseTheme(nextTheme[theme.value])}>
          Colours: {themeWords[theme.value]}
        </button>
        {!closed && <Who />}
      </div>
      {!closed && site && <AlarmLine all={alarms} now={view?.now ?? live.now()} zone={zone} />}
      {endsSoon.value > 0 && <p class="outdated" role="status">In less than a minute you are signed out for want of use. Any key or touch keeps you in.</p>}
      {live.outdated.value && (
        <p class="outdated">loadscribe was updated. <button type="button" onClick={() => location.reload()}>Load the new page</button></p>
      )}
    </header>
  );
}

/** Who is signed in, and the way out; nothing where nobody signs in. */
function Who() {
  const [error, setError] = useState('');
  const name = door.value?.person?.name;
  if (name === undefined) return null;
  // What was shown and typed is nobody's after that: the page is loaded anew.
  const out = () => post('/api/v1/door/out', {}).then(() => location.reload(), (e: unknown) => setError(e instanceof Error ? e.message : String(e)));
  return (
    <span class="choice who">
      <a href={href('people')}>{name}</a>
      <button type="button" onClick={() => void out()}>Sign out</button>
      {error && <span class="warn" role="alert">Not signed out: {error}.</span>}
    </span>
  );
}

/** On a narrow screen the list, and the choices of units and colours, open on demand; where there is room they always stand. */
function PagesNav({ open, turn }: { open: boolean; turn: () => void }) {
  const shown = pages.filter((p) => has(p.name));
  return (
    <nav class="pages" aria-label="Pages">
      <button type="button" class="menu" aria-expanded={open} aria-controls="pages-list" onClick={turn}>
        Pages<span class="aside">: {shown.find((p) => p.name === page.value)?.title}</span>
      </button>
      <ul id="pages-list">
        {shown.map((p) => (
          <li key={p.name}><a href={href(p.name, { machine: askedMachine.value })} aria-current={p.name === page.value ? 'page' : undefined}>{p.title}</a></li>
        ))}
      </ul>
    </nav>
  );
}
