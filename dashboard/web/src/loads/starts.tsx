// Starts within 60 minutes, over the window, against what the motor bears.
import type { CyclesAnswer } from '../api';
import { Known } from '../figure/known';
import { Num } from '../figure/number';
import { useWidth } from '../look/measure';
import { Twin } from '../look/twin';
import { timeTicks } from '../plot/ticks';
import { day } from '../units/words';
import { Lasted, Moment } from './list';
import type { Picked } from './pick';
import { linearScale } from './scale';

const height = 190;
const edge = { left: 40, right: 12, top: 18, bottom: 26 };
const hourMs = 3_600_000;

/** The steps as an area; the level holds until the next step. */
export function steppedPath(steps: { at: number; n: number }[], to: number, x: (ms: number) => number, y: (n: number) => number): string {
  const parts: string[] = [];
  steps.forEach((s, i) => {
    const end = Math.min(steps[i + 1]?.at ?? to, to);
    if (s.n > 0 && end > s.at) parts.push(`M${x(s.at).toFixed(1)} ${y(0)}V${y(s.n).toFixed(1)}H${x(end).toFixed(1)}V${y(0)}Z`);
  });
  return parts.join('');
}

function summary(a: CyclesAnswer): string {
  const s = a.starts;
  const limit = s.limit === undefined ? 'There is no limit to hold them to.' : `The limit is ${s.limit}; ${s.over === 0 ? 'no start was over it' : `${s.over} starts were over it`}.`;
  return `Chart of the starts within the last 60 minutes, over the window. At most ${s.most}. ${limit} The table below has each start.`;
}

export function Starts({ answer, picked, pick, timeZone }: { answer: CyclesAnswer; picked: Picked | undefined; pick: (at: number) => void; timeZone: string }) {
  const [host, width] = useWidth<HTMLDivElement>();
  const s = answer.starts;
  const [from, to] = [Date.parse(answer.from), Date.parse(answer.to)];
  return (
    <section class="load-chart" aria-labelledby="starts-title">
      <h2 id="starts-title">How often it starts</h2>
      <p class="aside small">
        Starts within <time dateTime="PT60M">60 minutes</time>. {s.limit !== undefined && <>The motor bears <Num value={s.limit} at="/starts/limit">{s.limit}</Num>. </>}
        {s.no_load_stop_s !== undefined && <>Unloaded for <Lasted s={s.no_load_stop_s} at="/starts/no_load_stop_s" />, it stops by itself: each such stop makes a start to come.</>}
      </p>
      <div ref={host} style={{ minHeight: `${height}px` }}>{width > 0 && <Drawing {...{ answer, picked, pick, timeZone, width, from, to }} />}</div>
      <Known title="starts within an hour" facts={{
        method: 'each start that was seen, and those within the 60 minutes before it; counted from the beginning of the window', note: s.stop_basis,
        limit: <span data-words>{s.limit_basis}</span>, inputs: answer.inputs, coverage: { value: answer.coverage, at: '/coverage' },
        atLeastWhy: s.at_least ? 'part of the window was not observed' : undefined,
      }} />
      <Twin title="The starts" columns={[{ title: 'Start' }, { title: 'It was' }, { title: 'Rest before', number: true }, { title: 'Within an hour', number: true }]} rows={() => s.list.map((one, i) => ({
        key: `${one.at} ${i}`,
        cells: [<Moment iso={one.at} timeZone={timeZone} />, one.from,
          one.rest_s === undefined ? 'not known' : <Lasted s={one.rest_s} at={`/starts/list/${i}/rest_s`} />,
          <Num value={one.in_hour} at={`/starts/list/${i}/in_hour`}>{one.in_hour}</Num>],
      }))} />
    </section>
  );
}

function Drawing({ answer, picked, pick, timeZone, width, from, to }: { answer: CyclesAnswer; picked: Picked | undefined; pick: (at: number) => void; timeZone: string; width: number; from: number; to: number }) {
  const s = answer.starts;
  const top = Math.max(s.most, s.limit ?? 0, 2) + 1;
  const x = linearScale(from, to, edge.left, width - edge.right);
  const y = linearScale(0, top, height - edge.bottom, edge.top);
  const starts = s.list.map((one) => ({ at: Date.parse(one.at), n: one.in_hour }));
  const steps = s.rolling.map((r) => ({ at: Date.parse(r.at), n: r.starts }));
  const choose = (e: MouseEvent) => {
    const box = (e.currentTarget as Element).getBoundingClientRect();
    const at = e.clientX - box.left;
    const nearest = starts.reduce<{ at: number; n: number } | undefined>((best, one) => (best === undefined || Math.abs(x(one.at) - at) < Math.abs(x(best.at) - at) ? one : best), undefined);
    if (nearest && Math.abs(x(nearest.at) - at) < 24) pick(nearest.at);
  };
  const lit = picked ? starts[picked.start] : undefined;
  const every = Math.ceil(top / 6);
  return (
    <svg class="loads-svg" width={width} height={height} role="img" aria-label={summary(answer)} onClick={choose}>
      {answer.unobserved.map((g) => <rect key={g.from} class="not-seen" x={x(Date.parse(g.from))} y={edge.top} width={Math.max(1, x(Date.parse(g.to)) - x(Date.parse(g.from)))} height={height - edge.top - edge.bottom} />)}
      {Array.from({ length: Math.floor(top / every) + 1 }, (_, i) => i * every).map((n) => (
        <g key={n}><line class="grid" x1={edge.left} x2={width - edge.right} y1={y(n)} y2={y(n)} /><text class="tick" x={edge.left - 8} y={y(n) + 4} text-anchor="end">{n}</text></g>
      ))}
      <path class="steps" d={steppedPath(steps, to, x, y)} />
      {s.limit !== undefined && steps.some((k) => k.n > (s.limit ?? 0)) && <path class="steps over" d={steppedPath(steps.filter((k, i) => k.n > (s.limit ?? 0) || (steps[i - 1]?.n ?? 0) > (s.limit ?? 0)).map((k) => ({ at: k.at, n: k.n > (s.limit ?? 0) ? k.n : 0 })), to, x, y)} />}
      {starts.length <= 120 && starts.map((one) => <circle key={one.at} class="start-dot" cx={x(one.at)} cy={y(one.n)} r="3.2" />)}
      {s.limit !== undefined && <><line class="limit" x1={edge.left} x2={width - edge.right} y1={y(s.limit)} y2={y(s.limit)} /><text class="tick strong" x={width - edge.right} y={y(s.limit) - 5} text-anchor="end">the motor’s limit</text></>}
      {lit && (
        <g class="lit">
          <rect class="lit-hour" x={x(Math.max(from, lit.at - hourMs))} y={edge.top} width={Math.max(2, x(lit.at) - x(Math.max(from, lit.at - hourMs)))} height={height - edge.top - edge.bottom} />
          <line class="lit-line" x1={x(lit.at)} x2={x(lit.at)} y1={edge.top} y2={height - edge.bottom} />
          <circle class="lit-ring" cx={x(lit.at)} cy={y(lit.n)} r="7" />
        </g>
      )}
      {picked && !lit && picked.at >= from && picked.at <= to && <line class="lit-line thin" x1={x(picked.at)} x2={x(picked.at)} y1={edge.top} y2={height - edge.bottom} />}
      <line class="base" x1={edge.left} x2={width - edge.right} y1={height - edge.bottom} y2={height - edge.bottom} />
      {timeTicks(from, to, Math.max(2, Math.floor(width / 70)), timeZone).filter((t) => x(t.at) < width - 30).map((t) => (
        <g key={t.at}><line class="axis" x1={x(t.at)} x2={x(t.at)} y1={height - edge.bottom} y2={height - edge.bottom + 5} /><text class="tick" x={x(t.at)} y={height - 6} text-anchor="middle">{t.midnight ? day(t.at, timeZone) : t.text}</text></g>
      ))}
    </svg>
  );
}
