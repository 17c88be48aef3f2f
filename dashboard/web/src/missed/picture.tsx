// Each device as a band over the window: filled where it was read, empty and
// hatched where it was not; below it what happened to the computer that records.
import type { MissedAnswer } from '../api';
import { Num } from '../figure/number';
import { useWidth } from '../look/measure';
import { Hatch } from '../look/pattern';
import { clockMinute, day as dayWords, duration } from '../units/words';
import { midnights, percent } from './words';

const barPx = 26;
/** A gap is seen however short it is. */
const leastPx = 2;
/** A day's name with its space, as “Wed 25 Nov”: what begins nearer to the edge has none, lest it be cut. */
const dayPx = 76;

interface Shape { answer: MissedAnswer; timeZone: string }

export function Picture({ answer, timeZone }: Shape) {
  const [ref, width] = useWidth<HTMLDivElement>();
  const [from, to] = [Date.parse(answer.from ?? ''), Date.parse(answer.to ?? '')];
  const x = (ms: number) => ((Math.min(Math.max(ms, from), to) - from) / (to - from)) * width;
  const days = midnights(from, to, (ms) => clockMinute(ms, timeZone));
  return (
    <div class="bands">
      <svg width="0" height="0" class="patterns" aria-hidden="true" focusable="false"><defs>
        <Hatch id="missed-nothing" />
      </defs></svg>
      <div class="band-row"><span /><div ref={ref} class="band-width" /><span /></div>
      {answer.devices.map((d, i) => (
        <div class="band-row" key={d.device}>
          <p class="band-name" data-words>{d.device}</p>
          <div class="band-bar">{width > 0 && <Band answer={answer} device={d} width={width} x={x} days={days} />}</div>
          <p class="band-share">{d.due > 0 ? <><Num value={d.read_share} at={`/devices/${i}/read_share`}>{percent(d.read_share)}</Num> %</> : 'not known'}</p>
        </div>
      ))}
      <div class="band-row">
        <p class="band-name aside">the computer</p>
        <div class="band-bar">{width > 0 && <Happened answer={answer} width={width} x={x} days={days} timeZone={timeZone} />}</div>
        <p class="band-share aside" />
      </div>
    </div>
  );
}

function Band({ answer, device: { device, absent: never, gaps: times, gap_s: allS, longest_s: longestS }, width, x, days }: { answer: MissedAnswer; device: MissedAnswer['devices'][number]; width: number; x: (ms: number) => number; days: number[] }) {
  const gaps = answer.gaps.filter((g) => g.device === device); // the longest only, where there are many
  const label = never ? `${device}: ${never}.`
    : times === 0 ? `${device} was read throughout, but for less than a minute at a time.`
      : `${device} was not read ${times === 1 ? 'once' : `${times} times`}, ${duration(allS * 1000)} in all; the longest time ${duration(longestS * 1000)}.`;
  return (
    <svg width={width} height={barPx} role="img" aria-label={label}>
      {!never && <rect class="was-read" width={width} height={barPx} />}
      {never && <rect class="was-not" x="0.5" y="0.5" width={Math.max(0, width - 1)} height={barPx - 1} fill="url(#missed-nothing)" />}
      {days.map((t) => <line key={t} class="midnight" x1={x(t)} x2={x(t)} y1="0" y2={barPx} />)}
      {gaps.map((g) => {
        const [a, b] = [x(Date.parse(g.from)), x(Date.parse(g.to))];
        const w = Math.max(leastPx, b - a);
        const left = Math.min(a, width - w);
        return <g key={g.from}><rect class="was-not paper" x={left} y="0" width={w} height={barPx} /><rect class="was-not" x={left + 0.5} y="0.5" width={Math.max(1, w - 1)} height={barPx - 1} fill="url(#missed-nothing)" /></g>;
      })}
    </svg>
  );
}

/** A shape for each kind of what befell the record; others are in the list alone. */
const shapes: Record<string, { path: string; word: string }> = {
  computer_slept: { path: 'M-5 -5h10l-10 10h10', word: 'it slept' },
  clock_step: { path: 'M0 -6L6 0L0 6L-6 0z', word: 'its clock was set' },
  agent_broke_off: { path: 'M-5 -5L5 5M5 -5L-5 5', word: 'recording broke off' },
  agent_started: { path: 'M-4 -6L5 0L-4 6z', word: 'recording began' },
  store_down: { path: 'M-5 -5h10v10h-10z', word: 'the disk took nothing' },
};

function Happened({ answer, width, x, days, timeZone }: Shape & { width: number; x: (ms: number) => number; days: number[] }) {
  const told = answer.events.filter((e) => shapes[e.kind]);
  const kinds = [...new Set(told.map((e) => e.kind))];
  const label = told.length === 0 ? 'Nothing befell the computer that records.'
    : `The computer that records: ${kinds.map((k) => { const n = told.filter((e) => e.kind === k).length; return `${shapes[k]?.word} ${n === 1 ? 'once' : `${n} times`}`; }).join(', ')}.`;
  const every = Math.max(1, Math.ceil((days.length * dayPx) / width));
  return (
    <>
      <svg width={width} height={barPx + 20} role="img" aria-label={label}>
        <line class="base-line" x1="0" x2={width} y1={barPx / 2} y2={barPx / 2} />
        {told.map((e) => <path key={e.seq} class="befell" d={shapes[e.kind]?.path} transform={`translate(${Math.min(Math.max(x(Date.parse(e.time)), 7), width - 7)} ${barPx / 2})`} />)}
        <g aria-hidden="true">
          {days.map((t, i) => i % every === 0 && x(t) <= width - dayPx && (
            <g key={t}><line class="midnight" x1={x(t)} x2={x(t)} y1={barPx} y2={barPx + 5} /><text class="tick" x={x(t) + 3} y={barPx + 16}>{dayWords(t, timeZone)}</text></g>
          ))}
        </g>
      </svg>
      {kinds.length > 0 && (
        <ul class="befell-key" aria-label="What the shapes mean">
          {kinds.map((k) => <li key={k}><svg width="16" height="16" viewBox="-8 -8 16 16" aria-hidden="true" focusable="false"><path class="befell" d={shapes[k]?.path} /></svg>{shapes[k]?.word}</li>)}
        </ul>
      )}
    </>
  );
}
