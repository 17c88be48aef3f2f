// Every unload laid over the others: how power and sump pressure come down.
import { fetchUnloads, type CyclesAnswer, type FiguresAnswer, type LoadCycle, type Site, type UnloadCurve, type UnloadsAnswer } from '../api';
import { useAsked, type Asked } from '../api/asked';
import { figuresAddress, machineFigures, type Found } from '../figure/answer';
import { Value } from '../figure/figure';
import { Known } from '../figure/known';
import { Num } from '../figure/number';
import type { Live } from '../live/live';
import { useWidth } from '../look/measure';
import { Standing } from '../look/standing';
import { Twin } from '../look/twin';
import { sentence } from '../look/words';
import { valueTicks } from '../plot/ticks';
import { convert, figureDisplay, fixed, type Display, type UnitSystem } from '../units/units';
import { curves, unloadsAddress } from './ask';
import { Lasted, Moment } from './list';
import { unloadAt, unloadOf, type Picked } from './pick';
import { linearScale, pathOf } from './scale';

const edge = { left: 46, right: 12, top: 10, bottom: 26 };
const height = 240;

interface Marked { settled?: Found | undefined; blowdown?: Found | undefined; residual?: Found | undefined }

function marksOf(figures: FiguresAnswer | undefined, machine: string): Marked {
  if (!figures) return {};
  const all = machineFigures(figures, machine);
  const known = (name: string) => (all.get(name)?.figure.value === undefined ? undefined : all.get(name));
  return { settled: known('power_unloaded_settled'), blowdown: known('blowdown_time'), residual: known('sump_pressure_residual') };
}

/** The curve of the picked cycle: among those that are there, or asked for by itself. */
function useLit(live: Live, answer: UnloadsAnswer | undefined, cycle: LoadCycle | undefined, machine: string): UnloadCurve | undefined {
  const among = unloadOf(answer, cycle);
  const at = cycle && answer && among < 0 && cycle.unloaded_s > 0 ? unloadAt(cycle) : undefined;
  const asked = useAsked({ held: live.held }, {
    key: at === undefined ? '' : `${machine} ${at}`,
    ask: async (abort) => (at === undefined ? undefined : fetchUnloads({ from: new Date(at - 1_000).toISOString(), to: new Date(at + 1_000).toISOString(), machine, limit: 1, seconds: curves.seconds, points: curves.points }, abort)),
  });
  if (among >= 0) return answer?.unloads[among];
  const own = asked.value.value;
  return own?.unloads[unloadOf(own, cycle)];
}

export function Unloads({ live, asked, question, figures, cycles, picked, pick, site, machine, system }: {
  live: Live; asked: Asked<UnloadsAnswer>; question: string; figures: FiguresAnswer | undefined; cycles: CyclesAnswer | undefined;
  picked: Picked | undefined; pick: (at: number) => void; site: Site; machine: string; system: UnitSystem;
}) {
  const answer = asked.value.value;
  const lit = useLit(live, answer, picked && cycles?.cycles[picked.cycle], machine);
  const marks = marksOf(figures, machine);
  return (
    <section class="load-chart wide-chart" aria-labelledby="unloads-title">
      <h2 id="unloads-title">What happens when it unloads</h2>
      <Standing asked={asked} what="unloads" question={question} />
      {answer && (
        <div data-answer={unloadsAddress(answer)}>
          {answer.sentences.map((s) => <p key={s} data-words>{s}</p>)}
          {answer.notes.map((s) => <p key={s} class="aside small" data-words>{sentence(s)}</p>)}
          {answer.unloads.length === 0 ? <p class="absent">No unload was seen in these days.</p> : (
            <div class="unload-panels">
              {answer.power && <Panel what="power" title={`Power, ${answer.power_unit ?? ''}`} answer={answer} lit={lit} display={figureDisplay('', answer.power_unit ?? '', system)} level={answer.power_unit === 'kW' ? marks.settled : undefined} upright={marks.blowdown} pick={pick} cycles={cycles} />}
              {answer.sump && <Panel what="sump" title={`Sump pressure, ${figureDisplay('', 'kPa', system).unit}`} answer={answer} lit={lit} display={figureDisplay('', 'kPa', system)} level={marks.residual} upright={marks.blowdown} pick={pick} cycles={cycles} />}
            </div>
          )}
          <Twin title="The unloads" columns={[{ title: 'Unload' }, { title: 'Lasted', number: true }, { title: 'Ended by' }, { title: `At last, ${answer.power_unit ?? 'power'}`, number: true }]} rows={() => answer.unloads.map((u, i) => {
            const { k, last } = lastPower(u);
            return { key: `${u.start} ${i}`, cells: [<Moment iso={u.start} timeZone={site.timezone} />, <Lasted s={u.lasted_s} at={`/unloads/${i}/lasted_s`} />, u.ended, last === undefined ? '–' : <Num value={last} at={`/unloads/${i}/power/${k}/1`}>{fixed(last, 1)}</Num>] };
          })} />
        </div>
      )}
      {figures && <Reached figures={figures} marks={marks} system={system} />}
      <Known title="the unloads" facts={{ method: 'readings as they came, from a few seconds before each unload on, laid over one another at the unload; settled power, blow-down and residual pressure are the figures of the same days', inputs: [answer?.power, answer?.sump].filter((c) => c !== undefined) }} />
    </section>
  );
}

/** The points of an unload: what is read once it has loaded again is no part of it. */
export const unloadedPart = (u: UnloadCurve, what: 'power' | 'sump') => (u.ended === 'load' ? u[what].filter(([s]) => s < u.lasted_s) : u[what]);

/** The last unloaded power, and its place in the curve. */
export function lastPower(u: UnloadCurve): { k: number; last: number | undefined } {
  const k = unloadedPart(u, 'power').length - 1;
  return { k, last: u.power[k]?.[1] };
}

/** The marked levels in numbers. */
function Reached({ figures, marks, system }: { figures: FiguresAnswer; marks: Marked; system: UnitSystem }) {
  const all: [string, Found | undefined][] = [['Power settles at', marks.settled], ['Nine tenths of the blow-down take', marks.blowdown], ['The sump keeps', marks.residual]];
  if (all.every(([, f]) => f === undefined)) return null;
  return (
    <dl class="reached" data-answer={figuresAddress(figures, figures.machines[0]?.machine)}>
      {all.map(([term, f]) => f?.figure.value !== undefined && <div key={term}><dt>{term}</dt><dd><Value figure={f.figure} value={f.figure.value} at={f.at} system={system} /></dd></div>)}
    </dl>
  );
}

function Panel({ what, title, answer, lit, display, level, upright, pick, cycles }: {
  what: 'power' | 'sump'; title: string; answer: UnloadsAnswer; lit: UnloadCurve | undefined; display: Display; level: Found | undefined; upright: Found | undefined; pick: (at: number) => void; cycles: CyclesAnswer | undefined;
}) {
  const [host, width] = useWidth<HTMLDivElement>();
  const all = answer.unloads.filter((u) => u[what].length > 1);
  const values = all.flatMap((u) => u[what].map(([, v]) => convert(display, v)));
  const top = Math.max(...values, 1) * 1.05;
  const x = linearScale(-5, Math.max(20, ...all.map((u) => u[what].at(-1)?.[0] ?? 0)), edge.left, width - edge.right);
  const y = linearScale(Math.min(0, ...values), top, height - edge.bottom, edge.top);
  const place = (u: UnloadCurve) => unloadedPart(u, what).map(([s, v]): [number, number] => [x(s), y(convert(display, v))]);
  const last = Math.max(20, ...all.map((u) => u[what].at(-1)?.[0] ?? 0));
  const choose = (e: MouseEvent) => {
    const box = (e.currentTarget as Element).getBoundingClientRect();
    const [px, py] = [e.clientX - box.left, e.clientY - box.top];
    const far = (u: UnloadCurve) => Math.min(...place(u).map(([a, b]) => Math.hypot(a - px, b - py)));
    const nearest = all.reduce<{ u: UnloadCurve; far: number } | undefined>((best, u) => { const f = far(u); return best === undefined || f < best.far ? { u, far: f } : best; }, undefined);
    const at = nearest && nearest.far < 24 ? Date.parse(nearest.u.start) : undefined;
    const cycle = at === undefined ? undefined : cycles?.cycles.find((c) => Math.abs(unloadAt(c) - at) <= 1_000);
    if (at !== undefined) pick(cycle ? Date.parse(cycle.start) : at);
  };
  const [levelValue, uprightValue] = [level?.figure.value, upright?.figure.value];
  const levelAt = levelValue === undefined ? undefined : y(convert(display, levelValue));
  const uprightAt = uprightValue === undefined ? undefined : x(uprightValue);
  return (
    <div ref={host} class="panel">
      <p class="lane">{title}</p>
      {width > 0 && (
        <svg class={`loads-svg curves-${what}`} width={width} height={height} role="img" aria-label={`${title}, of ${all.length} unloads laid over one another, by seconds after the unload. The table below has each.`} onClick={choose}>
          {valueTicks(Math.min(0, ...values), top, 5).map((v) => <g key={v}><line class="grid" x1={edge.left} x2={width - edge.right} y1={y(v)} y2={y(v)} /><text class="tick" x={edge.left - 7} y={y(v) + 4} text-anchor="end">{v}</text></g>)}
          <line class="moment" x1={x(0)} x2={x(0)} y1={edge.top} y2={height - edge.bottom} />
          {all.map((u) => <path key={u.start} class={`curve-one${u.ended === 'stop' ? ' stopped' : ''}`} d={pathOf(place(u))} />)}
          {levelAt !== undefined && <><line class="limit" x1={edge.left} x2={width - edge.right} y1={levelAt} y2={levelAt} /><text class="tick strong" x={width - edge.right} y={levelAt - 5} text-anchor="end">{what === 'power' ? 'settled' : 'residual'}</text></>}
          {uprightAt !== undefined && <><line class="limit" x1={uprightAt} x2={uprightAt} y1={edge.top} y2={height - edge.bottom} /><text class="tick strong" x={uprightAt + 5} y={edge.top + 10}>blown down</text></>}
          {lit && lit[what].length > 1 && <><path class="lit-halo" d={pathOf(place(lit))} /><path class="lit-curve" d={pathOf(place(lit))} /></>}
          <line class="base" x1={edge.left} x2={width - edge.right} y1={height - edge.bottom} y2={height - edge.bottom} />
          {valueTicks(0, last, 6).map((s) => <text key={s} class="tick" x={x(s)} y={height - 8} text-anchor="middle">{`${s} s`}</text>)}
        </svg>
      )}
    </div>
  );
}
