// The nights as a picture: from noon to noon, what flowed in each quarter hour and
// whether it counts.
import type { NightsAnswer, Site } from '../api';
import { Known } from '../figure/known';
import { Num } from '../figure/number';
import { addDays } from '../look/days';
import { useWidth } from '../look/measure';
import { Hatch } from '../look/pattern';
import { Twin, type TwinRow } from '../look/twin';
import { traceHref } from '../trace/address';
import { displayOf, fixed, write, type UnitSystem } from '../units/units';
import { clockMinute, day as dayWords, duration } from '../units/words';
import { ceiling, foundOrder, foundWords, nightsIn, rowsOf, slots, stretches, type Found, type NightRow, type Quarter } from './view';

const rowPx = 54;

interface Shared {
  answer: NightsAnswer;
  site: Site;
  system: UnitSystem;
}

export function Picture(shared: Shared) {
  const { answer, site, system } = shared;
  const rows = rowsOf(answer, site.timezone);
  const top = ceiling(answer);
  const quiet = answer.figures.find((f) => f.name === 'quiet_demand')?.value;
  const seen = new Set(answer.quarters.found);
  const d = displayOf('flow', system);
  return (
    <section class="nights" aria-labelledby="nights-title">
      <h2 id="nights-title">The nights</h2>
      {rows.length === 0 ? <p class="absent">No night of these days can be told.</p> : (
        <>
          <Patterns />
          <p class="aside strip-key">
            Each row is a night, from noon to noon; each bar what flowed in a quarter hour{d && top > 0 && <>, up to <span class="tick">{write(d, top)}</span></>}. A bar that reaches the top may go beyond it.
            {quiet !== undefined && ' The dashed line is the quiet demand of all of them.'}
          </p>
          <ul class="strip-words" aria-label="What the bars mean">
            {foundOrder.filter((f) => seen.has(f)).map((f) => (
              <li key={f}>
                <svg width="18" height="16" aria-hidden="true" focusable="false"><path class={`q q-${f}`} d={f === 'unseen' || f === 'shift' ? 'M1 1H17V15H1Z' : f === 'empty' ? 'M1 14H17' : 'M5 15V3H13V15Z'} /></svg>
                {foundWords[f]}
              </li>
            ))}
          </ul>
          <ol class="night-rows">
            {rows.map((r) => <Row key={r.date} row={r} top={top} quiet={quiet === undefined ? undefined : quiet / 60} shared={shared} />)}
          </ol>
        </>
      )}
      <NightsTwin {...shared} />
      {rows.length > 0 && <HoursTwin rows={rows} {...shared} />}
      <Known
        title="the picture"
        facts={{
          method: 'The demand of each quarter hour outside the shifts is divided by its absolute pressure, since leaks follow that; the night’s level is the lower quartile. A quarter hour counts while it lies no more than a quarter, and three times what a quarter hour can be told to, above the level, at least two in a row. A night at more than 2.5 times the middle one’s level is left out whole.',
          over: answer.basis,
          inputs: [],
          instruments: [],
        }}
        look={traceHref({ channels: channelsOf(site, answer.system), from: Date.parse(answer.from), to: Date.parse(answer.to) })}
      />
    </section>
  );
}

export function channelsOf(site: Site, system: string): string[] {
  const of = site.systems.find((s) => s.name === system);
  const machines = site.machines.filter((m) => of?.machines.includes(m.name));
  const all = [of?.pressure, ...(of?.taps ?? []).map((t) => t.flow), ...machines.map((m) => m.channels['power'] ?? m.channels['motor_current'])];
  return [...new Set(all.filter((id): id is string => id !== undefined))].slice(0, 4);
}

function Patterns() {
  return (
    <svg class="patterns" width="0" height="0" aria-hidden="true" focusable="false">
      <defs>
        <Hatch id="night-nothing" />
        <pattern id="night-busy" width="5" height="5" patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><line class="busy-line" x1="0" y1="0" x2="0" y2="5" /></pattern>
      </defs>
    </svg>
  );
}

function Row({ row, top, quiet, shared }: { row: NightRow; top: number; quiet: number | undefined; shared: Shared }) {
  const { answer, site, system } = shared;
  const evening = dayWords(Date.parse(`${row.date}T12:00:00Z`), 'UTC');
  const morning = dayWords(Date.parse(`${addDays(row.date, 1)}T12:00:00Z`), 'UTC');
  const title = `${evening} to ${morning}`;
  const begun = nightsIn(row, answer);
  return (
    <li class="night-row" data-date={row.date}>
      <h3>
        <a href={traceHref({ channels: channelsOf(site, answer.system), from: row.from, to: row.to })}><time dateTime={row.date}>{evening}</time><span class="visually-hidden"> to <time dateTime={addDays(row.date, 1)}>{morning}</time>, in Trace</span></a>
      </h3>
      <Bars row={row} top={top} quiet={quiet} title={title} shared={shared} />
      <div class="night-said">
        {begun.map((i) => <Said key={i} i={i} answer={answer} system={system} />)}
        {begun.length === 0 && row.quarters.some((q) => q.found !== 'shift') && <p class="aside">the same time off goes on</p>}
      </div>
    </li>
  );
}

/** What a night gave, or why it gave nothing. */
function Said({ i, answer, system }: { i: number; answer: NightsAnswer; system: UnitSystem }) {
  const n = answer.nights[i];
  const [flow, pressure] = [displayOf('flow', system), displayOf('pressure', system)];
  if (!n || !flow || !pressure) return null;
  if (n.flow_m3s === null || n.pressure_pa === null) return <p class="absent">Nothing taken: <span data-words>{n.why ?? 'none was quiet'}</span>.</p>;
  return (
    <p>
      <strong><Num value={n.flow_m3s} at={`/nights/${i}/flow_m3s`}>{fixed(n.flow_m3s * flow.scale, flow.decimals)}</Num> {flow.unit}</strong>
      {' at '}<Num value={n.pressure_pa} at={`/nights/${i}/pressure_pa`}>{fixed(n.pressure_pa * pressure.scale, pressure.decimals)}</Num> {pressure.unit},
      <span class="aside"> <Num value={n.quiet_s} at={`/nights/${i}/quiet_s`}>{duration(n.quiet_s * 1000)}</Num> taken</span>
    </p>
  );
}

const whole: Found[] = ['shift', 'unseen'];

function barPath(quarters: Quarter[], found: Found, width: number, top: number): string {
  const x = (slot: number) => ((slot / slots) * width).toFixed(1);
  return quarters.filter((q) => q.found === found).map((q) => {
    if (whole.includes(found)) return `M${x(q.slot)} 0H${x(q.slot + 1)}V${rowPx}H${x(q.slot)}Z`;
    if (found === 'empty' || q.flow === null) return `M${x(q.slot)} ${rowPx - 2}H${x(q.slot + 0.6)}`;
    const y = (rowPx * (1 - Math.min(1, Math.max(0, q.flow) / (top || 1)))).toFixed(1);
    return `M${x(q.slot + 0.1)} ${rowPx}V${y}H${x(q.slot + 0.9)}V${rowPx}`;
  }).join('');
}

function Bars({ row, top, quiet, title, shared }: { row: NightRow; top: number; quiet: number | undefined; title: string; shared: Shared }) {
  const [ref, width] = useWidth<HTMLDivElement>();
  const line = quiet === undefined || top === 0 ? undefined : rowPx * (1 - Math.max(0, quiet) / top);
  return (
    <div class="night-strip" ref={ref}>
      {width > 0 && (
        <svg width={width} height={rowPx + 16} role="img" aria-label={described(row, shared.answer, title)}>
          {[24, 48, 72].map((s) => <line key={s} class="hair" x1={(s / slots) * width} x2={(s / slots) * width} y1={0} y2={rowPx} />)}
          {foundOrder.map((f) => <path key={f} class={`q q-${f}`} d={barPath(row.quarters, f, width, top)} />)}
          {line !== undefined && <line class="level" x1={0} x2={width} y1={line} y2={line} />}
          <line class="base" x1={0} x2={width} y1={rowPx} y2={rowPx} />
          {['12:00', '18:00', '00:00', '06:00'].map((t, i) => <text key={t} class="tick" x={(i / 4) * width} y={rowPx + 13} text-anchor={i === 0 ? 'start' : 'middle'}>{t}</text>)}
        </svg>
      )}
    </div>
  );
}

/** "Wed 25 Nov to Thu 26 Nov: quiet, and taken 1 h 0 min; …" */
export function described(row: NightRow, answer: NightsAnswer, title: string): string {
  const parts = foundOrder.flatMap((f) => {
    const n = row.quarters.filter((q) => q.found === f).length;
    return n === 0 ? [] : [`${foundWords[f]} ${duration(n * answer.step_s * 1000)}`];
  });
  return `${title}: ${parts.join('; ')}.`;
}

function Moment({ ms, timeZone }: { ms: number; timeZone: string }) {
  return <time dateTime={new Date(ms).toISOString()}>{`${dayWords(ms, timeZone)}, ${clockMinute(ms, timeZone)}`}</time>;
}

function NightsTwin({ answer, site, system }: Shared) {
  const [flow, pressure] = [displayOf('flow', system), displayOf('pressure', system)];
  if (!flow || !pressure) return null;
  const rows = (): TwinRow[] => answer.nights.map((n, i) => ({
    key: n.from,
    cells: [
      <Moment key="f" ms={Date.parse(n.from)} timeZone={site.timezone} />, <Moment key="t" ms={Date.parse(n.to)} timeZone={site.timezone} />,
      <Num key="q" value={n.quiet_s} at={`/nights/${i}/quiet_s`}>{duration(n.quiet_s * 1000)}</Num>,
      n.flow_m3s === null ? '–' : <Num key="v" value={n.flow_m3s} at={`/nights/${i}/flow_m3s`}>{fixed(n.flow_m3s * flow.scale, flow.decimals)}</Num>,
      n.pressure_pa === null ? '–' : <Num key="p" value={n.pressure_pa} at={`/nights/${i}/pressure_pa`}>{fixed(n.pressure_pa * pressure.scale, pressure.decimals)}</Num>,
      <span key="w" data-words>{n.why ?? ''}</span>,
    ],
  }));
  return (
    <Twin
      title="The nights" rows={rows}
      columns={[{ title: 'Nobody works from' }, { title: 'to' }, { title: 'Taken', number: true }, { title: `Flow, ${flow.unit}`, number: true }, { title: `Pressure, ${pressure.unit}`, number: true }, { title: 'Why nothing was taken' }]}
    />
  );
}

function HoursTwin({ rows, answer, site }: Shared & { rows: NightRow[] }) {
  const all = (): TwinRow[] => rows.flatMap((r) => stretches(r, answer)).filter((s) => s.found !== 'shift').map((s) => ({
    key: String(s.from),
    cells: [<Moment key="f" ms={s.from} timeZone={site.timezone} />, <Moment key="t" ms={s.to} timeZone={site.timezone} />, foundWords[s.found]],
  }));
  return <Twin title="What became of each hour" rows={all} columns={[{ title: 'From' }, { title: 'to' }, { title: 'What became of it' }]} />;
}
