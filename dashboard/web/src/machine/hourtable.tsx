// The last hour as a table: whole five minutes, as the API adds them up.
import { useState } from 'preact/hooks';
import { answerOf, type ColumnSeries, type ColumnsAnswer, type Site, type SiteChannel } from '../api';
import { useAsked, type Pace, type Question } from '../api/asked';
import type { Run } from '../chart/runs';
import { Num } from '../figure/number';
import { Standing } from '../look/standing';
import { channelDisplay, convert, fixed, type UnitSystem } from '../units/units';
import { clock, clockMinute } from '../units/words';
import { stateWord } from './sentence';

const stepMs = 300_000;
const cells = 12;

/** The question for the twelve whole five minutes before a moment. */
export function hourQuestion(channels: SiteChannel[], now: number): Question<ColumnsAnswer> {
  const to = Math.floor(now / stepMs) * stepMs;
  const query = new URLSearchParams({ layout: 'columns', points: String(cells), from: new Date(to - cells * stepMs).toISOString(), to: new Date(to).toISOString() });
  for (const c of channels) query.append('channel', c.id);
  return { key: `/api/v1/series?${query.toString()}`, ask: async (signal) => (await answerOf('/api/v1/series', query, signal)) as ColumnsAnswer };
}

interface HourTableProps {
  pace: Pace;
  site: Site;
  /** of pressure: lowest, mean, highest; the others' means */
  channels: SiteChannel[];
  runs: Run[];
  now: number;
  system: UnitSystem;
}

export function HourTable(props: HourTableProps) {
  const [open, setOpen] = useState(false);
  return (
    <details class="twin" onToggle={(e) => setOpen(e.currentTarget.open)}>
      <summary>The last hour, as a table</summary>
      {open && <Table {...props} />}
    </details>
  );
}

function Table({ pace, site, channels, runs, now, system }: HourTableProps) {
  const question = hourQuestion(channels, now);
  const asked = useAsked(pace, question);
  const answer = asked.value.value;
  return (
    <>
      <Standing asked={asked} what="the table" question={question.key} />
      {answer && (
        <div class="scroll" tabIndex={0} role="region" aria-label="The last hour as a table" data-answer={asked.answered.value}>
          <table>
            <thead>
              <tr><th scope="col">From</th>{heads(channels, system).map((t) => <th key={t} scope="col" class="num">{t}</th>)}<th scope="col">What it did</th></tr>
            </thead>
            <tbody>{Array.from({ length: cells }, (_, i) => <FiveMinutes key={i} i={i} answer={answer} channels={channels} runs={runs} zone={site.timezone} system={system} />)}</tbody>
          </table>
        </div>
      )}
    </>
  );
}

type List = 'min' | 'mean' | 'max';
const listsOf = (c: SiteChannel): List[] => (c.quantity === 'pressure' ? ['min', 'mean', 'max'] : ['mean']);
const word: Record<List, string> = { min: 'Lowest', mean: 'Mean', max: 'Highest' };
const heads = (channels: SiteChannel[], system: UnitSystem) => channels.flatMap((c) => listsOf(c).map((l) => `${word[l]}, ${channelDisplay(c, system).unit}`));

/** What a series has of five minutes. A channel that is read less often than that comes as its readings. */
function cellOf(series: ColumnSeries | undefined, list: List, from: number): { value: number; at: string } | undefined {
  if (!series || (series.step_ms !== 0 && series.step_ms !== stepMs)) return undefined;
  const own = series.step_ms === 0 ? 'mean' : list;
  const i = series.step_ms === 0
    ? (series.at ?? []).reduce((found, t, n) => (series.start_ms + t >= from && series.start_ms + t < from + stepMs ? n : found), -1)
    : (from - series.start_ms) / stepMs; // cells begin where readings begin
  const value = series[own]?.[i];
  return typeof value === 'number' ? { value, at: `${own}/${i}` } : undefined;
}

function FiveMinutes({ i, answer, channels, runs, zone, system }: { i: number; answer: ColumnsAnswer; channels: SiteChannel[]; runs: Run[]; zone: string; system: UnitSystem }) {
  const from = Date.parse(answer.from) + i * stepMs;
  return (
    <tr>
      <th scope="row"><time>{clockMinute(from, zone)}</time></th>
      {channels.flatMap((c, k) => listsOf(c).map((list) => {
        const found = cellOf(answer.series[k], list, from);
        const d = channelDisplay(c, system);
        return (
          <td key={`${c.id} ${list}`} class="num">
            {found ? <Num value={found.value} at={`/series/${k}/${found.at}`}>{fixed(convert(d, found.value), d.decimals)}</Num> : '–'}
          </td>
        );
      }))}
      <td>{runs.filter((r) => r.to > from && r.from < from + stepMs).map((r, n) => (
        <span key={r.from}>{n > 0 && ', '}{stateWord[r.state]}{r.from >= from && <> <time>{clock(r.from, zone)}</time></>}</span>
      ))}</td>
    </tr>
  );
}
