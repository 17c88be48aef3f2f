// One strip of the last hour: a mean line in the band of what was read in each
// cell. Gaps stay gaps. The canvas is destroyed with the component.
import { useEffect, useRef } from 'preact/hooks';
import uPlot from 'uplot';
import 'uplot/dist/uPlot.min.css';
import { clockMinute } from '../units/words';
import type { Columns } from './cells';
import { placeLabels } from './guides';
import type { Run } from './runs';

/** Left and right room that all strips share, so that times line up. */
export const leftPx = 46;
export const rightPx = 10;

export interface Guide {
  value: number;
  text: string;
  /** words below the line: where readings come from above */
  below: boolean;
}

export interface StripProps {
  width: number;
  height: number;
  columns: Columns;
  from: number;
  to: number;
  gaps: Run[];
  guides: Guide[];
  colour: '--air' | '--power';
  decimals: number;
  zeroBased: boolean;
  /** times beneath; the lowest strip leaves them to the state band */
  times: boolean;
  timeZone: string;
  colours: number;
  /** time under the cursor in ms, or null */
  onPoint: (ms: number | null) => void;
}

const token = (name: string) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();

export function Strip(props: StripProps) {
  const host = useRef<HTMLDivElement>(null);
  const plot = useRef<uPlot | null>(null);
  const now = useRef(props);
  now.current = props;

  useEffect(() => {
    if (!host.current) return;
    const u = new uPlot(options(now), data(now.current.columns), host.current);
    plot.current = u;
    return () => {
      plot.current = null;
      u.destroy();
    };
  }, [props.timeZone]);

  useEffect(() => {
    plot.current?.setSize({ width: props.width, height: props.height });
  }, [props.width, props.height]);

  useEffect(() => {
    plot.current?.setData(data(props.columns)); // resets the scales, which ask for the window
  }, [props.columns, props.from, props.to, props.gaps, props.guides, props.colours]);

  return <div class="strip" ref={host} aria-hidden="true" />;
}

function data(c: Columns): uPlot.AlignedData {
  return [c.t, c.min, c.max, c.mean];
}

function range(p: StripProps): [number, number] {
  let low = Infinity;
  let high = -Infinity;
  for (const v of p.columns.min) if (v !== null && v < low) low = v;
  for (const v of p.columns.max) if (v !== null && v > high) high = v;
  for (const g of p.guides) {
    low = Math.min(low, g.value);
    high = Math.max(high, g.value);
  }
  if (!Number.isFinite(low)) return [0, 1];
  if (p.zeroBased) return [Math.min(0, low), Math.max(high * 1.1, 1)]; // what a stopped machine takes is no hill
  const pad = Math.max((high - low) * 0.08, 10 ** -p.decimals);
  return [low - 1.6 * pad, high + pad]; // room for the lowest guide's words
}

function options(now: { current: StripProps }): uPlot.Options {
  const first = now.current;
  const line = () => token(now.current.colour);
  const axis: uPlot.Axis = {
    stroke: () => token('--muted'),
    font: '12px system-ui, sans-serif',
    grid: { stroke: () => token('--hair'), width: 1 },
    ticks: { stroke: () => token('--hair'), width: 1, size: 4 },
  };
  return {
    width: Math.max(first.width, 50),
    height: first.height,
    tzDate: (seconds) => uPlot.tzDate(new Date(seconds * 1000), zone(first.timeZone)),
    legend: { show: false },
    cursor: { y: false, drag: { x: false, y: false }, points: { show: false }, sync: { key: 'hour', setSeries: false } },
    padding: [16, rightPx, first.times ? 0 : 6, 0],
    scales: {
      x: { time: true, range: () => [now.current.from / 1000, now.current.to / 1000] },
      y: { range: () => range(now.current) },
    },
    axes: [
      { ...axis, show: first.times, size: 24, space: 60, values: (_, splits) => splits.map((s) => clockMinute(s * 1000, first.timeZone)) },
      { ...axis, size: leftPx, space: 28, gap: 4, values: (_, splits) => splits.map((s) => String(Number(s.toFixed(3))).replace('-', '−')) },
    ],
    series: [
      {},
      { stroke: () => 'transparent', width: 0, points: { show: false } },
      { stroke: () => 'transparent', width: 0, points: { show: false } },
      { stroke: line, width: 1.75, points: { show: false } },
    ],
    bands: [{ series: [2, 1], fill: () => token(`${now.current.colour}-wash`) }],
    hooks: {
      // Beneath the lines: readings are never hidden by words.
      drawClear: [(u) => shadeGaps(u, now.current.gaps), (u) => drawGuides(u, now.current.guides)],
      setCursor: [(u) => {
        const left = u.cursor.left ?? -1;
        now.current.onPoint(left < 0 ? null : u.posToVal(left, 'x') * 1000);
      }],
    },
  };
}

function zone(timeZone: string): string {
  try {
    new Intl.DateTimeFormat('en', { timeZone });
    return timeZone;
  } catch {
    return 'UTC';
  }
}

/** Where nothing was observed the paper is hatched. */
function shadeGaps(u: uPlot, gaps: Run[]): void {
  const { left, top, width, height } = u.bbox;
  const ctx = u.ctx;
  ctx.save();
  ctx.strokeStyle = token('--hatch');
  ctx.lineWidth = devicePixelRatio;
  for (const g of gaps) {
    const x0 = Math.max(left, u.valToPos(g.from / 1000, 'x', true));
    const x1 = Math.min(left + width, u.valToPos(g.to / 1000, 'x', true));
    if (x1 <= x0) continue;
    ctx.save();
    ctx.beginPath();
    ctx.rect(x0, top, Math.max(x1 - x0, devicePixelRatio), height);
    ctx.clip();
    ctx.beginPath();
    for (let x = x0 - height; x < x1; x += 7 * devicePixelRatio) {
      ctx.moveTo(x, top + height);
      ctx.lineTo(x + height, top);
    }
    ctx.stroke();
    ctx.restore();
  }
  ctx.restore();
}

function drawGuides(u: uPlot, guides: Guide[]): void {
  const { left, width } = u.bbox;
  const ctx = u.ctx;
  const px = devicePixelRatio;
  ctx.save();
  ctx.font = `${11 * px}px system-ui, sans-serif`;
  ctx.lineWidth = px;
  ctx.strokeStyle = token('--muted');
  ctx.setLineDash([6 * px, 4 * px]);
  const ys = guides.map((g) => Math.round(u.valToPos(g.value, 'y', true)));
  for (const y of ys) {
    ctx.beginPath();
    ctx.moveTo(left, y);
    ctx.lineTo(left + width, y);
    ctx.stroke();
  }
  // Paper around the words, lest a line strikes them through.
  ctx.setLineDash([]);
  ctx.lineJoin = 'round';
  ctx.lineWidth = 4 * px;
  ctx.strokeStyle = token('--paper');
  ctx.fillStyle = token('--muted');
  for (const [i, place] of placeLabels(ys, guides.map((g) => g.below), 15 * px).entries()) {
    const text = guides[i]?.text ?? '';
    const x = place.right ? left + width - 4 * px : left + 4 * px;
    const y = (ys[i] ?? 0) + (place.above ? -2 : 4) * px;
    ctx.textAlign = place.right ? 'right' : 'left';
    ctx.textBaseline = place.above ? 'bottom' : 'top';
    ctx.strokeText(text, x, y);
    ctx.fillText(text, x, y);
  }
  ctx.restore();
}
