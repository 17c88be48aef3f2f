// The plot as a table: the readings of the view in so many rows as one can read,
// asked for while it is open.
import { useState } from 'preact/hooks';
import type { ColumnsAnswer, ColumnSeries, Site, SiteChannel } from '../api';
import { useAsked, type Pace } from '../api/asked';
import { Num } from '../figure/number';
import { Standing } from '../look/standing';
import { channelDisplay, convert, fixed, type Display, type UnitSystem } from '../units/units';
import { askTable } from './ask';
import { channelName } from './lanes';
import { Moment } from './readings';
import type { Span } from './window';

interface TableProps {
  site: Site;
  channels: SiteChannel[];
  window: Span;
  system: UnitSystem;
  pace: Pace;
  now: number;
  /** what it is a table of, where a page has several */
  title?: string;
}

export function PlotTable(props: TableProps) {
  const [open, setOpen] = useState(false);
  return (
    <details class="twin" onToggle={(e) => setOpen(e.currentTarget.open)}>
      <summary>{props.title ? <span data-words>{props.title}</span> : 'This view'}, as a table</summary>
      {open && <Rows {...props} />}
    </details>
  );
}

/** Where each moment's cell is in each series; -1: none. */
export function rowsOf(series: ColumnSeries[]): { at: number; places: number[] }[] {
  const rows = new Map<number, number[]>();
  series.forEach((s, k) => s.count.forEach((count, i) => {
    if (count === null) return;
    const at = s.start_ms + (s.step_ms === 0 ? (s.at?.[i] ?? 0) : i * s.step_ms);
    const places = rows.get(at) ?? series.map(() => -1);
    places[k] = i;
    rows.set(at, places);
  }));
  return [...rows].sort((a, b) => a[0] - b[0]).map(([at, places]) => ({ at, places }));
}

/**
 * Whether a cell may have grown since it was asked for: of the last cell the API has all
 * readings so far, also those after the window's end.
 */
const grows = (answer: ColumnsAnswer, at: number, now: number) => {
  const step = Math.max(0, ...answer.series.map((s) => s.step_ms));
  const to = Date.parse(answer.to);
  return at + step > to && now < to + 2 * step;
};

function Rows({ site, channels, window: w, system, pace, now, title = 'This view' }: TableProps) {
  const q = askTable(channels.map((c) => c.id), w);
  const asked = useAsked(pace, q);
  const answer = asked.answered.value === q.key ? asked.value.value : undefined;
  const shown = (answer?.series ?? []).map((s) => channels.find((c) => c.id === s.channel)).filter((c): c is SiteChannel => c !== undefined);
  return (
    <div data-answer={q.address}>
      <Standing asked={asked} what="the table" question={q.key} />
      {answer && (
        <div class="scroll" tabIndex={0} role="region" aria-label={`${title} as a table`}>
          <table>
            <thead>
              <tr>
                <th scope="col">From</th>
                {shown.map((c) => <th key={c.id} scope="col" class="num">{channelName(site, c)}{channelDisplay(c, system).unit && <span class="unit"> {channelDisplay(c, system).unit}</span>}</th>)}
              </tr>
            </thead>
            <tbody>
              {rowsOf(answer.series).map((r) => (
                <tr key={r.at} data-moves={grows(answer, r.at, now) ? '' : undefined}>
                  <th scope="row"><Moment ms={r.at} timeZone={site.timezone} /></th>
                  {shown.map((c, k) => <td key={c.id} class="num">{r.places[k] === -1 ? '' : <Cell series={answer.series[k] as ColumnSeries} k={k} i={r.places[k] ?? 0} d={channelDisplay(c, system)} />}</td>)}
                </tr>
              ))}
            </tbody>
          </table>
        </div>
      )}
      <p class="aside">Each cell: lowest to highest reading, then their mean.</p>
    </div>
  );
}

function Cell({ series, k, i, d }: { series: ColumnSeries; k: number; i: number; d: Display }) {
  const number = (key: 'min' | 'max' | 'mean') => {
    const value = series[key]?.[i];
    return typeof value !== 'number' ? null : <Num value={value} at={`/series/${k}/${key}/${i}`}>{fixed(convert(d, value), d.decimals)}</Num>;
  };
  if (series.count[i] === 0) return <span class="absent">not read</span>;
  if (series.step_ms === 0) return number('mean');
  const [low, high] = d.scale < 0 ? (['max', 'min'] as const) : (['min', 'max'] as const);
  return <>{number(low)} to {number(high)}, {number('mean')}</>;
}
