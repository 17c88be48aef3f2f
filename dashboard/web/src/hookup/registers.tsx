// The register table: what stands in each device now, as it came off the line.
import { useSignal } from '@preact/signals';
import { answerOf, type DeviceRegisters, type Register, type RegistersAnswer, type Site, type SiteChannel } from '../api';
import { useAsked } from '../api/asked';
import { answerAddress, Num } from '../figure/number';
import type { Live, View } from '../live/live';
import { Standing } from '../look/standing';
import { channelDisplay, fixed, write, type UnitSystem } from '../units/units';
import { age, clock } from '../units/words';

/** Asked as often as a person can read. */
const everyMs = 1_000;
/** Older than this the table says so, ms. */
const oldMs = 10_000;

export function Registers({ live, site, view, system, device }: { live: Live; site: Site; view: View; system: UnitSystem; device: string }) {
  const key = answerAddress('/api/v1/registers', { device });
  const asked = useAsked<RegistersAnswer>({ held: live.held }, {
    key, everyMs, ask: (signal) => answerOf('/api/v1/registers', new URLSearchParams(device ? { device } : {}), signal),
  });
  const find = useSignal('');
  const answer = asked.value.value;
  const old = answer && view.now - Date.parse(answer.time) > oldMs;
  return (
    <section aria-labelledby="registers-title" class="registers">
      <h2 id="registers-title">What stands in the devices</h2>
      <p class="aside">Raw is the count before scale and offset; the words stand in the order of their addresses, in hexadecimal. Addresses count from zero.</p>
      <Standing asked={asked} what="registers" question={key} />
      {old && !asked.error.value && <p class="standing warn" role="status">As of <time dateTime={answer.time}>{clock(Date.parse(answer.time), site.timezone)}</time>: this is not live.</p>}
      {answer && (
        <>
          <p class="find"><label>Find a register <input type="search" value={find.value} onInput={(e) => { find.value = e.currentTarget.value; }} /></label></p>
          {answer.devices.length === 0 && <p class="aside">Nothing is read from {device || 'any device'}: what it recorded is imported.</p>}
          <div data-answer={asked.answered.value} data-moves>
            {answer.devices.map((d, i) => <DeviceTable key={d.device} d={d} at={`/devices/${i}`} site={site} view={view} system={system} find={find.value} />)}
          </div>
        </>
      )}
    </section>
  );
}

/** Whether a register is one that is looked for: by name, role or address. */
export function matches(r: Register, find: string): boolean {
  const words = find.toLowerCase().split(/\s+/).filter((w) => w !== '');
  const text = [r.id, r.role.replaceAll('_', ' '), r.role, r.table ?? '', String(r.address ?? ''), r.ask ?? '', r.type].join(' ').toLowerCase();
  return words.every((w) => text.includes(w));
}

function DeviceTable({ d, at, site, view, system, find }: { d: DeviceRegisters; at: string; site: Site; view: View; system: UnitSystem; find: string }) {
  const shown = d.registers.map((r, i) => ({ r, at: `${at}/registers/${i}` })).filter((x) => matches(x.r, find));
  const modbus = d.protocol === 'modbus';
  return (
    <section class="device-registers" aria-label={`Registers of ${d.device}`}>
      <h3>{d.device}</h3>
      <p class="aside">
        {modbus && <>Unit <Num value={d.unit_id} at={`${at}/unit_id`}>{d.unit_id}</Num> on </>}{!modbus && 'On '}line {d.line}, by <span data-words>{d.map}, {d.map_file}</span>.
        {d.verified.length > 0 && <> Before it is read: <span data-words>{d.verified.join('; ')}</span>.</>}
      </p>
      {shown.length === 0 ? <p class="aside">No register of {d.device} fits.</p> : (
        <div class="scroll wide-table" tabIndex={0} role="region" aria-label={`Register table of ${d.device}`}>
          <table>
            <thead><tr>
              <th scope="col">Register</th><th scope="col" class="num">Value</th><th scope="col" class="num">Raw</th><th scope="col">Words</th>
              <th scope="col">Quality</th><th scope="col" class="num">Age</th><th scope="col">Where</th><th scope="col">Type</th><th scope="col">Value is</th>
            </tr></thead>
            <tbody>
              {shown.map((x) => <Row key={x.r.id} r={x.r} at={x.at} channel={site.channels.find((c) => c.id === x.r.id)} now={view.now} system={system} />)}
            </tbody>
          </table>
        </div>
      )}
    </section>
  );
}

function Row({ r, at, channel, now, system }: { r: Register; at: string; channel: SiteChannel | undefined; now: number; system: UnitSystem }) {
  return (
    <tr data-register={r.id} data-quality={r.quality}>
      <th scope="row">{r.name}{r.role && r.role !== r.name && <span class="aside"> {r.role.replaceAll('_', ' ')}</span>}</th>
      <td class={r.stale ? 'num old' : 'num'}><ValueCell r={r} at={at} channel={channel} system={system} /></td>
      <td class="num"><span data-words>{r.raw || '–'}</span></td>
      <td class="hash"><span data-words>{r.words.join(' ') || '–'}</span></td>
      <td>{r.stale && r.quality === 'good' ? 'old' : r.quality}</td>
      <td class="num">{r.time ? <time dateTime={r.time}>{age(now - Date.parse(r.time))}</time> : '–'}</td>
      <td><Where r={r} at={at} /></td>
      <td>{r.type}{r.order && `, ${r.order === 'big' ? 'high' : 'low'} word first`}</td>
      <td><Scaling r={r} at={at} /></td>
    </tr>
  );
}

function ValueCell({ r, at, channel, system }: { r: Register; at: string; channel: SiteChannel | undefined; system: UnitSystem }) {
  if (r.value === null) return <>–</>;
  if (channel?.bit) return <Num value={r.value} at={`${at}/value`}>{r.value ? 'yes' : 'no'}</Num>;
  const step = channel?.step;
  // What has no step known, a float for one, is written as short as it came.
  const number = step && step > 0 ? fixed(r.value, Math.min(6, Math.max(0, Math.ceil(-Math.log10(step) - 1e-6)))) : String(Number(r.value.toPrecision(7))).replace('-', '−');
  const own = `${number}${r.unit === '1' ? '' : ` ${r.unit}`}`;
  const other = channel ? write(channelDisplay(channel, system), r.value) : own;
  return (
    <Num value={r.value} at={`${at}/value`}>
      {own}{channel && channelDisplay(channel, system).unit.replace('(a)', '') !== r.unit && r.unit !== '1' && <span class="aside"> = {other}</span>}
    </Num>
  );
}

function Where({ r, at }: { r: Register; at: string }) {
  if (r.address === undefined) return <>in <span data-words>{r.ask}</span></>;
  return (
    <>
      {r.table} <Num value={r.address} at={`${at}/address`}>{r.address}</Num>
      {r.bit !== undefined && <>, bit <Num value={r.bit} at={`${at}/bit`}>{r.bit}</Num></>}
      {r.function !== undefined && <span class="aside"> function <Num value={r.function} at={`${at}/function`}>{r.function}</Num></span>}
    </>
  );
}

function Scaling({ r, at }: { r: Register; at: string }) {
  return (
    <>
      {r.scale === 1 && r.offset === 0 ? 'raw' : <>raw × <Num value={r.scale} at={`${at}/scale`}>{r.scale}</Num></>}
      {r.offset !== 0 && <> + <Num value={r.offset} at={`${at}/offset`}>{r.offset}</Num></>}
      {r.valid && <span class="aside"> from <Num value={r.valid[0] ?? 0} at={`${at}/valid/0`}>{r.valid[0]}</Num> to <Num value={r.valid[1] ?? 0} at={`${at}/valid/1`}>{r.valid[1]}</Num></span>}
      {' '}<span class="aside">each <Num value={r.period_ms} at={`${at}/period_ms`}>{r.period_ms}</Num> ms</span>
    </>
  );
}
