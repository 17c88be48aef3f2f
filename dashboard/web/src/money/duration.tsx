// For how long how much air was drawn, and which machine covers what of it.
import { Known } from '../figure/known';
import { Num } from '../figure/number';
import { useWidth } from '../look/measure';
import { Twin } from '../look/twin';
import { linearScale, pathOf } from '../loads/scale';
import { valueTicks } from '../plot/ticks';
import { convert, figureDisplay, fixed, type Display } from '../units/units';
import { duration } from '../units/words';
import type { PartProps } from './page';
import { stretchHref, tickText } from './view';

const height = 300;
const edge = { left: 52, right: 14, top: 22, bottom: 38 };

export function Duration(props: PartProps) {
  const { answer, site, system } = props;
  const d = answer.duration;
  const [host, width] = useWidth<HTMLDivElement>();
  const flow = figureDisplay('', 'm³/min', system);
  const title = 'For how long how much air was drawn';
  if (answer.kind === 'machine') return null; // what is drawn is drawn of the system
  return (
    <section class="money-part" aria-labelledby="duration-title">
      <h2 id="duration-title">{title}</h2>
      {d.curve.length === 0 ? <p class="absent">Not known: <span data-words>{d.absent || 'no demand was observed'}</span>.</p> : (
        <>
          <Covers {...props} flow={flow} />
          <div ref={host} style={{ minHeight: `${height}px` }}>{width > 0 && <Curve {...props} flow={flow} width={width} />}</div>
          <Known title={title} facts={{ method: d.method, over: 'the observed time of these days' }} look={stretchHref(site, answer, Date.parse(answer.from), Date.parse(answer.to))} />
          <Twin title={title} columns={[{ title: 'Share of the observed time' }, { title: 'Time above', number: true }, { title: `Air drawn, ${flow.unit}`, number: true }, { title: '±', number: true }]}
            rows={() => d.curve.map((c, i) => ({
              key: String(c.share),
              cells: [<Num value={c.share} at={`/duration/curve/${i}/share`}>{`${tickText(c.share * 100)} %`}</Num>, <Num value={c.above_s} at={`/duration/curve/${i}/above_s`}>{duration(c.above_s * 1000)}</Num>,
                <Num value={c.flow_m3_min} at={`/duration/curve/${i}/flow_m3_min`}>{fixed(convert(flow, c.flow_m3_min), flow.decimals)}</Num>,
                <Num value={c.uncertainty_m3_min} at={`/duration/curve/${i}/uncertainty_m3_min`}>{fixed(c.uncertainty_m3_min * flow.scale, flow.decimals)}</Num>],
            }))} />
        </>
      )}
    </section>
  );
}

/** What each machine covers, in words. */
function Covers({ answer, flow }: PartProps & { flow: Display }) {
  return (
    <ul class="covers">
      {answer.duration.covers.map((c, i) => {
        const at = `/duration/covers/${i}`;
        return (
          <li key={c.machine}>
            {i === 0 ? <>{c.machine} alone gives </> : <>With {c.machine} there are </>}
            <Num value={c.up_to_m3_min} at={`${at}/up_to_m3_min`}>{fixed(convert(flow, c.up_to_m3_min), flow.decimals)}</Num> {flow.unit} at full load: more was drawn for{' '}
            <strong><Num value={c.above_s} at={`${at}/above_s`}>{duration(c.above_s * 1000)}</Num></strong>, <Num value={c.share} at={`${at}/share`}>{fixed(c.share * 100, 2)}</Num> % of the observed time.
          </li>
        );
      })}
      {answer.duration.covers.length === 0 && <li class="absent">What the machines give at full load is not known: give their rated_flow in the site file.</li>}
    </ul>
  );
}

function Curve({ answer, flow, width }: PartProps & { flow: Display; width: number }) {
  const { curve, covers } = answer.duration;
  const value = (m3Min: number) => convert(flow, m3Min);
  const top = 1.1 * Math.max(...curve.map((c) => value(c.flow_m3_min)), ...covers.map((c) => value(c.up_to_m3_min)));
  const x = linearScale(0, 1, edge.left, width - edge.right);
  const y = linearScale(0, top, height - edge.bottom, edge.top);
  const half = (u: number) => u * flow.scale;
  const line = pathOf(curve.map((c) => [x(c.share), y(Math.max(0, value(c.flow_m3_min)))]));
  const high = curve.map((c): [number, number] => [x(c.share), y(Math.max(0, value(c.flow_m3_min) + half(c.uncertainty_m3_min)))]);
  const low = [...curve].reverse().map((c): [number, number] => [x(c.share), y(Math.max(0, value(c.flow_m3_min) - half(c.uncertainty_m3_min)))]);
  const some = [0, 0.1, 0.25, 0.5, 0.9].flatMap((s) => curve.filter((c) => c.share === s)).map((c) => `${fixed(value(c.flow_m3_min), flow.decimals)} ${flow.unit} for ${tickText(c.share * 100)} % of the time`);
  return (
    <svg class="money-svg" role="img" width={width} height={height} aria-label={`A curve that falls from the highest demand to the lowest, with its uncertainty. More was drawn than ${some.join(', ')}. Lines: what the machines give. The table below has each.`}>
      {valueTicks(0, top, 5).map((t) => <g key={t}><line class="grid" x1={edge.left} x2={width - edge.right} y1={y(t)} y2={y(t)} /><text class="tick" x={edge.left - 8} y={y(t) + 4} text-anchor="end">{tickText(t)}</text></g>)}
      <text class="tick" x="0" y="12">{flow.unit}</text>
      <path class="curve-band" d={`${pathOf([...high, ...low])}Z`} />
      <path class="curve" d={line} />
      {covers.map((c) => <g key={c.machine}><line class="rated-line" x1={edge.left} x2={width - edge.right} y1={y(value(c.up_to_m3_min))} y2={y(value(c.up_to_m3_min))} /><text class="tick strong" x={width - edge.right} y={y(value(c.up_to_m3_min)) - 5} text-anchor="end">{`up to here ${c.machine}`}</text></g>)}
      <line class="base" x1={edge.left} x2={width - edge.right} y1={height - edge.bottom} y2={height - edge.bottom} />
      {[0, 0.25, 0.5, 0.75, 1].map((f) => <text key={f} class="tick" x={x(f)} y={height - edge.bottom + 17} text-anchor={f === 1 ? 'end' : 'middle'}>{`${f * 100} %`}</text>)}
      <text class="tick" x={(edge.left + width - edge.right) / 2} y={height - 4} text-anchor="middle">of the observed time more was drawn</text>
    </svg>
  );
}
