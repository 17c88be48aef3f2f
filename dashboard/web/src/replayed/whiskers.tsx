// What each alternative saves, as an interval against nothing saved: all on one
// scale, so that they can be compared by eye.
import type { ReplayResult } from '../api';
import { useWidth } from '../look/measure';
import type { UnitSystem } from '../units/units';
import { shownAs, told } from './show';

const rowPx = 34;
const namePx = 150;

export function Whiskers({ results, system }: { results: ReplayResult[]; system: UnitSystem }) {
  const [ref, width] = useWidth<HTMLDivElement>();
  const known = results.filter((r) => !r.absent && r.saved_kwh.value !== null);
  const reach = Math.max(1e-9, ...known.map((r) => Math.abs(r.saved_kwh.value ?? 0) + (r.saved_kwh.uncertainty ?? 0)));
  const names = width < 520 ? 0 : namePx;
  const inner = Math.max(60, width - names - 20);
  const x = (v: number) => names + 10 + ((v / reach + 1) / 2) * inner;
  const high = known.length * rowPx + 26;
  const words = known.map((r) => {
    const s = shownAs(r.saved_kwh.value ?? 0, 'kWh', r.saved_kwh.uncertainty, system);
    return `${r.name} saves ${s.value} ${s.unit}${s.uncertainty ? `, give or take ${s.uncertainty}` : ''}${told(r.saved_kwh) ? '' : ', which is not told from nothing'}`;
  });
  return (
    <div class="whiskers" ref={ref}>
      {width > 0 && known.length > 0 && (
        <svg width={width} height={high} role="img" aria-label={`${words.join('; ')}.`}>
          <line class="zero" x1={x(0)} x2={x(0)} y1={0} y2={high - 22} />
          <g aria-hidden="true">
            <text class="tick" x={x(0)} y={high - 6} text-anchor="middle">as it is</text>
            <text class="tick" x={x(reach)} y={high - 6} text-anchor="end">saves →</text>
            <text class="tick" x={x(-reach)} y={high - 6}>← takes more</text>
            {known.map((r, i) => {
              const [v, u] = [r.saved_kwh.value ?? 0, r.saved_kwh.uncertainty ?? 0];
              const y = i * rowPx + (names ? rowPx / 2 : rowPx - 10);
              return (
                <g key={i}>
                  <text class="name" x={names ? 0 : 10} y={names ? y + 4 : y - 10}>{r.name.length > 22 ? `${r.name.slice(0, 21)}…` : r.name}</text>
                  <path class="reach" d={`M${x(v - u)} ${y - 5}v10M${x(v - u)} ${y}H${x(v + u)}M${x(v + u)} ${y - 5}v10`} />
                  <circle class={told(r.saved_kwh) ? 'told' : 'untold'} cx={x(v)} cy={y} r="5" />
                </g>
              );
            })}
          </g>
        </svg>
      )}
    </div>
  );
}
