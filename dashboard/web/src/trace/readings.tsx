// What the cursors ask: what was read there, and between them or in the whole
// view. Every number is the API's.
import type { Asked } from '../api/asked';
import type { MomentChannel, MomentReading, MomentsAnswer, Site, SiteChannel } from '../api';
import { Num } from '../figure/number';
import { Standing } from '../look/standing';
import { channelDisplay, convert, fixed, type Display, type UnitSystem } from '../units/units';
import { clock, day, duration, localDate } from '../units/words';
import { channelName } from './lanes';

export interface ReadingsProps {
  site: Site;
  channels: SiteChannel[];
  asked: Asked<MomentsAnswer>;
  /** what is asked now, and where the answer can be had again */
  question: string;
  address: string;
  /** the cursors that are set */
  a: number | undefined;
  b: number | undefined;
  system: UnitSystem;
}

/** Where an answer has a cursor's readings: it has the earlier first. */
export function placeOf(at: number | undefined, times: string[]): number {
  return at === undefined ? -1 : times.findIndex((t) => Date.parse(t) === at);
}

export function Moment({ ms, timeZone, year = false }: { ms: number; timeZone: string; year?: boolean }) {
  return <time dateTime={new Date(ms).toISOString()}>{day(ms, timeZone)} {year && `${localDate(ms, timeZone).slice(0, 4)} `}{clock(ms, timeZone)}</time>;
}

export function Readings({ site, channels, asked, question, address, a, b, system }: ReadingsProps) {
  const answer = asked.answered.value === question ? asked.value.value : undefined;
  const both = a !== undefined && b !== undefined;
  const [ia, ib] = [placeOf(a, answer?.at ?? []), placeOf(b, answer?.at ?? [])];
  const between = both || (a === undefined && b === undefined);
  const swapped = both && a > b;
  return (
    <section class="readings" aria-labelledby="readings-title" data-answer={address}>
      <h2 id="readings-title">{both ? 'Between the cursors' : a !== undefined || b !== undefined ? 'At the cursor' : 'In this view'}</h2>
      <p class="cursor-times">
        {a !== undefined && <span><b>A</b> <Moment ms={a} timeZone={site.timezone} /></span>}
        {b !== undefined && <span><b>B</b> <Moment ms={b} timeZone={site.timezone} /></span>}
        {both && <span>{swapped ? 'A − B' : 'B − A'} <time dateTime={`PT${Math.abs(b - a) / 1000}S`}>{precise(Math.abs(b - a))}</time></span>}
        {a === undefined && b === undefined && <span class="aside">Click into the plot for cursor A, again for B; or press A and B there.</span>}
      </p>
      <Standing asked={asked} what="readings" question={question} />
      {answer && (
        <div class="scroll" tabIndex={0} role="region" aria-label="Readings as a table">
          <table>
            <thead>
              <tr>
                <th scope="col">Channel</th>
                {a !== undefined && <th scope="col" class="num">at A</th>}
                {b !== undefined && <th scope="col" class="num">at B</th>}
                {both && <th scope="col" class="num">{swapped ? 'A − B' : 'B − A'}</th>}
                {between && ['lowest', 'mean', 'highest'].map((t) => <th key={t} scope="col" class="num">{t}</th>)}
              </tr>
            </thead>
            <tbody>
              {answer.channels.map((m, i) => {
                const c = channels.find((one) => one.id === m.channel);
                if (!c) return null;
                const d = channelDisplay(c, system);
                return (
                  <tr key={m.channel} data-channel={m.channel}>
                    <th scope="row">{channelName(site, c)}{d.unit && <span class="unit"> {d.unit}</span>}</th>
                    {a !== undefined && <td class="num"><Read reading={m.readings[ia]} at={`/channels/${i}/readings/${ia}/value`} d={d} /></td>}
                    {b !== undefined && <td class="num"><Read reading={m.readings[ib]} at={`/channels/${i}/readings/${ib}/value`} d={d} /></td>}
                    {both && <td class="num">{m.difference === undefined ? '–' : <Num value={m.difference} at={`/channels/${i}/difference`}>{fixed(m.difference * d.scale, d.decimals)}</Num>}</td>}
                    {between && <Extent m={m} i={i} d={d} c={c} />}
                  </tr>
                );
              })}
            </tbody>
          </table>
        </div>
      )}
      {answer?.channels.some((m) => m.between?.raw_dropped || m.readings.some((r) => r?.minute_mean)) && (
        <p class="aside">Single readings of this time are no longer kept: the numbers are those of whole minutes.</p>
      )}
    </section>
  );
}

function Read({ reading, at, d }: { reading: MomentReading | null | undefined; at: string; d: Display }) {
  if (!reading || reading.value === null) return <span class="absent">not read</span>;
  return <Num value={reading.value} at={at}>{fixed(convert(d, reading.value), d.decimals)}</Num>;
}

/** The mean of codes says nothing; of bits it is the share of readings that were on. */
function Extent({ m, i, d, c }: { m: MomentChannel; i: number; d: Display; c: SiteChannel }) {
  const b = m.between;
  if (!b || b.mean === undefined) return <td class="num absent" colSpan={3}>nothing was read</td>;
  // What a scale turns round has its lowest where the API has its highest.
  const order = d.scale < 0 ? (['max', 'mean', 'min'] as const) : (['min', 'mean', 'max'] as const);
  return (
    <>
      {order.map((key) => {
        const value = key === 'mean' && c.role === 'fault_code' ? undefined : b[key];
        const decimals = key === 'mean' && c.bit ? 2 : d.decimals;
        return <td key={key} class="num">{value === undefined ? '–' : <Num value={value} at={`/channels/${i}/between/${key}`}>{fixed(convert(d, value), decimals)}</Num>}</td>;
      })}
    </>
  );
}

/** A time between cursors: parts of a second where it is short. */
export function precise(ms: number): string {
  return ms < 60_000 ? `${(ms / 1000).toFixed(ms % 1000 === 0 ? 0 : 1)}\u00a0s` : duration(ms);
}
