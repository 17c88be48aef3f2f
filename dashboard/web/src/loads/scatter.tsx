// How long cycles are at what demand, and how long the storage alone makes them.
import type { CyclesAnswer } from '../api';
import { Known } from '../figure/known';
import { Num } from '../figure/number';
import { useWidth } from '../look/measure';
import { Twin } from '../look/twin';
import { convert, figureDisplay, fixed, type UnitSystem } from '../units/units';
import { Lasted, Moment } from './list';
import { loadAt, type Picked } from './pick';
import { durationTicks, linearScale, logScale, pathOf, shortTime } from './scale';

const height = 330;
const edge = { left: 54, right: 14, top: 12, bottom: 38 };

interface Dot { i: number; demand: number; cycle: number; stopped: boolean }

function dotsOf(answer: CyclesAnswer): Dot[] {
  return answer.cycles.flatMap((c, i) => (c.demand === undefined || c.cycle_s === undefined ? [] : [{ i, demand: c.demand, cycle: c.cycle_s, stopped: c.ended === 'stop' }]));
}

function summary(answer: CyclesAnswer, dots: Dot[]): string {
  const curve = answer.storage.points.length > 0 ? 'A curve shows how long the storage alone makes a cycle.' : '';
  return `Chart of ${dots.length} cycles: how long each was, over the share of full flow that was drawn. ${curve} ${answer.sentences.find((s) => s.startsWith('Its cycles')) ?? ''} The table below has each.`;
}

export function Scatter({ answer, picked, pick, timeZone, system }: { answer: CyclesAnswer; picked: Picked | undefined; pick: (at: number) => void; timeZone: string; system: UnitSystem }) {
  const [host, width] = useWidth<HTMLDivElement>();
  const dots = dotsOf(answer);
  const st = answer.storage;
  const d = figureDisplay('', 'kPa', system);
  return (
    <section class="load-chart" aria-labelledby="scatter-title">
      <h2 id="scatter-title">Cycle time against demand</h2>
      <p class="aside small">
        {st.absent ? <span data-words>No curve: {st.absent}.</span> : <>The curve is what the storage makes at an even demand. A cycle below it says that less is stored than should be, one above it that more is.</>}
      </p>
      {dots.length === 0 && <p class="absent">Of no cycle can be said what was drawn in it.</p>}
      <div ref={host} style={{ minHeight: dots.length > 0 ? `${height}px` : undefined }}>{width > 0 && dots.length > 0 && <Drawing {...{ answer, dots, picked, pick, width }} />}</div>
      {dots.length > 0 && (
        <ul class="key" aria-label="What the marks mean">
          <li><svg width="16" height="16" aria-hidden="true" focusable="false"><circle class="dot" cx="8" cy="8" r="4" /></svg>a cycle</li>
          <li><svg width="16" height="16" aria-hidden="true" focusable="false"><rect class="dot stopped" x="4" y="4" width="8" height="8" /></svg>with a stop in it</li>
          {st.points.length > 0 && <li><svg width="26" height="16" aria-hidden="true" focusable="false"><rect class="curve-band" y="3" width="26" height="10" /><line class="curve" x1="0" x2="26" y1="8" y2="8" /></svg>the storage’s curve and its uncertainty</li>}
        </ul>
      )}
      <Known title="cycle time against demand" facts={{
        absent: st.absent, method: st.method, inputs: st.inputs,
        over: 'demand: loaded time less the delivery delay, over the time to the next load at the same pressure',
        uncertainty: st.fill_s !== undefined && st.fill_uncertainty !== undefined ? <>full flow fills the band in <Num value={st.fill_s} at="/storage/fill_s">{`${fixed(st.fill_s, 1)} s`}</Num>, give or take <Num value={st.fill_uncertainty} at="/storage/fill_uncertainty">{`${fixed(st.fill_uncertainty, 1)} s`}</Num>{st.band_kpa !== undefined && <>; the band is <Num value={st.band_kpa} at="/storage/band_kpa">{fixed(convert(d, st.band_kpa), d.decimals)}</Num> {d.unit}</>}</> : undefined,
        parts: st.budget && st.budget.length > 0 ? <>{st.budget.map((p, i) => <span key={p.input}>{i > 0 && ', '}<span data-words>{p.input}</span> <Num value={p.share} at={`/storage/budget/${i}/share`}>{p.share < 0.01 ? 'under 1' : Math.round(p.share * 100)}</Num> %</span>)}</> : undefined,
        coverage: { value: answer.coverage, at: '/coverage' },
      }} />
      <Twin
        title="The cycles"
        columns={[{ title: 'Load' }, { title: 'Loaded', number: true }, { title: 'Unloaded', number: true }, { title: 'To the next load', number: true }, { title: 'Drawn, % of full flow', number: true }, { title: `Loaded at, ${d.unit}`, number: true }, { title: `Unloaded at, ${d.unit}`, number: true }, { title: 'Ended by' }]}
        rows={() => answer.cycles.map((c, i) => ({
          key: `${c.start} ${i}`,
          cells: [<Moment iso={c.start} timeZone={timeZone} />, <Lasted s={c.loaded_s} at={`/cycles/${i}/loaded_s`} />, <Lasted s={c.unloaded_s} at={`/cycles/${i}/unloaded_s`} />,
            c.cycle_s === undefined ? '–' : <Lasted s={c.cycle_s} at={`/cycles/${i}/cycle_s`} />,
            c.demand === undefined ? '–' : <Num value={c.demand} at={`/cycles/${i}/demand`}>{`${fixed(c.demand * 100, 0)} %`}</Num>,
            c.cut_in_kpa === undefined ? '–' : <Num value={c.cut_in_kpa} at={`/cycles/${i}/cut_in_kpa`}>{fixed(convert(d, c.cut_in_kpa), d.decimals)}</Num>,
            c.cut_out_kpa === undefined ? '–' : <Num value={c.cut_out_kpa} at={`/cycles/${i}/cut_out_kpa`}>{fixed(convert(d, c.cut_out_kpa), d.decimals)}</Num>,
            c.ended],
        }))}
      />
    </section>
  );
}

function Drawing({ answer, dots, picked, pick, width }: { answer: CyclesAnswer; dots: Dot[]; picked: Picked | undefined; pick: (at: number) => void; width: number }) {
  const times = dots.map((d) => d.cycle);
  const low = Math.max(1, Math.min(...times, ...answer.storage.points.map((p) => p.low_s)) * 0.8);
  const high = Math.max(...times) * 1.4;
  const x = linearScale(0, 1, edge.left, width - edge.right);
  const y = logScale(low, Math.max(high, low * 4), height - edge.bottom, edge.top);
  const inside = (v: number) => Math.max(edge.top, Math.min(height - edge.bottom, v));
  const points = answer.storage.points;
  const curve = pathOf(points.map((p) => [x(p.demand), inside(y(p.cycle_s))]));
  const band = points.length > 0 ? `${pathOf([...points.map((p): [number, number] => [x(p.demand), inside(y(p.high_s))]), ...[...points].reverse().map((p): [number, number] => [x(p.demand), inside(y(p.low_s))])])}Z` : '';
  const choose = (e: MouseEvent) => {
    const box = (e.currentTarget as Element).getBoundingClientRect();
    const [px, py] = [e.clientX - box.left, e.clientY - box.top];
    const far = (d: Dot) => Math.hypot(x(d.demand) - px, y(d.cycle) - py);
    const nearest = dots.reduce((best, d) => (far(d) < far(best) ? d : best), dots[0] as Dot);
    const cycle = answer.cycles[nearest.i];
    if (cycle && far(nearest) < 24) pick(loadAt(cycle));
  };
  const lit = dots.find((d) => d.i === picked?.cycle);
  return (
    <svg class="loads-svg" width={width} height={height} role="img" aria-label={summary(answer, dots)} onClick={choose}>
      {durationTicks(low, high).map((s) => (
        <g key={s}><line class="grid" x1={edge.left} x2={width - edge.right} y1={y(s)} y2={y(s)} /><text class="tick" x={edge.left - 8} y={y(s) + 4} text-anchor="end">{shortTime(s)}</text></g>
      ))}
      {band && <path class="curve-band" d={band} />}
      {dots.map((d) => (d.stopped
        ? <rect key={d.i} class="dot stopped" x={x(d.demand) - 3.5} y={y(d.cycle) - 3.5} width="7" height="7" />
        : <circle key={d.i} class="dot" cx={x(d.demand)} cy={y(d.cycle)} r="3" />))}
      {curve && <path class="curve" d={curve} />}
      {lit && (
        <g class="lit">
          <line class="lit-line thin" x1={edge.left} x2={width - edge.right} y1={y(lit.cycle)} y2={y(lit.cycle)} />
          <line class="lit-line thin" x1={x(lit.demand)} x2={x(lit.demand)} y1={edge.top} y2={height - edge.bottom} />
          <circle class="lit-ring" cx={x(lit.demand)} cy={y(lit.cycle)} r="8" />
        </g>
      )}
      <line class="base" x1={edge.left} x2={width - edge.right} y1={height - edge.bottom} y2={height - edge.bottom} />
      {[0, 0.25, 0.5, 0.75, 1].map((f) => <text key={f} class="tick" x={x(f)} y={height - edge.bottom + 17} text-anchor={f === 1 ? 'end' : 'middle'}>{`${f * 100} %`}</text>)}
      <text class="tick" x={(edge.left + width - edge.right) / 2} y={height - 4} text-anchor="middle">drawn, of full flow</text>
    </svg>
  );
}
