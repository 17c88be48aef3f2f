// Every reading now, as a table: the drawing's twin, made only while it is open.
import { useState } from 'preact/hooks';
import type { Site } from '../api';
import type { View } from '../live/live';
import { isFresh } from '../live/picture';
import { reasonWords } from '../look/words';
import { channelDisplay, write, type UnitSystem } from '../units/units';
import { age } from '../units/words';
import { marks, readChannel } from './taps';

interface ReadingsProps {
  site: Site;
  view: View;
  system: UnitSystem;
}

export function Readings(props: ReadingsProps) {
  const [open, setOpen] = useState(false);
  return (
    <details class="twin" onToggle={(e) => setOpen(e.currentTarget.open)}>
      <summary>Every reading now, as a table</summary>
      {open && <Table {...props} />}
    </details>
  );
}

function Table({ site, view, system }: ReadingsProps) {
  const live = view.connection === 'live';
  return (
    <div class="scroll" tabIndex={0} role="region" aria-label="Every reading now">
      <table>
        <thead><tr><th scope="col">Channel</th><th scope="col">Role</th><th scope="col" class="num">Value</th><th scope="col" class="num">Age</th><th scope="col">Quality</th></tr></thead>
        <tbody>
          {site.channels.map((c) => {
            const r = view.readings.get(c.id);
            const read = readChannel(site, view, c.id);
            const fresh = live && isFresh(r, c.period_ms, view.now);
            const value = r?.value === null || r?.value === undefined ? '–' : c.bit ? (r.value ? 'yes' : 'no') : write(channelDisplay(c, system), r.value);
            const quality = r?.reason === 'good' && !fresh ? 'old' : reasonWords(r?.reason ?? 'not read yet');
            return (
              <tr key={c.id}>
                <th scope="row">{c.id}</th>
                <td>{c.role.replaceAll('_', ' ')}</td>
                <td class={fresh ? 'num' : 'num old'}>{read && !c.bit && value !== '–' ? <span {...marks(read)}>{fresh ? value : `(${value})`}</span> : value}</td>
                <td class="num">{r?.at === undefined ? '–' : <time>{age(view.now - r.at)}</time>}</td>
                <td>{quality}</td>
              </tr>
            );
          })}
        </tbody>
      </table>
    </div>
  );
}
