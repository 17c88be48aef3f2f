// Each day a strip: the pressure as a band with its mean, below it what each
// machine did. Beside it the day in figures; opened, every one with how we know.
import type { Day, DaysAnswer, Site } from '../api';
import { FigureEntry } from '../figure/figure';
import { Known } from '../figure/known';
import { lookAt } from '../figure/look';
import { Num } from '../figure/number';
import type { Found } from '../figure/answer';
import { useWidth } from '../look/measure';
import { StatePatterns } from '../look/pattern';
import { Twin, type TwinRow } from '../look/twin';
import { go, place } from '../route';
import { channelDisplay, fixed, showFigure, type UnitSystem } from '../units/units';
import { clockMinute, day as dayWords, duration } from '../units/words';
import { titleOf } from './names';
import { bands, changed, decimalsOf, foundIn, minimumOf, placeHref, pressureChannel, scaleOf, spanOf, stacked, type Band, type Stretch, type Who } from './view';

const lanePx = 54;
const gapPx = 6;
const machinePx = 34;

interface Shared {
  answer: DaysAnswer;
  site: Site;
  who: Who;
  system: UnitSystem;
}

export function Strips({ answer, site, who, system, now }: Shared & { now: number }) {
  const channel = pressureChannel(site, answer);
  const display = channel && channelDisplay(channel, system);
  const pressures = answer.days.map((d) => (display ? bands(d, display) : []));
  const least = minimumOf(site, answer, system, display);
  const scale = scaleOf(pressures, least);
  const machines = answer.days[0]?.machines.map((m) => m.machine) ?? [];
  const absent = answer.days[0]?.machines.filter((m) => m.absent) ?? [];
  return (
    <section class="strips" aria-labelledby="strips-title">
      <h2 id="strips-title">The days</h2>
      <StatePatterns prefix="days-" />
      <Key answer={answer} scale={scale} unit={display?.unit ?? ''} least={least} machines={machines} decimals={display?.decimals ?? 0} />
      {absent.map((m) => <p key={m.machine} class="absent">What {m.machine} did is not known: <span data-words>{m.absent}</span>.</p>)}
      <ol class="days">
        {answer.days.map((d, i) => (
          <OneDay key={d.date} day={d} index={i} pressure={pressures[i] ?? []} scale={scale} least={least} shared={{ answer, site, who, system }} now={now} />
        ))}
      </ol>
      <DaysTwin answer={answer} site={site} system={system} />
      <Known
        title="the strips"
        facts={{
          method: `Each slot of ${answer.slot_s / 60} minutes is divided by how long each state lasted in it; the pressure's band reaches from its lowest to its highest reading, with the mean of the readings as a line. Nothing is drawn over what was not read.`,
          inputs: answer.pressure ? [answer.pressure] : [],
          instruments: [],
        }}
        look={placeHref(site, who, answer.pressure, Date.parse(answer.from), Date.parse(answer.to))}
      />
    </section>
  );
}

const stateWords: [string, string][] = [
  ['loaded', 'loaded'], ['part-load', 'at part load'], ['unloaded', 'running unloaded'], ['starting', 'starting'], ['tripped', 'tripped'],
  ['standby', 'stopped, may start by itself'], ['stopped', 'stopped'], ['unobserved', 'not observed'],
];

/** The states that were seen in these days, and whether something was not. */
function seenStates(answer: DaysAnswer): Set<string> {
  return new Set(answer.days.flatMap((d) => d.machines.flatMap((m) => stacked(d, m, answer.slot_s).map((s) => s.state))));
}

function Key({ answer, scale, unit, least, machines, decimals }: { answer: DaysAnswer; scale: { low: number; high: number } | undefined; unit: string; least: number | undefined; machines: string[]; decimals: number }) {
  const seen = seenStates(answer);
  const ends = scale ? decimalsOf([scale.low, scale.high]) : 0;
  return (
    <>
      <p class="aside strip-key">
        {scale && <>Above, the pressure from <span class="tick">{fixed(scale.low, ends)} to {fixed(scale.high, ends)} {unit}</span>
          {least !== undefined && <>, the minimum of <span class="tick">{fixed(least, Math.min(decimals, decimalsOf([least])))} {unit}</span> dashed</>}. </>}
        Below, how much of each quarter hour {machines.length > 1 ? `${machines.join(', ')} (from above)` : machines[0]} spent in each state.
      </p>
      <ul class="strip-words" aria-label="What the blocks mean">
        {stateWords.filter(([state]) => seen.has(state)).map(([state, word]) => (
          <li key={state}>
            <svg width="18" height="16" aria-hidden="true" focusable="false"><rect class={`slot slot-${state}`} x="1" y="1" width="16" height="14" /></svg>
            {word}
          </li>
        ))}
      </ul>
    </>
  );
}

function OneDay({ day, index, pressure, scale, least, shared, now }: { day: Day; index: number; pressure: Band[]; scale: { low: number; high: number } | undefined; least: number | undefined; shared: Shared; now: number }) {
  const { answer, site, who, system } = shared;
  const span = spanOf(day);
  const open = place.value.query.get('day') === day.date;
  const title = dayWords(span.from, site.timezone);
  const hours = Math.round((span.to - span.from) / 3_600_000);
  const toggle = () => go(changed('days', place.value.query, { day: open ? undefined : day.date }), true);
  return (
    <li class="date" data-date={day.date}>
      <h3><a href={placeHref(site, who, answer.pressure, span.from, Math.min(span.to, now))}><time dateTime={day.date}>{title}</time><span class="visually-hidden"> in Trace</span></a></h3>
      <p class="aside day-type">{day.day_type}{hours !== 24 && <>, <span class="tick">{hours} h</span>: the clocks change</>}{day.share < 0.999 && ', in part'}</p>
      <Strip day={day} span={span} pressure={pressure} scale={scale} least={least} shared={shared} title={title} />
      <Short day={day} index={index} system={system} />
      <button type="button" class="plain" aria-expanded={open} aria-controls={`day-${day.date}`} onClick={toggle}>
        {open ? 'Close' : 'All of'} <time dateTime={day.date}>{title}</time>
      </button>
      {open && <Full id={`day-${day.date}`} day={day} index={index} shared={shared} title={title} />}
    </li>
  );
}

/** What a day says at a glance. */
function Short({ day, index, system }: { day: Day; index: number; system: UnitSystem }) {
  const own = foundIn(day.figures, `/days/${index}`);
  const shown = ['energy', 'air_demand_mean', 'quiet_demand'].flatMap((n) => (own.get(n)?.figure.value === undefined ? [] : [own.get(n)])).filter((f) => f !== undefined);
  return (
    <dl class="short">
      {shown.map((f) => <ShortValue key={f.figure.name} found={f} system={system} title={titleOf(f.figure.name)} />)}
      {day.machines.map((m, k) => {
        const found = foundIn(m.figures, `/days/${index}/machines/${k}`);
        const of = (name: string) => found.get(name);
        const load = of('mean_load_fraction')?.figure.value === undefined ? of('loaded_share') : of('mean_load_fraction');
        const prefix = day.machines.length > 1 ? `${m.machine}: ` : '';
        return [load, of('starts')].map((f) => f && f.figure.value !== undefined && <ShortValue key={`${m.machine} ${f.figure.name}`} found={f} system={system} title={prefix ? `${prefix}${titleOf(f.figure.name).toLowerCase()}` : titleOf(f.figure.name)} />);
      })}
    </dl>
  );
}

function ShortValue({ found, system, title }: { found: Found; system: UnitSystem; title: string }) {
  const f = found.figure;
  if (f.value === undefined) return null;
  const shown = showFigure(f.name, f.value, f.unit ?? '1', f.uncertainty, system);
  return (
    <div>
      <dt>{title}</dt>
      <dd>{f.at_least && 'at least '}<Num value={f.value} at={`${found.at}/value`}>{shown.value}</Num>{shown.unit && ` ${shown.unit}`}</dd>
    </div>
  );
}

function Full({ id, day, index, shared, title }: { id: string; day: Day; index: number; shared: Shared; title: string }) {
  const { answer, site, who, system } = shared;
  const [from, to] = [Date.parse(day.from), Date.parse(day.to)];
  const entries = (found: Map<string, Found>, machine: string | undefined) => [...found.values()].map((f) => (
    <FigureEntry
      key={`${machine ?? ''} ${f.figure.name}`} title={`${titleOf(f.figure.name)}${machine ? ` of ${machine}` : ''}`} found={f} instruments={answer.instruments} system={system}
      look={lookAt(site, machine ? { machine } : { [who.kind]: who.name }, f.figure, from, to)}
    />
  ));
  const names = new Set(who.kind === 'machine' ? day.figures.map((f) => f.name) : []);
  return (
    <div id={id} class="full" role="region" aria-label={`${title} in figures`}>
      {entries(foundIn(day.figures, `/days/${index}`), undefined)}
      {day.machines.map((m, k) => entries(new Map([...foundIn(m.figures, `/days/${index}/machines/${k}`)].filter(([n]) => !names.has(n))), m.machine))}
    </div>
  );
}

/** Half of what a click on a strip shows in Trace, ms. */
const aroundMs = 3_600_000;

function Strip({ day, span, pressure, scale, least, shared, title }: { day: Day; span: { from: number; to: number }; pressure: Band[]; scale: { low: number; high: number } | undefined; least: number | undefined; shared: Shared; title: string }) {
  const [ref, width] = useWidth<HTMLDivElement>();
  const { answer, site, who } = shared;
  const x = (ms: number) => ((ms - span.from) / (span.to - span.from)) * width;
  const slotX = (slot: number) => x(Math.min(Date.parse(day.to), Math.max(span.from, Date.parse(day.slots_from) + slot * answer.slot_s * 1000)));
  const laneAbove = scale ? lanePx + gapPx : 0;
  const height = laneAbove + day.machines.length * (machinePx + gapPx) + 18;
  const y = (v: number) => (scale ? lanePx - ((v - scale.low) / (scale.high - scale.low || 1)) * lanePx : 0);
  // With the mouse a place in the day is a place in Trace; the link at the day's name leads there too.
  const click = (e: MouseEvent) => {
    const box = (e.currentTarget as Element).getBoundingClientRect();
    const at = span.from + ((e.clientX - box.left) / box.width) * (span.to - span.from);
    go(placeHref(site, who, answer.pressure, Math.round(at - aroundMs), Math.round(at + aroundMs)));
  };
  return (
    <div class="strip" ref={ref}>
      {width > 0 && (
        <svg width={width} height={height} role="img" aria-label={describe(day, title, answer.slot_s, site.timezone)} onClick={click}>
          <Frame day={day} x={x} slotX={slotX} lane={scale !== undefined} height={height} timeZone={site.timezone} span={span} />
          {scale && pressure.map((b) => <Pressure key={b.slots[0]?.slot} band={b} slotX={slotX} y={y} />)}
          {scale && least !== undefined && <line class="least" x1={0} x2={width} y1={y(least)} y2={y(least)} />}
          {day.machines.map((m, i) => {
            const foot = laneAbove + (i + 1) * machinePx + i * gapPx;
            return <g key={m.machine}><Blocks all={stacked(day, m, answer.slot_s)} slotX={slotX} foot={foot} /><line class="base" x1={0} x2={x(Date.parse(day.to))} y1={foot} y2={foot} /></g>;
          })}
        </svg>
      )}
    </div>
  );
}

/** Hatched where no pressure was read, and every third hour with its clock. */
function Frame({ day, x, slotX, lane, height, timeZone, span }: { day: Day; x: (ms: number) => number; slotX: (slot: number) => number; lane: boolean; height: number; timeZone: string; span: { from: number; to: number } }) {
  const ticks: number[] = [];
  for (let t = span.from; t < span.to; t += 3_600_000) if (Number(clockMinute(t, timeZone).slice(0, 2)) % 6 === 0) ticks.push(t);
  const missing = lane ? Array.from({ length: day.slots }, (_, i) => i).filter((i) => day.pressure?.mean[i] == null) : [];
  return (
    <>
      {missing.length > 0 && <path class="slot slot-unobserved" d={missing.map((i) => `M${slotX(i)} 0H${slotX(i + 1)}V${lanePx}H${slotX(i)}Z`).join('')} />}
      {ticks.map((t) => (
        <g key={t}>
          <line class="hair" x1={x(t)} x2={x(t)} y1={0} y2={height - 14} />
          <text class="tick" x={x(t)} y={height - 2} text-anchor={t === span.from ? 'start' : 'middle'}>{clockMinute(t, timeZone)}</text>
        </g>
      ))}
    </>
  );
}

function Pressure({ band, slotX, y }: { band: Band; slotX: (slot: number) => number; y: (v: number) => number }) {
  const top = band.slots.map((s) => `${slotX(s.slot).toFixed(1)} ${y(s.max).toFixed(1)}H${slotX(s.slot + 1).toFixed(1)}`);
  const foot = [...band.slots].reverse().map((s) => `${slotX(s.slot + 1).toFixed(1)} ${y(s.min).toFixed(1)}H${slotX(s.slot).toFixed(1)}`);
  const middle = (s: { slot: number }) => ((slotX(s.slot) + slotX(s.slot + 1)) / 2).toFixed(1);
  return (
    <>
      <path class="span" d={`M${top.join('L')}L${foot.join('L')}Z`} />
      <path class="mean" d={`M${band.slots.map((s) => `${middle(s)} ${y(s.mean).toFixed(1)}`).join('L')}`} />
    </>
  );
}

/** One path for each state. */
function Blocks({ all, slotX, foot }: { all: Stretch[]; slotX: (slot: number) => number; foot: number }) {
  const by = new Map<string, string>();
  for (const s of all) {
    const [top, low] = [foot - s.high * machinePx, foot - s.low * machinePx];
    by.set(s.state, `${by.get(s.state) ?? ''}M${slotX(s.slot).toFixed(1)} ${top.toFixed(1)}H${slotX(s.slot + 1).toFixed(1)}V${low.toFixed(1)}H${slotX(s.slot).toFixed(1)}Z`);
  }
  return <>{[...by].map(([state, d]) => <path key={state} class={`slot slot-${state}`} d={d} />)}</>;
}

/** The strip in words: how long each machine did what. */
export function describe(day: Day, title: string, slotS: number, timeZone: string): string {
  const parts = day.machines.map((m) => {
    const lasted = Object.entries(m.states).map(([state, s]) => ({ state, s: s.reduce((a, b) => a + b, 0) })).filter((e) => e.s >= 1).sort((a, b) => b.s - a.s);
    if (lasted.length === 0) return `${m.machine}: nothing was observed`;
    const ran = Array.from({ length: day.slots }, (_, i) => i).filter((i) => ['loaded', 'part-load', 'unloaded', 'starting'].some((st) => (m.states[st]?.[i] ?? 0) > 0));
    const begin = Date.parse(day.slots_from);
    const [first, last] = [ran[0], ran.at(-1)];
    const when = first === undefined || last === undefined ? 'did not run'
      : `ran between ${clockMinute(begin + first * slotS * 1000, timeZone)} and ${clockMinute(Math.min(Date.parse(day.to), begin + (last + 1) * slotS * 1000), timeZone)}`;
    return `${m.machine} ${when}; ${lasted.map((e) => `${e.state} ${duration(e.s * 1000)}`).join(', ')}`;
  });
  return `${title}: ${parts.join('. ')}.`;
}

const twinNames = ['energy', 'energy_off_shift', 'air_delivered', 'air_demand_mean', 'quiet_demand', 'pressure_mean', 'time_below_minimum'];
const twinMachineNames = ['loaded_share', 'mean_load_fraction', 'running_time', 'starts', 'load_cycles'];

function DaysTwin({ answer, site, system }: { answer: DaysAnswer; site: Site; system: UnitSystem }) {
  const has = (figures: { name: string; value?: number }[], n: string) => figures.some((f) => f.name === n && f.value !== undefined);
  const own = twinNames.filter((n) => answer.days.some((d) => has(d.figures, n)));
  const machines = (answer.days[0]?.machines ?? []).flatMap((m, k) => twinMachineNames.filter((n) => answer.days.some((d) => has(d.machines[k]?.figures ?? [], n))).map((n) => ({ k, n, machine: m.machine })));
  const value = (found: Found | undefined) => {
    if (found?.figure.value === undefined) return 'not known';
    const shown = showFigure(found.figure.name, found.figure.value, found.figure.unit ?? '1', found.figure.uncertainty, system);
    return <>{found.figure.at_least && 'at least '}<Num value={found.figure.value} at={`${found.at}/value`}>{shown.value}</Num>{shown.unit && ` ${shown.unit}`}</>;
  };
  const rows = (): TwinRow[] => answer.days.map((d, i) => {
    const subject = foundIn(d.figures, `/days/${i}`);
    return {
      key: d.date,
      cells: [<time key="d" dateTime={d.date}>{dayWords(Date.parse(d.from), site.timezone)}</time>, ...own.map((n) => value(subject.get(n))),
        ...machines.map(({ k, n }) => value(foundIn(d.machines[k]?.figures ?? [], `/days/${i}/machines/${k}`).get(n)))],
    };
  });
  const several = (answer.days[0]?.machines.length ?? 0) > 1;
  return (
    <Twin title="The days" rows={rows} columns={[{ title: 'Day' }, ...own.map((n) => ({ title: titleOf(n), number: true })), ...machines.map(({ n, machine }) => ({ title: several ? `${machine}: ${titleOf(n).toLowerCase()}` : titleOf(n), number: true }))]} />
  );
}
