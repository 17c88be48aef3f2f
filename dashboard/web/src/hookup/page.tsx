// Hook-up: does what is wired and mapped say what the machine does?
import { Operating } from '../door/operating';
import type { PageProps } from '../pages';
import { go, place } from '../route';
import { units } from '../settings';
import { deviceOf, here, partOf, parts } from './address';
import { Files } from './files';
import './hookup.css';
import { Lines } from './lines';
import { Registers } from './registers';
import { hookupSentence } from './sentence';
import { Walk } from './walk';

export default function HookUp({ live, site, view }: PageProps) {
  const part = partOf(place.value.query);
  const device = deviceOf(site, place.value.query);
  const said = hookupSentence(site, view);
  return (
    <>
      <p class="visually-hidden" role="status">{said.text}</p>
      <div class={view.connection === 'live' ? 'sentence hookup-sentence' : 'sentence hookup-sentence not-live'}>
        <div>
          <h1>{said.text}</h1>
          {said.mends.map((m) => <p class="note-line" key={m.who}><strong>{m.who}</strong>: <span data-words>{m.detail}</span>.</p>)}
        </div>
      </div>
      <nav class="parts" aria-label="Parts of this page">
        {parts.map((p) => <a key={p.name} href={here({ part: p.name === 'walk' ? undefined : p.name })} aria-current={p.name === part ? 'true' : undefined}>{p.title}</a>)}
      </nav>
      {(part === 'registers' || part === 'lines') && site.devices.length > 1 && (
        <div class="choose which-device" role="group" aria-label="Which device">
          <button type="button" aria-pressed={device === ''} onClick={() => go(here({ device: undefined }))}>Every device</button>
          {site.devices.map((d) => (
            <button key={d.name} type="button" aria-pressed={device === d.name} onClick={() => go(here({ device: d.name }))}>{d.name}</button>
          ))}
        </div>
      )}
      {part === 'walk' && <Walk live={live} site={site} view={view} system={units.value} />}
      {part === 'registers' && <Registers live={live} site={site} view={view} system={units.value} device={device} />}
      {part === 'lines' && <Lines live={live} site={site} view={view} device={device} />}
      {part === 'files' && <Operating what="read the set-up files"><Files live={live} site={site} /></Operating>}
    </>
  );
}
