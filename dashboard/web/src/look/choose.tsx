// Which machine, where the site has several. The choice is in the address and
// goes along from page to page.
import type { Site, SiteMachine } from '../api';
import { askedMachine, go, href, place } from '../route';

/** The machine that the address names, else the first; undefined: the site has none. */
export function shownMachine(site: Site): SiteMachine | undefined {
  return site.machines.find((m) => m.name === askedMachine.value) ?? site.machines[0];
}

/** Nothing where there is no choice. */
export function MachineChooser({ site }: { site: Site }) {
  const shown = shownMachine(site);
  if (site.machines.length < 2) return null;
  const choose = (name: string) => {
    const query = new URLSearchParams(place.value.query);
    query.set('machine', name);
    go(href(place.value.page, query));
  };
  return (
    <div class="choose" role="group" aria-label="Which machine">
      {site.machines.map((m) => (
        <button key={m.name} type="button" aria-pressed={m === shown} onClick={() => choose(m.name)}>{m.name}</button>
      ))}
    </div>
  );
}
