// How long it loads, runs unloaded and rests: a row of bars for each, over the
// same classes of length.
import type { CycleLengths, CyclesAnswer } from '../api';
import { Known } from '../figure/known';
import { Num } from '../figure/number';
import { useWidth } from '../look/measure';
import { Twin } from '../look/twin';
import { duration } from '../units/words';
import { Lasted } from './list';
import type { Picked } from './pick';
import { shortTime } from './scale';

type What = CycleLengths['what'];

const names: Record<What, string> = {
  loaded: 'Loaded', unloaded: 'Unloaded until it loaded again', unloaded_stops: 'Unloaded until it stopped', cycle: 'From load to load', rest: 'Rest between two runs',
};

interface Bin { from: number; to: number | undefined }

/** Every class that one of the rows has, ascending. */
export function binsOf(lengths: CycleLengths[]): Bin[] {
  const all = new Map<number, Bin>();
  for (const l of lengths) for (const c of l.classes) all.set(c.from, { from: c.from, to: c.to });
  return [...all.values()].sort((a, b) => a.from - b.from);
}

export const binText = (b: Bin) => (b.to === undefined ? `over ${shortTime(b.from)}` : b.from === 0 ? `under ${shortTime(b.to)}` : `${shortTime(b.from)} to ${shortTime(b.to)}`);

/** How long the picked one was, by row. */
function pickedLength(answer: CyclesAnswer, picked: Picked | undefined, what: What): number | undefined {
  const c = picked && answer.cycles[picked.cycle];
  const s = picked && answer.starts.list[picked.start];
  if (what === 'rest') return s?.rest_s;
  if (!c) return undefined;
  if (what === 'loaded') return c.loaded_s;
  if (what === 'cycle') return c.ended === 'load' ? c.loaded_s + c.unloaded_s : undefined;
  return (what === 'unloaded_stops') === (c.ended === 'stop') && c.unloaded_s > 0 ? c.unloaded_s : undefined;
}

export function Lengths({ answer, picked }: { answer: CyclesAnswer; picked: Picked | undefined }) {
  const [host, width] = useWidth<HTMLDivElement>();
  const bins = binsOf(answer.lengths);
  const say = (l: CycleLengths) => `${names[l.what]}: ${l.count}, half of them under ${duration(l.median_s * 1000)}.`;
  return (
    <section class="load-chart" aria-labelledby="lengths-title">
      <h2 id="lengths-title">How long it loads and rests</h2>
      <p class="aside small">Each bar counts what was so long. The table has the numbers.</p>
      {answer.lengths.length === 0 && <p class="absent">Nothing was seen whole.</p>}
      <div ref={host} class="lengths">
        {answer.lengths.length > 0 && <>
          {answer.lengths.map((l, i) => (
            <div key={l.what} class="length-row" data-what={l.what}>
              <p><strong>{names[l.what]}</strong> <span class="aside"><Num value={l.count} at={`/lengths/${i}/count`}>{l.count}</Num>; half under <Lasted s={l.median_s} at={`/lengths/${i}/median_s`} />, from <Lasted s={l.shortest_s} at={`/lengths/${i}/shortest_s`} /> to <Lasted s={l.longest_s} at={`/lengths/${i}/longest_s`} /></span></p>
              {width > 0 && <Bars lengths={l} bins={bins} width={width} summary={say(l)} lit={pickedLength(answer, picked, l.what)} />}
            </div>
          ))}
          {width > 0 && <Axis bins={bins} width={width} />}
        </>}
      </div>
      <Known title="how long it loads and rests" facts={{ method: answer.method, over: 'cycles that were over in the window, and rests between a stop and a start that were both seen', inputs: answer.inputs, coverage: { value: answer.coverage, at: '/coverage' } }} />
      {answer.lengths.length > 0 && (
        <Twin title="How long" columns={[{ title: 'Length' }, ...answer.lengths.map((l) => ({ title: names[l.what], number: true }))]} rows={() => bins.map((b) => ({
          key: String(b.from),
          cells: [<span class="tick">{binText(b)}</span>, ...answer.lengths.map((l, i) => {
            const k = l.classes.findIndex((c) => c.from === b.from);
            const n = l.classes[k]?.count ?? 0;
            return k < 0 ? 'none' : <Num value={n} at={`/lengths/${i}/classes/${k}/count`}>{n}</Num>;
          })],
        }))} />
      )}
    </section>
  );
}

const rowPx = 46;

function Bars({ lengths, bins, width, summary, lit }: { lengths: CycleLengths; bins: Bin[]; width: number; summary: string; lit: number | undefined }) {
  const w = width / bins.length;
  const most = Math.max(...lengths.classes.map((c) => c.count), 1);
  const at = lit === undefined ? -1 : bins.findIndex((b) => lit >= b.from && (b.to === undefined || lit < b.to));
  return (
    <svg class="loads-svg bars" width={width} height={rowPx + 8} role="img" aria-label={summary}>
      {bins.map((b, i) => {
        const n = lengths.classes.find((c) => c.from === b.from)?.count ?? 0;
        const h = n === 0 ? 0 : Math.max(2, (n / most) * (rowPx - 14));
        return (
          <g key={b.from}>
            <rect class={`bar bar-${lengths.what}${i === at ? ' at' : ''}`} x={i * w + 1.5} y={rowPx - h} width={Math.max(1, w - 3)} height={h} />
            {n > 0 && w >= 24 && <text class="tick" x={(i + 0.5) * w} y={rowPx - h - 3} text-anchor="middle">{n}</text>}
          </g>
        );
      })}
      <line class="base" x1="0" x2={width} y1={rowPx} y2={rowPx} />
      {at >= 0 && <path class="lit-mark" d={`M${(at + 0.5) * w - 6} ${rowPx + 8}h12l-6 -7z`} />}
    </svg>
  );
}

function Axis({ bins, width }: { bins: Bin[]; width: number }) {
  const w = width / bins.length;
  const every = Math.max(1, Math.ceil(44 / w));
  return (
    <svg class="loads-svg" width={width} height="20" aria-hidden="true" focusable="false">
      {bins.map((b, i) => i > 0 && i % every === 0 && <text key={b.from} class="tick" x={i * w} y="13" text-anchor="middle">{shortTime(b.from)}</text>)}
    </svg>
  );
}
