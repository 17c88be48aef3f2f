// Which channels and whose states are drawn.
import { useState } from 'preact/hooks';
import type { Site, SiteChannel } from '../api';
import { channelName, knownChannels, machineOf, mostChannels } from './lanes';

interface PickerProps {
  site: Site;
  channels: string[];
  machines: string[];
  choose: (change: { channels?: string[]; machines?: string[] }) => void;
}

interface Group {
  title: string;
  channels: SiteChannel[];
}

/** Channels by the machine they belong to, else by their device; what fits the search. */
export function grouped(site: Site, search: string): Group[] {
  const words = search.toLowerCase().split(/\s+/).filter(Boolean);
  const groups = new Map<string, SiteChannel[]>();
  for (const c of site.channels) {
    const title = machineOf(site, c.id)?.name ?? c.device;
    const text = `${title} ${c.id} ${channelName(site, c)} ${c.quantity} ${c.unit} ${c.role.replace(/_/g, ' ')}`.toLowerCase();
    if (words.every((w) => text.includes(w))) groups.set(title, [...(groups.get(title) ?? []), c]);
  }
  return [...groups].map(([title, channels]) => ({ title, channels }));
}

export function Picker({ site, channels, machines, choose }: PickerProps) {
  const [search, setSearch] = useState('');
  const groups = grouped(site, search);
  const full = channels.length >= mostChannels;
  const put = (id: string, on: boolean) => choose({ channels: on ? [...channels, id] : channels.filter((c) => c !== id) });
  return (
    <details class="picker">
      <summary>Choose what is drawn</summary>
      <div class="picker-in">
        {site.machines.length > 1 && (
          <fieldset>
            <legend>States of</legend>
            {site.machines.map((m) => (
              <Box key={m.name} title={m.name} aside="" on={machines.includes(m.name)} put={(on) => choose({ machines: on ? [...machines, m.name] : machines.filter((n) => n !== m.name) })} />
            ))}
          </fieldset>
        )}
        <label class="picker-search">Find a channel <input type="search" value={search} onInput={(e) => setSearch(e.currentTarget.value)} placeholder="pressure, power, °F …" /></label>
        {full && <p class="aside" role="status">No more can be drawn at once: take one away first.</p>}
        {groups.length === 0 && <p class="aside" role="status">No channel of this site is called so.</p>}
        {groups.map((g) => (
          <fieldset key={g.title}>
            <legend>{g.title}</legend>
            {g.channels.map((c) => {
              const on = channels.includes(c.id);
              return <Box key={c.id} title={channelName(site, c)} aside={c.bit ? 'on or off' : c.unit === '1' ? '' : c.unit} on={on} disabled={!on && full} put={(v) => put(c.id, v)} />;
            })}
          </fieldset>
        ))}
      </div>
    </details>
  );
}

function Box({ title, aside, on, disabled = false, put }: { title: string; aside: string; on: boolean; disabled?: boolean; put: (on: boolean) => void }) {
  return (
    <label class="box">
      <input type="checkbox" checked={on} disabled={disabled} onChange={(e) => put(e.currentTarget.checked)} />
      <span>{title}{aside && <span class="aside"> {aside}</span>}</span>
    </label>
  );
}

/** The channels that are drawn, each with a way to take it away. */
export function Chosen({ site, channels, choose }: Omit<PickerProps, 'machines'>) {
  const known = knownChannels(site, channels);
  const gone = channels.filter((id) => !known.some((c) => c.id === id));
  return (
    <>
      <ul class="chosen" aria-label="Channels that are drawn">
        {known.map((c) => (
          <li key={c.id}>
            <button type="button" onClick={() => choose({ channels: channels.filter((id) => id !== c.id) })}>
              {channelName(site, c)} <span aria-hidden="true">×</span><span class="visually-hidden">: take it away</span>
            </button>
          </li>
        ))}
      </ul>
      {gone.length > 0 && <p class="warn">The address asks for channels that this site has not, or for more than can be drawn at once: {gone.join(', ')}.</p>}
    </>
  );
}
