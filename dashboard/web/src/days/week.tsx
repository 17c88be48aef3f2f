// A map of the week: each hour of the clock on each weekday, filled as high as
// its mean is, with the number in it. It is a table, so it is its own twin; one
// stop for the Tab key, arrows within it, and each cell leads to Trace.
import { useRef, useState } from 'preact/hooks';
import type { DaysAnswer, Site, WeekMap } from '../api';
import { Known } from '../figure/known';
import { Num } from '../figure/number';
import { useWidth } from '../look/measure';
import { convert, figureDisplay, fixed, type UnitSystem } from '../units/units';
import { day as dayWords } from '../units/words';
import { cellDecimals, gridOf, placeHref, topOf, weekdays, type Who } from './view';

interface Props {
  id: string;
  title: string;
  map: WeekMap;
  /** of the map in the answer */
  at: string;
  answer: DaysAnswer;
  site: Site;
  who: Who;
  system: UnitSystem;
  wash: 'air' | 'power';
}

/** Below this width the hours run downwards. */
const narrowPx = 820;

const hourText = (h: number) => `${String(h).padStart(2, '0')}:00`;

export function Week(props: Props) {
  const { id, title, map, at, answer, site, who, system } = props;
  const [ref, width] = useWidth<HTMLDivElement>();
  const display = figureDisplay('', map.unit ?? '1', system);
  const top = topOf(map);
  const most = top?.cell.value === undefined ? 0 : convert(display, top.cell.value);
  const decimals = cellDecimals(most);
  const several = Date.parse(answer.to) - Date.parse(answer.from) > 7.1 * 86_400_000;
  return (
    <section class="week" aria-labelledby={`${id}-title`}>
      <h2 id={`${id}-title`}>{title}</h2>
      {map.absent || !top ? <p class="absent">Not known: <span data-words>{map.absent || 'no hour of it was observed'}</span>.</p> : (
        <>
          <p class="said">
            Highest on {weekdays[top.cell.day]} from <time dateTime={hourText(top.cell.hour)}>{hourText(top.cell.hour)}</time>,{' '}
            <strong><Num value={top.cell.value ?? 0} at={`${at}/cells/${top.index}/value`}>{fixed(most, decimals)}</Num> {display.unit}</strong>
            {several ? ', as a mean over these weeks' : ''}. Hatched hours were not observed, or are not over yet.
          </p>
          <div ref={ref} class="week-frame">
            {width > 0 && <Grid {...props} narrow={width < narrowPx} most={most} decimals={decimals} display={display} />}
          </div>
        </>
      )}
      {!map.absent && top && <Known title={title} facts={{ method: map.method }} look={placeHref(site, who, answer.pressure, Date.parse(answer.from), Date.parse(answer.to))} />}
    </section>
  );
}

function Grid({ id, map, at, answer, site, who, wash, narrow, most, decimals, display }: Props & { narrow: boolean; most: number; decimals: number; display: ReturnType<typeof figureDisplay> }) {
  const table = useRef<HTMLTableElement>(null);
  const grid = gridOf(map, at);
  // Rows and columns as they are shown: [row][column] is a day and an hour.
  const rows = narrow ? Array.from({ length: 24 }, (_, h) => weekdays.map((_n, d) => [d, h] as const)) : weekdays.map((_n, d) => Array.from({ length: 24 }, (_x, h) => [d, h] as const));
  const first = rows.flatMap((r, i) => r.map(([d, h], k) => ({ i, k, has: grid[d]?.[h] !== undefined }))).find((c) => c.has);
  const [spot, setSpot] = useState<[number, number] | undefined>();
  const [row, column] = spot && grid[rows[spot[0]]?.[spot[1]]?.[0] ?? -1]?.[rows[spot[0]]?.[spot[1]]?.[1] ?? -1] ? spot : [first?.i ?? 0, first?.k ?? 0];
  const move = (e: KeyboardEvent) => {
    const step = ({ ArrowUp: [-1, 0], ArrowDown: [1, 0], ArrowLeft: [0, -1], ArrowRight: [0, 1] } as Record<string, [number, number]>)[e.key];
    if (!step) return;
    e.preventDefault();
    // From where the focus is: keys may come faster than the table is drawn anew.
    const held = (e.target as HTMLElement).dataset.cell;
    const from = rows.flatMap((r, i) => r.map(([d, h], k) => [i, k, `${d}-${h}`] as const)).find(([, , cell]) => cell === held) ?? [row, column];
    // Hours that the window does not hold are leapt over.
    for (let [i, k] = [from[0] + step[0], from[1] + step[1]]; rows[i]?.[k]; i += step[0], k += step[1]) {
      const [d, h] = rows[i]?.[k] ?? [0, 0];
      if (!grid[d]?.[h]) continue;
      setSpot([i, k]);
      table.current?.querySelector<HTMLAnchorElement>(`[data-cell="${d}-${h}"]`)?.focus();
      return;
    }
  };
  return (
    <table ref={table} class={`map ${narrow ? 'tall' : 'wide'} ${wash}`} aria-labelledby={`${id}-title`} onKeyDown={move}>
      <thead>
        <tr><td class="corner tick">{display.unit}</td>{(narrow ? weekdays : rows[0] ?? []).map((c) => (typeof c === 'string' ? <th key={c} scope="col">{c}</th> : <th key={c[1]} scope="col" class="tick">{String(c[1]).padStart(2, '0')}</th>))}</tr>
      </thead>
      <tbody>
        {rows.map((r, i) => (
          <tr key={i}>
            <th scope="row" class={narrow ? 'tick' : undefined}>{narrow ? hourText(i) : weekdays[i]}</th>
            {r.map(([d, h], k) => {
              const found = grid[d]?.[h];
              if (!found) return <td key={k} />;
              const { cell } = found;
              const name = `${weekdays[d]} ${hourText(h)}`;
              const shown = cell.value === undefined ? undefined : fixed(convert(display, cell.value), decimals);
              const high = most > 0 && cell.value !== undefined ? Math.min(100, Math.max(0, (convert(display, cell.value) / most) * 100)) : 0;
              return (
                <td key={k}>
                  <a
                    href={placeHref(site, who, answer.pressure, Date.parse(cell.from), Date.parse(cell.to))} data-cell={`${d}-${h}`} data-fill={Math.round(high)}
                    class={cell.value === undefined ? 'cell unseen' : 'cell'} style={cell.value === undefined ? undefined : { '--high': `${high.toFixed(0)}%` }}
                    tabIndex={i === row && k === column ? 0 : -1} onFocus={() => setSpot([i, k])}
                    title={`${name}, last on ${dayWords(Date.parse(cell.from), site.timezone)}: show it in Trace`}
                  >
                    <span class="visually-hidden tick">{name}: </span>
                    {shown === undefined ? <span class="visually-hidden">not observed</span> : <Num value={cell.value ?? 0} at={`${found.at}/value`}>{shown}</Num>}
                  </a>
                </td>
              );
            })}
          </tr>
        ))}
      </tbody>
    </table>
  );
}
