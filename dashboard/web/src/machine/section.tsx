// The section drawing: height is pressure. Air climbs from the room through the
// air end and steps down through cooler, dryer and receiver to the plant.
import type { ComponentChildren } from 'preact';
import type { Site, SiteMachine, MachineState } from '../api';
import type { View } from '../live/live';
import { useWidth } from '../look/measure';
import { convert, displayOf, fixed, type Display, type UnitSystem } from '../units/units';
import { describe } from './describe';
import { Glyph } from './glyph';
import { makeScale, type Scale } from './scale';
import { levels, passing, stations, type Known, type Level, type Passing, type Station } from './stations';
import { NoteText, ReadingText } from './section-text';
import { systemOf } from './taps';

interface Column extends Station {
  x0: number;
  x1: number;
  level: Level | undefined;
}

interface Drawing {
  columns: Column[];
  scale: Scale;
  display: Display;
  width: number;
  baseY: number;
  axisX: number;
  narrow: boolean;
  air: Passing;
  cutIn: number | undefined;
  cutOut: number | undefined;
  minimum: number | undefined;
}

const slope = 9; // px over which a drop is drawn

export function Section({ site, view, machine, state, system }: {
  site: Site; view: View; machine: SiteMachine; state: MachineState | undefined; system: UnitSystem;
}) {
  const [ref, width] = useWidth<HTMLDivElement>();
  const height = width < 560 ? 330 : 400;
  const list = stations(site, view, machine);
  const live = view.connection === 'live' ? state?.state : undefined;
  return (
    <div class="section" ref={ref}>
      {width > 0 && (
        <Drawn d={draw(site, machine, list, passing(live), system, width, height)} height={height}
          state={live} view={view} system={system} text={describe(list, machine, systemOf(site, machine), live, system)} />
      )}
    </div>
  );
}

function draw(
  site: Site, machine: SiteMachine, list: Station[], air: Passing, system: UnitSystem, width: number, height: number,
): Drawing {
  const display = displayOf('pressure', system) ?? { unit: 'Pa', decimals: 0, scale: 1, offset: 0 };
  const narrow = width < 560;
  const axisX = narrow ? 34 : 52;
  const baseY = height - (narrow ? 46 : 34);
  const at = levels(list, air);
  const minimum = systemOf(site, machine)?.minimum_pressure_pa;
  const matter = [machine.cut_in_pa, machine.cut_out_pa, minimum, ...at.map((l, i) => (list[i]?.kind === 'separator' && air !== 'yes' ? undefined : l?.pa))];
  const scale = makeScale(matter.filter((p) => p !== undefined), 1 / display.scale, 30, baseY);
  const weight = (s: Station) => (narrow ? narrowWeight(s) : s.weight);
  const total = list.reduce((sum, s) => sum + weight(s), 0);
  let x = axisX;
  const columns = list.map((s, i) => {
    const x0 = x;
    x += (weight(s) / total) * (width - axisX - 2);
    return { ...s, x0, x1: x, level: at[i] };
  });
  return { columns, scale, display, width, baseY, axisX, narrow, air, cutIn: machine.cut_in_pa, cutOut: machine.cut_out_pa, minimum };
}

function Drawn({ d, height, state, view, system, text }: {
  d: Drawing; height: number; state: MachineState['state'] | undefined; view: View; system: UnitSystem; text: string;
}) {
  return (
    <svg width={d.width} height={height} viewBox={`0 0 ${d.width} ${height}`} role="img" aria-labelledby="section-title section-text">
      <title id="section-title">Section through the air's way; height is pressure</title>
      <desc id="section-text">{text}</desc>
      <defs>
        <pattern id="hatch" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">
          <line class="hatch" x1="0" y1="0" x2="0" y2="6" />
        </pattern>
      </defs>
      <Band d={d} />
      <Air d={d} />
      <Vessels d={d} />
      <BandEdges d={d} />
      <Axis d={d} />
      <Wall d={d} />
      <Dimensions d={d} />
      <Texts d={d} state={state} view={view} system={system} />
    </svg>
  );
}

/** On a phone the room goes to the places that have a pressure to write. */
function narrowWeight(s: Station): number {
  if (s.kind === 'plant' || s.kind === 'receiver') return s.weight;
  if (s.pressure) return 1.35;
  return s.notes.length > 0 ? 0.95 : 0.6;
}

/** Height of one note at the foot of a place. */
const noteStep = (d: Drawing) => (d.narrow ? 28 : 18);

/** Where a place's pressure is written: on its level, or above what stands at its foot. */
function readingY(d: Drawing, c: Column): number | undefined {
  if (!c.level || !c.pressure) return undefined;
  return Math.min(d.scale.y(c.level.pa) - 8, c.notes.length === 0 ? d.baseY : d.baseY - 14 - c.notes.length * noteStep(d));
}

/** Cut-in to cut-out, from the machine to the plant. */
function Band({ d }: { d: Drawing }) {
  if (d.cutIn === undefined || d.cutOut === undefined) return null;
  const top = d.scale.y(d.cutOut);
  return <rect class="band" x={d.axisX} width={d.width - 2 - d.axisX} y={top} height={Math.max(0, d.scale.y(d.cutIn) - top)} />;
}

function BandEdges({ d }: { d: Drawing }) {
  const right = d.width - 2;
  const label = (pa: number, word: string, above: boolean) => (
    <text class="mark" x={d.axisX + 6} y={d.scale.y(pa) + (above ? -6 : 15)}>{word} {fixed(convert(d.display, pa), d.display.decimals === 1 ? 0 : 1)}</text>
  );
  return (
    <g>
      {d.cutOut !== undefined && <Line class="band-edge" x0={d.axisX} x1={right} y={d.scale.y(d.cutOut)}>{label(d.cutOut, 'cut-out', true)}</Line>}
      {d.cutIn !== undefined && <Line class="band-edge" x0={d.axisX} x1={right} y={d.scale.y(d.cutIn)}>{label(d.cutIn, 'cut-in', false)}</Line>}
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
function Vessels({ d }: { d: Drawing }) {
  return (
    <g>
      {d.columns.filter((c) => c.kind === 'receiver').map((c) => (
        <rect class="vessel" x={c.x0 + 5} width={c.x1 - c.x0 - 10} y={12} height={d.baseY - 12} rx={Math.min(26, (c.x1 - c.x0) / 4)} />
      ))}
    </g>
  );
}

interface Stretch {
  x0: number;
  y0: number;
  x1: number;
  y1: number;
  known: Known;
}

/** The profile in straight stretches; none where the level is not known. */
function profile(d: Drawing): Stretch[] {
  const out: Stretch[] = [];
  const first = d.columns.findIndex((c) => c.kind === 'outlet' || c.kind === 'separator');
  const entry = d.columns[first];
  d.columns.forEach((c, i) => {
    const level = c.level;
    if (c.kind === 'airend') {
      // The climb: to the first level inside the machine, if there is one to climb to.
      const to = entry?.level;
      if (to && (d.air !== 'no' || entry.kind === 'separator')) {
        out.push({ x0: c.x0, y0: d.scale.y(0), x1: c.x1, y1: d.scale.y(to.pa), known: to.known });
      }
      return;
    }
    if (!level) return;
    const y = d.scale.y(level.pa);
    const before = d.columns[i - 1];
    const open = before?.level && before.kind !== 'airend' && !(c.kind === 'outlet' && d.air === 'no');
    const start = open ? c.x0 + slope / 2 : c.x0;
    if (open && before.level) {
      out.push({ x0: c.x0 - slope / 2, y0: d.scale.y(before.level.pa), x1: start, y1: y, known: least(level.known, before.level.known) });
    }
    const next = d.columns[i + 1];
    const closed = !next || next.kind === 'airend' || (next.kind === 'outlet' && d.air === 'no') || !next.level;
    if (c.kind === 'plant') {
      const knee = c.x0 + (c.x1 - c.x0) * 0.62;
      out.push({ x0: start, y0: y, x1: knee, y1: y, known: level.known });
      out.push({ x0: knee, y0: y, x1: c.x1, y1: d.scale.y(0), known: level.known });
    } else {
      out.push({ x0: start, y0: y, x1: closed ? c.x1 : c.x1 - slope / 2, y1: y, known: level.known });
    }
  });
  return out;
}

const order: Known[] = ['measured', 'carried', 'old'];

/** The less certain of two ways of knowing. */
function least(a: Known, b: Known): Known {
  return order.indexOf(a) > order.indexOf(b) ? a : b;
}

function Air({ d }: { d: Drawing }) {
  const stretches = profile(d);
  const body = (s: Stretch) => `M${s.x0} ${d.baseY}L${s.x0} ${s.y0}L${s.x1} ${s.y1}L${s.x1} ${d.baseY}z`;
  return (
    <g>
      {order.map((known) => (
        <path key={known} class={`air ${known}`} d={stretches.filter((s) => s.known === known).map(body).join('')} />
      ))}
      {d.scale.breakY !== undefined && <path class="break" d={zigzag(d.axisX - 8, d.width, d.scale.breakY)} />}
      <line class="base" x1={d.axisX} x2={d.width} y1={d.baseY} y2={d.baseY} />
      {order.map((known) => (
        <path key={known} class={`level ${known}`} d={stretches.filter((s) => s.known === known).map((s) => `M${s.x0} ${s.y0}L${s.x1} ${s.y1}`).join('')} />
      ))}
      {d.air === 'yes' && d.columns.filter((c) => c.kind !== 'room' && c.kind !== 'airend' && c.kind !== 'plant' && c.level && c.level.known !== 'old').map((c) => (
        <Chevrons key={c.key} x={(c.x0 + c.x1) / 2} y={d.scale.y(c.level?.pa ?? 0) + 12} />
      ))}
    </g>
  );
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
            <text class="tick" x={d.axisX - 8} y={y + 4} text-anchor="end">{fixed(convert(d.display, pa), d.display.decimals === 1 ? 0 : 1)}</text>
          </g>
        );
      })}
      <text class="tick" x={d.axisX} y={12} text-anchor="end">{d.display.unit}</text>
    </g>
  );
}

/** The shut check valve: no air passes between machine and system. */
function Wall({ d }: { d: Drawing }) {
  const outlet = d.columns.find((c) => c.kind === 'outlet');
  if (d.air !== 'no' || !outlet?.level) return null;
  const y = d.scale.y(outlet.level.pa);
  const written = readingY(d, outlet) ?? d.baseY;
  const words = [d.baseY - 70, d.baseY - 104].find((at) => Math.abs(at - written) > 24);
  return (
    <g>
      <line class="wall" x1={outlet.x0} x2={outlet.x0} y1={y - 12} y2={d.baseY} />
      {!d.narrow && <text class="mark" x={outlet.x0 + 9} y={words}>no air passes</text>}
    </g>
  );
}

/** How far it is: to the next switching point, and above the system's minimum. */
function Dimensions({ d }: { d: Drawing }) {
  const outlet = d.columns.find((c) => c.kind === 'outlet');
  const plant = d.columns.find((c) => c.kind === 'plant');
  const from = d.columns.find((c) => c.kind === 'receiver') ?? plant;
  const target = d.air === 'yes' ? d.cutOut : d.air === 'no' ? d.cutIn : undefined;
  const spare = d.minimum !== undefined && plant?.level && plant.level.known !== 'old' ? plant.level.pa - d.minimum : undefined;
  const size = (pa: number) => fixed(Math.abs(pa) * d.display.scale, d.display.decimals);
  return (
    <g>
      {d.minimum !== undefined && from && (
        <Line class="minimum" x0={from.x0} x1={d.width - 2} y={d.scale.y(d.minimum)} />
      )}
      {d.minimum !== undefined && plant && (
        // On the side of the line where the air is not.
        <text class="mark" x={d.width - 4} y={d.scale.y(d.minimum) + (d.narrow && spare !== undefined && spare < 0 ? -6 : 14)} text-anchor="end">
          {d.narrow ? 'min.' : 'system minimum'} {fixed(convert(d.display, d.minimum), d.display.decimals === 1 ? 0 : 1)}
        </text>
      )}
      {!d.narrow && outlet?.level?.known === 'measured' && target !== undefined && (
        <Arrow x={outlet.x1 - 16} y0={d.scale.y(outlet.level.pa)} y1={d.scale.y(target)}>
          {`${size(target - outlet.level.pa)} to ${d.air === 'yes' ? 'cut-out' : 'cut-in'}`}
        </Arrow>
      )}
      {spare !== undefined && d.minimum !== undefined && plant?.level && (
        <Arrow x={plant.x0 + (d.narrow ? 6 : 12)} y0={d.scale.y(plant.level.pa)} y1={d.scale.y(d.minimum)} lines={d.narrow}>
          {`${size(spare)} ${spare < 0 ? 'short' : 'spare'}`}
        </Arrow>
      )}
    </g>
  );
}

function Arrow({ x, y0, y1, lines = false, children }: { x: number; y0: number; y1: number; lines?: boolean; children: string }) {
  const length = Math.abs(y1 - y0);
  if (length < 8) return null;
  const dir = y1 > y0 ? 1 : -1;
  // A word a line where there is no room for them side by side.
  const words = lines ? children.split(' ') : [children];
  return (
    <g>
      <path class="dimension" d={`M${x} ${y0}V${y1}M${x - 4} ${y1 - 6 * dir}L${x} ${y1}L${x + 4} ${y1 - 6 * dir}M${x - 4} ${y0 + 6 * dir}L${x} ${y0}L${x + 4} ${y0 + 6 * dir}`} />
      {length > 16 * words.length && words.map((w, i) => (
        <text key={w} class="mark strong" x={x + 8} y={(y0 + y1) / 2 + 4 + (i - (words.length - 1) / 2) * 14}>{w}</text>
      ))}
    </g>
  );
}

function Texts({ d, state, view, system }: { d: Drawing; state: MachineState['state'] | undefined; view: View; system: UnitSystem }) {
  let stagger = 0;
  return (
    <g>
      {d.columns.map((c) => {
        const x = (c.x0 + c.x1) / 2;
        const noteX = x + (d.narrow && c.kind === 'airend' ? 8 : 0); // beside the climb, not on it
        const low = d.narrow && stagger++ % 2 === 1;
        const top = readingY(d, c);
        return (
          <g key={c.key}>
            <text class="place" x={x} y={d.baseY + (low ? 34 : 18)} text-anchor="middle">{c.name}</text>
            {d.narrow && low && <line class="tie" x1={x} x2={x} y1={d.baseY + 3} y2={d.baseY + 22} />}
            {c.pressure && top !== undefined && (
              <ReadingText read={c.pressure} x={x} y={top} now={view.now} system={system} narrow={d.narrow} />
            )}
            {c.notes.map((n, i) => (
              <NoteText key={n.channel.id} read={n} x={noteX} y={d.baseY - 10 - (c.notes.length - 1 - i) * noteStep(d)} now={view.now} system={system} narrow={d.narrow} />
            ))}
            {c.kind === 'airend' && state && (
              <g transform={`translate(${noteX - 11} ${d.baseY - 40 - c.notes.length * noteStep(d)})`}><Glyph state={state} size={22} /></g>
            )}
          </g>
        );
      })}
    </g>
  );
}
