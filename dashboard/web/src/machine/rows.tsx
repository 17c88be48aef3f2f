// Every machine of the site in one look, a row each.
import type { Site, SiteMachine } from '../api';
import type { View } from '../live/live';
import { NotHere } from '../look/choose';
import { href, place } from '../route';
import type { UnitSystem } from '../units/units';
import { Glyph } from './glyph';
import { Said } from './said';
import { written } from './section-text';
import { sentence, starts, type Moment } from './sentence';
import { mainPressure, marks, powerChannel, readChannel, type Read } from './taps';

/** The page with another machine in its lower half. */
function choice(machine: SiteMachine): string {
  const query = new URLSearchParams(place.value.query);
  query.set('machine', machine.name);
  return href('machine', query);
}

export function Rows({ site, view, moment, shown, system }: { site: Site; view: View; moment: Moment; shown: SiteMachine; system: UnitSystem }) {
  const several = site.systems.length > 1;
  return (
    <>
      <NotHere site={site} instead={`below is ${shown.name}`} />
      <ul class="rows" aria-label="Machines">
        {site.machines.map((m, index) => {
          const state = view.machines.get(m.name);
          const said = sentence(state, moment);
          const now = said.live && state ? state.state : 'unobserved';
          const of = several ? site.systems.find((s) => s.machines.includes(m.name))?.name : undefined;
          return (
            <li key={m.name} data-machine={m.name} data-state={now} class={said.live ? '' : 'not-live'}>
              <a href={choice(m)} aria-current={m === shown ? 'true' : undefined}>
                <Glyph state={now} size={40} /><span class="row-name">{m.name}{of && <span class="aside"> ({of})</span>}</span>
              </a>
              <div class="row-says">
                <p><Said words={said.text} /></p>
                <p class="aside">
                  {said.note && <span class="must">{said.note} </span>}
                  {state && said.live && state.starts_last_hour > 0 && <Said words={starts(state, { index, limit: m.motor_starts_per_hour }, undefined)} />}
                </p>
              </div>
              <p class="row-reads">
                <Now read={readChannel(site, view, mainPressure(site, m)?.id)} system={system} />
                <Now read={readChannel(site, view, powerChannel(site, m)?.id)} system={system} />
              </p>
            </li>
          );
        })}
      </ul>
    </>
  );
}

/** A reading in a line of text; an old one stands in brackets. */
function Now({ read, system }: { read: Read | undefined; system: UnitSystem }) {
  if (!read) return null;
  const { value, unit } = written(read, system);
  return (
    <span class={read.fresh ? '' : 'old'}>
      <span {...marks(read)}>{read.fresh ? value : `(${value})`}</span> <span class="unit">{unit}</span>
    </span>
  );
}
