// The section drawing: height is pressure. Air climbs from the room through each
// machine's air end and steps down through what they share to the plant.
import type { ComponentChildren, VNode } from 'preact';
import type { Site, SiteSystem } from '../api';
import type { View } from '../live/live';
import { useWidth } from '../look/measure';
import { Hatch } from '../look/pattern';
import { convert, fixed, type UnitSystem } from '../units/units';
import { describe } from './describe';
import { layOut, type Column, type Drawing, type Group, type Shown, type Tier } from './layout';
import { certainty, profile, type Stretch } from './profile';
import { Texts, edgeSide, readingY, readingsAt } from './section-text';

export function Section({ site, view, shown, system }: { site: Site; view: View; shown: Shown; system: UnitSystem }) {
  const [ref, width] = useWidth<HTMLDivElement>();
  const live = view.connection === 'live';
  const states = shown.machines.map((m) => (live ? view.machines.get(m.name)?.state : undefined));
  return (
    <div class="section" ref={ref}>
      {width > 0 && <Drawn site={site} d={layOut(site, view, shown, states, system, width)} view={view} system={system} shown={shown} />}
    </div>
  );
}

function Drawn({ site, d, view, system, shown }: { site: Site; d: Drawing; view: View; system: UnitSystem; shown: Shown }) {
  const height = d.height * d.tiers.length;
  const id = `section-${shown.machines.map((m) => m.name.replace(/\W/g, '_')).join('-')}`;
  return (
    <svg data-answer="/api/v1/site" width={d.width} height={height} viewBox={`0 0 ${d.width} ${height}`} role="img" aria-labelledby={`${id} ${id}-text`}>
      <title id={id}>Section through the air's way; height is pressure</title>
      <desc id={`${id}-text`}>{describe(d, shown.system, system)}</desc>
      <defs>
        <Hatch id="hatch" step={6} />
      </defs>
      {d.tiers.map((t, i) => (
        <g key={i} transform={`translate(0 ${i * d.height})`}>
          <Bands d={d} tier={t} />
          <Air d={d} tier={t} />
          <Vessels d={d} tier={t} />
          <Edges d={d} site={site} tier={t} />
          <Axis d={d} />
          {t.groups.map((g) => <Wall key={g.machine.name} d={d} group={g} />)}
          <Dimensions d={d} site={site} system={shown.system} tier={t} />
          <Texts d={d} tier={t} view={view} system={system} />
        </g>
      ))}
    </svg>
  );
}

/** A machine's band is drawn over it; of a single one up to the plant. */
function reach(d: Drawing, g: Group): [number, number] {
  const inside = g.columns.filter((c) => c.kind !== 'joint');
  return d.single ? [d.axisX, d.width - 2] : [inside[0]?.x0 ?? 0, inside.at(-1)?.x1 ?? 0];
}

/** Cut-in to cut-out of each machine. */
function Bands({ d, tier }: { d: Drawing; tier: Tier }) {
  return (
    <g>
      {tier.groups.map((g) => {
        const { cut_in_pa: low, cut_out_pa: high } = g.machine;
        if (low === undefined || high === undefined) return null;
        const [x0, x1] = reach(d, g);
        return <rect key={g.machine.name} class="band" x={x0} width={x1 - x0} y={d.scale.y(high)} height={Math.max(0, d.scale.y(low) - d.scale.y(high))} />;
      })}
    </g>
  );
}

const coarse = (d: Drawing, pa: number) => fixed(convert(d.display, pa), d.display.decimals === 1 ? 0 : 1);

/** Where /api/v1/site has a machine's value. */
const ofMachine = (site: Site, g: Group, key: 'cut_in_pa' | 'cut_out_pa') => `/machines/${site.machines.findIndex((m) => m.name === g.machine.name)}/${key}`;
const minimumAt = (site: Site, system: SiteSystem | undefined) => `/systems/${site.systems.findIndex((s) => s.name === system?.name)}/minimum_pressure_pa`;

/** A limit of the site file, with where the API has it. */
const Limit = ({ d, pa, at }: { d: Drawing; pa: number; at: string }) => <tspan data-at={at} data-value={pa}>{coarse(d, pa)}</tspan>;

/** How far a reading is from a limit. */
const Distance = ({ d, from, to, at }: { d: Drawing; from: Column; to: number; at: string }) => (
  <tspan data-at={at} data-from={readFrom(d, from)}>{fixed(Math.abs(((from.level?.pa ?? to) - to) * d.display.scale), d.display.decimals)}</tspan>
);

/** The channel that a place's level was read from: its own, or that of the place it is carried from. */
function readFrom(d: Drawing, c: Column): string | undefined {
  if (c.pressure?.si !== undefined) return c.pressure.channel.id;
  const all = d.tiers.flatMap((t) => [...t.groups.flatMap((g) => g.columns), ...t.tail]);
  return all.find((o) => o.pressure?.si !== undefined && o.pressure.si === c.level?.pa)?.pressure?.channel.id;
}

function Edges({ d, site, tier }: { d: Drawing; site: Site; tier: Tier }) {
  const readings = readingsAt(d, tier);
  return (
    <g>
      {tier.groups.map((g) => {
        const [x0, x1] = reach(d, g);
        const edge = (key: 'cut_in_pa' | 'cut_out_pa', pa: number | undefined, word: string, above: boolean) => {
          if (pa === undefined) return null;
          const baseline = d.scale.y(pa) + (above ? -6 : 15);
          const side = edgeSide(readings, [x0, x1], baseline);
          const white = d.single ? 6 : 3;
          return (
            <Line class="band-edge" x0={x0} x1={x1} y={d.scale.y(pa)}>
              {x1 - x0 > 110 && <text class="mark" x={side === 'start' ? x0 + white : x1 - white} y={baseline} text-anchor={side}>{d.single ? 'cut-' : ''}{word} <Limit d={d} pa={pa} at={ofMachine(site, g, key)} /></text>}
            </Line>
          );
        };
        return <g key={g.machine.name}>{edge('cut_out_pa', g.machine.cut_out_pa, 'out', true)}{edge('cut_in_pa', g.machine.cut_in_pa, 'in', false)}</g>;
      })}
    </g>
  );
}

function Line(p: { class: string; x0: number; x1: number; y: number; children?: ComponentChildren }) {
  return (
    <g>
      <line class={p.class} x1={p.x0} x2={p.x1} y1={p.y} y2={p.y} />
      {p.children}
    </g>
  );
}

/** A receiver is a vessel: its outline stands around the air in it. */
function Vessels({ d, tier }: { d: Drawing; tier: Tier }) {
  return (
    <g>
      {tier.tail.filter((c) => c.kind === 'receiver').map((c) => (
        <rect key={c.key} class="vessel" x={c.x0 + 5} width={c.x1 - c.x0 - 10} y={12} height={d.baseY - 12} rx={Math.min(26, (c.x1 - c.x0) / 4)} />
      ))}
    </g>
  );
}

function Air({ d, tier }: { d: Drawing; tier: Tier }) {
  const stretches = profile(tier, d.scale);
  const body = (s: Stretch) => `M${s.x0} ${d.baseY}L${s.x0} ${s.y0}L${s.x1} ${s.y1}L${s.x1} ${d.baseY}z`;
  return (
    <g>
      <Header d={d} tier={tier} />
      {certainty.map((known) => (
        <path key={known} class={`air ${known}`} d={stretches.filter((s) => s.known === known).map(body).join('')} />
      ))}
      {d.scale.breakY !== undefined && <path class="break" d={zigzag(d.axisX - 8, d.width, d.scale.breakY)} />}
      <line class="base" x1={d.axisX} x2={d.width} y1={d.baseY} y2={d.baseY} />
      {certainty.map((known) => (
        <path key={known} class={`level ${known}`} d={stretches.filter((s) => s.known === known).map((s) => `M${s.x0} ${s.y0}L${s.x1} ${s.y1}`).join('')} />
      ))}
      {flowing(d, tier).map((c) => <Chevrons key={`${c.x0}`} x={(c.x0 + c.x1) / 2} y={d.scale.y(c.level?.pa ?? 0) + 12} />)}
    </g>
  );
}

/** The pipe that the machines join goes behind them, at its own pressure. */
function Header({ d, tier }: { d: Drawing; tier: Tier }) {
  const joints = tier.groups.flatMap((g) => g.columns.filter((c) => c.kind === 'joint'));
  const [first, last] = [joints[0], joints.at(-1)];
  if (!first?.level || !last || joints.length < 2) return null;
  const y = d.scale.y(first.level.pa);
  return <line class="header-pipe" x1={first.x0} x2={last.x1} y1={y} y2={y} />;
}

/** Where air moves. */
function flowing(d: Drawing, tier: Tier): Column[] {
  const wide = (c: Column) => c.x1 - c.x0 > 34 && c.level && c.level.known !== 'old';
  const own = tier.groups.filter((g) => g.air === 'yes').flatMap((g) => g.columns.filter((c) => c.kind === 'separator' || c.kind === 'outlet'));
  const shared = d.air === 'yes' ? tier.tail.filter((c) => c.kind !== 'plant') : [];
  return [...own, ...shared].filter(wide);
}

/** Air moves this way. Still: nothing here needs to be animated to be read. */
function Chevrons({ x, y }: { x: number; y: number }) {
  return <path class="flow" d={[-8, 0, 8].map((dx) => `M${x + dx - 3} ${y - 4}l4 4-4 4`).join('')} />;
}

function zigzag(x0: number, x1: number, y: number): string {
  let path = `M${x0} ${y}`;
  for (let x = x0, up = true; x < x1; x += 6, up = !up) path += `L${x + 6} ${y + (up ? -3 : 3)}`;
  return path;
}

function Axis({ d }: { d: Drawing }) {
  return (
    <g>
      <line class="axis" x1={d.axisX} x2={d.axisX} y1={20} y2={d.baseY} />
      {d.scale.ticks.map((pa) => {
        const y = d.scale.y(pa);
        return (
          <g key={pa}>
            <line class="axis" x1={d.axisX - 5} x2={d.axisX} y1={y} y2={y} />
            <text class="tick" x={d.axisX - 8} y={y + 4} text-anchor="end">{coarse(d, pa)}</text>
          </g>
        );
      })}
      <text class="tick" x={d.axisX} y={12} text-anchor="end">{d.display.unit}</text>
    </g>
  );
}

/** The shut check valve: no air passes between machine and system. */
function Wall({ d, group }: { d: Drawing; group: Group }) {
  const outlet = group.columns.find((c) => c.kind === 'outlet');
  if (group.air !== 'no' || !outlet?.level) return null;
  const y = d.scale.y(outlet.level.pa);
  const written = readingY(d, outlet) ?? d.baseY;
  const words = [d.baseY - 70, d.baseY - 104].find((at) => Math.abs(at - written) > 24);
  return (
    <g>
      <line class="wall" x1={outlet.x0} x2={outlet.x0} y1={y - 12} y2={d.baseY} />
      {d.single && !d.narrow && <text class="mark" x={outlet.x0 + 9} y={words}>no air passes</text>}
    </g>
  );
}

/** How far it is: to the next switching point, and above the system's minimum. */
function Dimensions({ d, site, system, tier }: { d: Drawing; site: Site; system: SiteSystem | undefined; tier: Tier }) {
  const plant = tier.tail.find((c) => c.kind === 'plant');
  const from = tier.tail.find((c) => c.kind === 'receiver') ?? plant;
  const spare = d.minimum !== undefined && plant?.level && plant.level.known !== 'old' ? plant.level.pa - d.minimum : undefined;
  return (
    <g>
      {d.minimum !== undefined && from && <Line class="minimum" x0={from.x0} x1={d.width - 2} y={d.scale.y(d.minimum)} />}
      {d.minimum !== undefined && plant && (
        // On the side of the line where the air is not.
        <text class="mark" x={d.width - 4} y={d.scale.y(d.minimum) + (d.narrow && spare !== undefined && spare < 0 ? -6 : 14)} text-anchor="end">
          {d.narrow ? 'min.' : 'system minimum'} <Limit d={d} pa={d.minimum} at={minimumAt(site, system)} />
        </text>
      )}
      {d.single && !d.narrow && <ToSwitching d={d} site={site} group={tier.groups[0]} />}
      {spare !== undefined && d.minimum !== undefined && plant?.level && (
        <Arrow x={plant.x0 + (d.narrow ? 6 : 12)} y0={d.scale.y(plant.level.pa)} y1={d.scale.y(d.minimum)} lines={d.narrow}
          distance={<Distance d={d} from={plant} to={d.minimum} at={minimumAt(site, system)} />} words={spare < 0 ? 'short' : 'spare'} />
      )}
    </g>
  );
}

function ToSwitching({ d, site, group }: { d: Drawing; site: Site; group: Group | undefined }) {
  const outlet = group?.columns.find((c) => c.kind === 'outlet');
  const key = d.air === 'yes' ? 'cut_out_pa' : 'cut_in_pa';
  const target = d.air === 'unknown' ? undefined : group?.machine[key];
  if (!group || outlet?.level?.known !== 'measured' || target === undefined) return null;
  return (
    <Arrow x={outlet.x1 - 16} y0={d.scale.y(outlet.level.pa)} y1={d.scale.y(target)}
      distance={<Distance d={d} from={outlet} to={target} at={ofMachine(site, group, key)} />} words={`to ${d.air === 'yes' ? 'cut-out' : 'cut-in'}`} />
  );
}

function Arrow({ x, y0, y1, lines = false, distance, words }: { x: number; y0: number; y1: number; lines?: boolean; distance: VNode; words: string }) {
  const length = Math.abs(y1 - y0);
  if (length < 8) return null;
  const dir = y1 > y0 ? 1 : -1;
  // The word below where there is no room for it at the side.
  const rows = lines ? [distance, words] : [<>{distance} {words}</>];
  return (
    <g>
      <path class="dimension" d={`M${x} ${y0}V${y1}M${x - 4} ${y1 - 6 * dir}L${x} ${y1}L${x + 4} ${y1 - 6 * dir}M${x - 4} ${y0 + 6 * dir}L${x} ${y0}L${x + 4} ${y0 + 6 * dir}`} />
      {length > 16 * rows.length && rows.map((row, i) => (
        <text key={i} class="mark strong" x={x + 8} y={(y0 + y1) / 2 + 4 + (i - (rows.length - 1) / 2) * 14}>{row}</text>
      ))}
    </g>
  );
}
