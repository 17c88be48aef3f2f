// What is due: each service item of the site file, by hours really run or months;
// when it was done, by whom and what was found.
import type { ComponentChildren } from 'preact';
import type { MachineService, ServiceItem, ServiceMark, Site } from '../api';
import { mayOperate } from '../door/state';
import { Known } from '../figure/known';
import { Num } from '../figure/number';
import { capital } from '../look/words';
import { traceHref } from '../trace/address';
import { fixed } from '../units/units';
import { localDate } from '../units/words';
import { EffectLink } from './effect';

const nb = '\u00a0';

/** at: JSON pointer to the item. */
interface Of {
  item: ServiceItem;
  at: string;
  timeZone: string;
}

function OnDate({ stamp, timeZone }: { stamp: string; timeZone: string }) {
  return <time dateTime={stamp}>{localDate(Date.parse(stamp), timeZone)}</time>;
}

function Hours({ value, at }: { value: number; at: string }) {
  return <><Num value={value} at={at}>{Math.round(value)}</Num>{`${nb}h`}</>;
}

/** When an item is due, in words; times in the site's zone. */
export function Due({ item, at, timeZone }: Of) {
  const left = item.hours_left ?? 0;
  const since = item.hours_since ?? 0;
  if (!item.due) return item.absent ? <span data-words>{capital(item.absent)}.</span> : <>Not known.</>;
  const over = <Num value={since} at={`${at}/hours_since`} less={`${at}/every_hours`}>{Math.round(-left)}</Num>;
  if (item.overdue && item.by === 'hours') return <>Overdue by {over}{`${nb}h`} of running.</>;
  if (item.overdue) return <>Overdue since <OnDate stamp={item.due} timeZone={timeZone} />.</>;
  if (item.by === 'months') return <>Due <OnDate stamp={item.due} timeZone={timeZone} />, by its months.</>;
  return (
    <>
      Due about <OnDate stamp={item.due} timeZone={timeZone} />
      {item.earliest && item.latest && <> (<OnDate stamp={item.earliest} timeZone={timeZone} /> to <OnDate stamp={item.latest} timeZone={timeZone} />)</>}
      {item.earliest && !item.latest && <> (<OnDate stamp={item.earliest} timeZone={timeZone} /> at the earliest)</>}
      , in <Hours value={left} at={`${at}/hours_left`} /> of running.
    </>
  );
}

/** When it was last done, and how long the machine has run since. */
export function Done({ item, at, timeZone }: Of) {
  if (!item.done) return null;
  return (
    <>
      Done <OnDate stamp={item.done} timeZone={timeZone} />
      {item.hours_since !== undefined && <>; ran {item.at_least && 'at least '}<Hours value={item.hours_since} at={`${at}/hours_since`} /> since</>}.
    </>
  );
}

function Every({ item, at }: { item: ServiceItem; at: string }) {
  const parts: ComponentChildren[] = [];
  if (item.every_hours) parts.push(<Hours key="h" value={item.every_hours} at={`${at}/every_hours`} />);
  if (item.every_months) parts.push(<span key="m"><Num value={item.every_months} at={`${at}/every_months`}>{item.every_months}</Num> {item.every_months === 1 ? 'month' : 'months'}</span>);
  return <span class="aside"> every {parts[0]}{parts.length > 1 && <> or {parts[1]}</>}</span>;
}

function MarkLine({ mark, item, at, timeZone }: { mark: ServiceMark; item: string; at: string; timeZone: string }) {
  return (
    <li data-note={mark.note}>
      <OnDate stamp={mark.at} timeZone={timeZone} />
      {mark.hour_meter !== undefined && <> at <Num value={mark.hour_meter} at={`${at}/hour_meter`}>{fixed(mark.hour_meter, 1)}</Num>{`${nb}h`}</>}
      : <span data-words>{mark.text}{mark.author && ` (${mark.author})`}</span>
      <p>{mark.found ? <>Found: <span data-words>{mark.found}</span></> : <span class="aside">What was found was not written down.</span>}</p>
      <p><EffectLink note={mark.note} item={item} /></p>
    </li>
  );
}

interface ServiceProps {
  machines: MachineService[];
  site: Site;
  /** the reader has done an item */
  mark: (machine: string, item: string) => void;
}

export function Service({ machines, site, mark }: ServiceProps) {
  const { timezone: timeZone } = site;
  const listed = machines.map((m, i) => ({ m, at: `/machines/${i}` })).filter(({ m }) => m.items.length > 0);
  return (
    <section class="service" aria-labelledby="service-title" data-answer="/api/v1/service">
      <h2 id="service-title">Service</h2>
      {listed.length === 0 && <p class="aside">The site file lists no service: <code>service = [{'{'} item = "oil", hours = 4000, months = 12 {'}'}]</code> in a <code>[[machine]]</code> makes it count hours and months.</p>}
      <ul class="service-list">
        {listed.flatMap(({ m, at: of }) => m.items.map((item, i) => {
          const at = `${of}/items/${i}`;
          return (
            <li key={`${m.machine} ${item.item}`} data-item={item.item} data-machine={m.machine}>
              <h3>{capital(item.item)}{machines.length > 1 && <span class="aside"> {m.machine}</span>}<Every item={item} at={at} /></h3>
              <p class={item.overdue ? 'warn' : ''}><Due item={item} at={at} timeZone={timeZone} /></p>
              <p class="aside"><Done item={item} at={at} timeZone={timeZone} />{item.due && item.absent && <span data-words> {capital(item.absent)}.</span>}</p>
              {item.marks && item.marks.length > 0 && (
                <details class="marks">
                  <summary>When it was done, and what was found<span class="visually-hidden">: {item.item}</span></summary>
                  <ol>{item.marks.map((d, k) => <MarkLine key={d.note} mark={d} item={item.item} at={`${at}/marks/${k}`} timeZone={timeZone} />)}</ol>
                </details>
              )}
              {mayOperate.value && <button type="button" class="plain" onClick={() => mark(m.machine, item.item)}>Mark as done<span class="visually-hidden">: {item.item} of {m.machine}</span></button>}
            </li>
          );
        }))}
      </ul>
      {listed.map(({ m, at }) => <Rate key={m.machine} m={m} at={at} site={site} />)}
      {listed.length > 0 && (
        <p class="aside caution">
          For people trained and licensed for it, by the machine’s manual and the local codes: switch off and lock the mains, let the pressure out and prove it gone, let hot oil cool.
          A machine on standby starts by itself. loadscribe writes nothing to the controller: a counter there is reset by hand.
        </p>
      )}
    </section>
  );
}

/** How long the machine runs a day, which the dates by hours follow from. */
function Rate({ m, at, site }: { m: MachineService; at: string; site: Site }) {
  const machine = site.machines.find((x) => x.name === m.machine);
  const channel = machine?.channels['power'] ?? machine?.channels['discharge_pressure'];
  const span = Math.round((m.over_days ?? 7) * 86_400_000);
  const look = traceHref({ channels: channel ? [channel] : [], machines: [m.machine], span });
  if (m.hours_per_day === undefined) return <p class="aside">How long {m.machine} runs a day is not known: <span data-words>{m.rate_absent}</span>.</p>;
  const half = m.uncertainty;
  return (
    <div class="rate">
      <p class="aside">
        {m.machine} ran <Num value={m.hours_per_day} at={`${at}/hours_per_day`}>{fixed(m.hours_per_day, 1)}</Num>
        {half !== undefined && <> ± <Num value={half} at={`${at}/uncertainty`}>{fixed(half, 1)}</Num></>}{`${nb}h`} a day
        {m.over_days !== undefined && <> over <Num value={m.over_days} at={`${at}/over_days`}>{fixed(m.over_days, 0)}</Num> days</>}
        {m.hour_meter !== undefined && <>; its hour meter shows <Num value={m.hour_meter} at={`${at}/hour_meter`}>{fixed(m.hour_meter, 1)}</Num>{`${nb}h`}</>}.
      </p>
      <Known title={`hours that ${m.machine} runs a day`} look={look} facts={{ method: m.method, uncertainty: half !== undefined && 'nineteen times in twenty, from how the days differ', over: 'all days of the week counted' }} />
    </div>
  );
}
