// Which machine, where the site has several. The choice is in the address and
// goes along from page to page.
import type { Site, SiteMachine } from '../api';
import { askedMachine, go, href, place } from '../route';

/** The machine that the address names, else the first; undefined: the site has none. */
export function shownMachine(site: Site): SiteMachine | undefined {
  return site.machines.find((m) => m.name === askedMachine.value) ?? site.machines[0];
}

/** That the address asks for what the site has not; instead: what is shown. */
export function NotHere({ site, instead }: { site: Site; instead: string }) {
  const system = place.value.query.get('system') ?? '';
  const [kind, name] = askedMachine.value && !site.machines.some((m) => m.name === askedMachine.value) ? ['machine', askedMachine.value]
    : system && !site.systems.some((s) => s.name === system) ? ['system', system] : ['', ''];
  return kind ? <p class="standing warn">The site has no {kind} “<span data-words>{name}</span>”: {instead}.</p> : null;
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
