// What a plot shows, without anything that moves it: bands of states and lanes of
// curves above one time axis.
import { TimeAxis } from './axis';
import { LaneCanvas } from './lane';
import { dashText, lookOf } from './looks';
import './plot.css';
import { StatesCanvas } from './states';
import type { Curve, PlotProps } from './types';

type PictureProps = Pick<PlotProps, 'from' | 'to' | 'lanes' | 'states' | 'width' | 'timeZone' | 'colours'>;

export function Picture({ from, to, lanes, states, width, timeZone, colours }: PictureProps) {
  const shared = { from, to, width, colours };
  return (
    <>
      {states.map((s) => (
        <div key={s.machine}>
          <p class="lane-head">{s.machine}</p>
          <StatesCanvas {...shared} runs={s.runs} />
        </div>
      ))}
      {lanes.map((l) => (
        <div key={l.key} data-lane={l.key}>
          <p class="lane-head">
            {l.unit && <span class="lane-unit">{l.unit}</span>}
            {l.curves.map((c) => <CurveName key={c.id} curve={c} />)}
          </p>
          <LaneCanvas {...shared} lane={l} timeZone={timeZone} />
        </div>
      ))}
      <TimeAxis from={from} to={to} width={width} timeZone={timeZone} />
    </>
  );
}

function CurveName({ curve }: { curve: Curve }) {
  const look = lookOf(curve.look);
  return (
    <span class="curve-name">
      <svg width="34" height="12" aria-hidden="true" focusable="false">
        <line x1="1" x2="33" y1="6" y2="6" style={{ stroke: `var(${look.colour})`, strokeWidth: look.weight, strokeDasharray: dashText(look) }} />
      </svg>
      {curve.name}
    </span>
  );
}
