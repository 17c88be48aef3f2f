// What is due: each service item of the site file, by hours really run or months.
import type { MachineService, ServiceItem } from '../api';
import { localDate } from '../units/words';

const nb = '\u00a0';

/** When an item is due, in words; times in the site's zone. */
export function dueSentence(item: ServiceItem, timeZone: string): string {
  const date = (stamp: string) => localDate(Date.parse(stamp), timeZone);
  const hours = (h: number) => `${Math.round(h)}${nb}h`;
  if (!item.due) return item.absent ? `${item.absent[0]?.toUpperCase()}${item.absent.slice(1)}.` : 'Not known.';
  if (item.overdue && item.by === 'hours') return `Overdue by ${hours(-(item.hours_left ?? 0))} of running.`;
  if (item.overdue) return `Overdue since ${date(item.due)}.`;
  if (item.by === 'months') return `Due ${date(item.due)}, by its months.`;
  const range = item.earliest && item.latest ? ` (${date(item.earliest)} to ${date(item.latest)})` : item.earliest ? ` (${date(item.earliest)} at the earliest)` : '';
  return `Due about ${date(item.due)}${range}, in ${hours(item.hours_left ?? 0)} of running.`;
}

/** When it was last done, and how long the machine has run since. */
export function doneSentence(item: ServiceItem, timeZone: string): string {
  if (!item.done) return '';
  const ran = item.hours_since === undefined ? '' : `; ran ${item.at_least ? 'at least ' : ''}${Math.round(item.hours_since)}${nb}h since`;
  return `Done ${localDate(Date.parse(item.done), timeZone)}${ran}.`;
}

export function Service({ machines, timeZone }: { machines: MachineService[]; timeZone: string }) {
  const listed = machines.filter((m) => m.items.length > 0);
  if (listed.length === 0) return null;
  return (
    <section aria-labelledby="service-title">
      <h2 id="service-title">Service</h2>
      <ul class="service-list">
        {listed.flatMap((m) => m.items.map((item) => (
          <li key={`${m.machine} ${item.item}`} data-item={item.item}>
            <h3>{item.item}{machines.length > 1 && <span class="aside"> {m.machine}</span>}</h3>
            <p class={item.overdue ? 'warn' : ''}>{dueSentence(item, timeZone)}</p>
            <p class="aside">{doneSentence(item, timeZone)}{item.due && item.absent && <> {item.absent[0]?.toUpperCase()}{item.absent.slice(1)}.</>}</p>
          </li>
        )))}
      </ul>
    </section>
  );
}
