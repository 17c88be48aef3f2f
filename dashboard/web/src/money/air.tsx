// What air took: each hour's power for the air over its flow, beside the
// nameplates, and the same over time.
import type { MoneyAnswer } from '../api';
import { Known } from '../figure/known';
import { Num } from '../figure/number';
import { useWidth } from '../look/measure';
import { Twin } from '../look/twin';
import { linearScale } from '../loads/scale';
import { valueTicks } from '../plot/ticks';
import { convert, figureDisplay, fixed, type Display, type UnitSystem } from '../units/units';
import { clockMinute, day as dayWords } from '../units/words';
import type { PartProps } from './page';
import { stretchHref, tickText } from './view';

const height = 300;
const edge = { left: 52, right: 12, top: 14, bottom: 38 };

interface Shown { flow: Display; power: Display }

const shownIn = (answer: MoneyAnswer, system: UnitSystem): Shown => ({ flow: figureDisplay('', 'm³/min', system), power: figureDisplay('', answer.air.unit, system) });

export function Air(props: PartProps) {
  const { answer, site, system } = props;
  const { air } = answer;
  const [host, width] = useWidth<HTMLDivElement>();
  const show = shownIn(answer, system);
  const pressure = figureDisplay('', 'kPa', system);
  const title = 'What the air took';
  const side = width >= 900 ? Math.floor((width - 40) / 2) : width;
  return (
    <section class="money-part" aria-labelledby="air-title">
      <h2 id="air-title">{title}</h2>
      {air.points.length === 0 ? <p class="absent">Not known: <span data-words>{air.absent || 'no hour of it was observed'}</span>.</p> : (
        <>
          <p class="said">Power for the air, lower is better. At little demand a machine that idles takes more for each {system === 'us' ? 'cubic foot' : 'cubic metre'}; the nameplate holds at full flow and rated pressure only.</p>
          <div ref={host} class="air-charts" style={{ minHeight: `${height}px` }}>
            {width > 0 && <Against {...props} show={show} width={side} />}
            {width > 0 && <OverTime {...props} show={show} width={side} />}
          </div>
          <ul class="key money-key" aria-label="What the marks mean">
            <li><svg width="16" height="16" aria-hidden="true" focusable="false"><circle class="air-dot" cx="8" cy="8" r="4" /></svg>an hour</li>
            {air.points.some((p) => convert(show.power, p.value) > topOf(answer, show)) && <li><svg width="16" height="16" aria-hidden="true" focusable="false"><path class="air-off" d="M3 13l5-9 5 9z" /></svg>an hour above the scale: next to no air was made in it</li>}
            {air.rated.length > 0 && <li><svg width="16" height="16" aria-hidden="true" focusable="false"><path class="rated-mark" d="M8 1l7 7-7 7-7-7z" /></svg>a nameplate: rated power at rated flow</li>}
          </ul>
          {air.rated.map((r, i) => (
            <p key={r.machine} class="small">
              Nameplate of {r.machine}: <Num value={r.value} at={`/air/rated/${i}/value`}>{fixed(convert(show.power, r.value), 2)}</Num> {show.power.unit} at{' '}
              <Num value={r.flow_m3_min} at={`/air/rated/${i}/flow_m3_min`}>{fixed(convert(show.flow, r.flow_m3_min), show.flow.decimals)}</Num> {show.flow.unit}
              {r.pressure_kpa !== undefined && <> and <Num value={r.pressure_kpa} at={`/air/rated/${i}/pressure_kpa`}>{fixed(convert(pressure, r.pressure_kpa), pressure.decimals)}</Num> {pressure.unit}</>}.
            </p>
          ))}
          <Known title={title} facts={{ method: air.method, note: air.short > 0 ? 'hours in which too little was observed, or too little air was made to tell, are left out' : undefined }} look={stretchHref(site, answer, Date.parse(answer.from), Date.parse(answer.to))} />
          <Twin title={title} columns={[{ title: 'Hour' }, { title: `Mean flow, ${show.flow.unit}`, number: true }, { title: show.power.unit, number: true }, { title: '±', number: true }]}
            rows={() => air.points.map((p, i) => ({
              key: p.from,
              cells: [<a href={stretchHref(site, answer, Date.parse(p.from), Date.parse(p.to))}><time dateTime={p.from}>{`${dayWords(Date.parse(p.from), site.timezone)}, ${clockMinute(Date.parse(p.from), site.timezone)}`}</time></a>,
                <Num value={p.flow_m3_min} at={`/air/points/${i}/flow_m3_min`}>{fixed(convert(show.flow, p.flow_m3_min), show.flow.decimals)}</Num>,
                <Num value={p.value} at={`/air/points/${i}/value`}>{fixed(convert(show.power, p.value), 2)}</Num>, <Num value={p.uncertainty} at={`/air/points/${i}/uncertainty`}>{fixed(p.uncertainty * show.power.scale, 2)}</Num>],
            }))} />
        </>
      )}
    </section>
  );
}

/** A top of the scale that few wild hours do not set. */
function topOf(answer: MoneyAnswer, show: Shown): number {
  const all = answer.air.points.map((p) => convert(show.power, p.value)).sort((a, b) => a - b);
  const usual = all[Math.floor(0.88 * (all.length - 1))] ?? 1;
  return 1.4 * Math.max(usual, ...answer.air.rated.map((r) => convert(show.power, r.value)));
}

function Against({ answer, show, width }: PartProps & { show: Shown; width: number }) {
  const { points, rated } = answer.air;
  const top = topOf(answer, show);
  const far = 1.05 * Math.max(...points.map((p) => convert(show.flow, p.flow_m3_min)), ...rated.map((r) => convert(show.flow, r.flow_m3_min)));
  const x = linearScale(0, far, edge.left, width - edge.right);
  const y = linearScale(0, top, height - edge.bottom, edge.top);
  const inside = (v: number) => Math.max(edge.top, y(v));
  const values = points.map((p) => convert(show.power, p.value));
  const label = `Dots of ${points.length} hours: power for the air from ${fixed(Math.min(...values), 2)} to ${fixed(Math.max(...values), 2)} ${show.power.unit}, over the mean flow of the hour.${rated.map((r) => ` ${r.machine}’s nameplate stands at ${fixed(convert(show.power, r.value), 2)}.`).join('')} The table below has each.`;
  return (
    <figure class="money-figure">
      <figcaption class="small">over the flow of the hour, <span class="tick">{show.power.unit}</span></figcaption>
      <svg class="money-svg" role="img" aria-label={label} width={width} height={height}>
        <Grid top={top} y={y} width={width} />
        {valueTicks(0, far, 5).map((t) => <text key={t} class="tick" x={x(t)} y={height - edge.bottom + 17} text-anchor="middle">{tickText(t)}</text>)}
        <text class="tick" x={(edge.left + width - edge.right) / 2} y={height - 4} text-anchor="middle">{`mean flow, ${show.flow.unit}`}</text>
        {points.map((p) => {
          const [cx, v, half] = [x(convert(show.flow, p.flow_m3_min)), convert(show.power, p.value), p.uncertainty * show.power.scale];
          if (v > top) return <path key={p.from} class="air-off" d={`M${cx - 5} ${edge.top + 9}l5-9 5 9z`} />;
          return <g key={p.from}><line class="air-reach" x1={cx} x2={cx} y1={inside(v + half)} y2={y(Math.max(0, v - half))} /><circle class="air-dot" cx={cx} cy={y(v)} r="3.5" /></g>;
        })}
        {rated.map((r) => {
          const [cx, cy] = [x(convert(show.flow, r.flow_m3_min)), y(convert(show.power, r.value))];
          return <g key={r.machine}><path class="rated-mark" d={`M${cx} ${cy - 8}l8 8-8 8-8-8z`} /><text class="tick strong" x={cx} y={cy + 22} text-anchor={cx > width - 80 ? 'end' : 'middle'}>{r.machine}</text></g>;
        })}
        <line class="base" x1={edge.left} x2={width - edge.right} y1={height - edge.bottom} y2={height - edge.bottom} />
      </svg>
    </figure>
  );
}

function OverTime({ answer, site, show, width }: PartProps & { show: Shown; width: number }) {
  const { points, rated } = answer.air;
  const [from, to] = [Date.parse(answer.from), Date.parse(answer.to)];
  const top = topOf(answer, show);
  const x = linearScale(from, to, edge.left, width - edge.right);
  const y = linearScale(0, top, height - 24, edge.top);
  const days = answer.hours.days.map((d) => Date.parse(d.from));
  const every = Math.ceil(days.length / Math.max(1, Math.floor((width - edge.left) / 74)));
  const label = `The same hours over time, from ${dayWords(from, site.timezone)} to ${dayWords(to - 1, site.timezone)}; hours without air are left open. The table below has each.`;
  return (
    <figure class="money-figure">
      <figcaption class="small">over time, <span class="tick">{show.power.unit}</span></figcaption>
      <svg class="money-svg" role="img" aria-label={label} width={width} height={height}>
        <Grid top={top} y={y} width={width} ticks={3} />
        {days.map((d, i) => (
          <g key={d}><line class="grid" x1={x(d)} x2={x(d)} y1={edge.top} y2={height - 24} />{i % every === 0 && x(d) < width - 60 && <text class="tick" x={x(d) + 2} y={height - 6}>{dayWords(d, site.timezone)}</text>}</g>
        ))}
        {rated.map((r) => <line key={r.machine} class="rated-line" x1={edge.left} x2={width - edge.right} y1={y(convert(show.power, r.value))} y2={y(convert(show.power, r.value))} />)}
        {points.map((p) => {
          const [a, b] = [x(Date.parse(p.from)), x(Date.parse(p.to))];
          const value = convert(show.power, p.value);
          if (value > top) return <path key={p.from} class="air-off" d={`M${(a + b) / 2 - 5} ${edge.top + 9}l5-9 5 9z`} />;
          const v = y(value);
          return <line key={p.from} class="air-step" x1={a} x2={Math.max(b, a + 2)} y1={v} y2={v} />;
        })}
        <line class="base" x1={edge.left} x2={width - edge.right} y1={height - 24} y2={height - 24} />
      </svg>
    </figure>
  );
}

function Grid({ top, y, width, ticks = 5 }: { top: number; y: (v: number) => number; width: number; ticks?: number }) {
  return <>{valueTicks(0, top, ticks).map((t) => <g key={t}><line class="grid" x1={edge.left} x2={width - edge.right} y1={y(t)} y2={y(t)} /><text class="tick" x={edge.left - 8} y={y(t) + 4} text-anchor="end">{tickText(t)}</text></g>)}</>;
}
