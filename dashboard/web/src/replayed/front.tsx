// The best of many combinations: a form that says what may vary and what must
// hold, and a picture of those that no other one beats.
import { useState } from 'preact/hooks';
import type { ReplayAlternative, ReplayAnswer, ReplayFront, ReplayNow, ReplayPoint, ReplaySearch } from '../api';
import { Known } from '../figure/known';
import { answerAddress, Num } from '../figure/number';
import { useFocusAfter, type Places } from '../look/focus';
import { useWidth } from '../look/measure';
import { Twin } from '../look/twin';
import { sentence } from '../look/words';
import type { UnitSystem } from '../units/units';
import { wrongLimit } from './address';
import { useReplay } from './run';
import { SearchForm } from './searchform';
import { Amount, shownAs, told } from './show';

interface FrontProps {
  query: URLSearchParams;
  search: ReplaySearch | undefined;
  /** the days and the system, as the API takes them */
  of: { from: string; to: string; system: string };
  settings: ReplayNow[];
  machines: string[];
  system: UnitSystem;
  full: boolean;
  put: (query: URLSearchParams) => void;
  open: (a: ReplayAlternative) => void;
}

/** The button that stops or changes a search; else its form's first field. */
const searchPlaces: Places = { at: ['.front .standing button', '.front .change-search', '.search-form input, .search-form select', '#front-title'] };

export function Front(props: FrontProps) {
  useFocusAfter(JSON.stringify(props.search ?? ''), () => searchPlaces);
  const wrong = props.search && wrongLimit(props.search);
  return (
    <section class="front" aria-labelledby="front-title">
      <h2 id="front-title" tabIndex={-1}>Search for the best settings</h2>
      <p class="aside">Every combination of what may vary is played with the same air. Give a limit for the pressure: less pressure always saves, and what the users need only you know.</p>
      {props.search && !wrong ? <Searched key={JSON.stringify(props.search)} {...props} search={props.search} /> : <SearchForm {...props} wrong={wrong} busy={false} />}
    </section>
  );
}

function Searched(props: FrontProps & { search: ReplaySearch }) {
  const { search, of } = props;
  const body = { ...of, search };
  const key = JSON.stringify(body);
  const run = useReplay(key, body);
  const [changing, setChanging] = useState(false);
  const stand = run.stand.value;
  const last = run.last.value;
  const front = last?.answer.search;
  useFocusAfter(`${stand.state} ${changing}`, () => (changing ? { at: ['.search-form input, .search-form select'], show: true } : searchPlaces));
  const wrong = stand.state === 'refused' ? { field: stand.field, message: stand.message } : undefined;
  return (
    <div data-answer={last && answerAddress('/api/v1/replay', { id: last.id })} data-searched={last?.key === key}>
      {stand.state === 'running' && (
        <div class="standing replaying">
          <p role="status">Searching …</p>
          <progress aria-label="Combinations played" max={stand.total || 1} value={stand.total > 0 ? stand.done : undefined} />
          <button type="button" onClick={() => run.stop()}>Stop the search</button>
        </div>
      )}
      {stand.state === 'failing' && <p class="standing warn" role="status">The search could not be had: <span data-words>{stand.message}</span>. Trying again.</p>}
      {stand.state === 'stopped' && <p class="standing" role="status">The search was stopped. <button type="button" class="plain" onClick={() => run.put(key, body)}>Search again</button></p>}
      {last && front && <Found key={last.id} front={front} answer={last.answer} {...props} />}
      {last?.answer.absent && <p class="absent" data-words>{sentence(last.answer.absent)}</p>}
      {wrong || changing ? <SearchForm {...props} wrong={wrong} busy={stand.state === 'running'} /> : (
        <p class="acts">
          <button type="button" class="change-search" onClick={() => setChanging(true)}>Change the search</button>
          <button type="button" onClick={() => { const next = new URLSearchParams(props.query); next.delete('vary'); props.put(next); }}>End the search</button>
        </p>
      )}
    </div>
  );
}

function Found({ front, answer, system, open, full }: FrontProps & { front: ReplayFront; answer: ReplayAnswer }) {
  const [chosen, setChosen] = useState(0);
  const at = '/answer/search';
  const point = front.points[chosen];
  return (
    <>
      <p class="found">
        <Num value={front.tried} at={`${at}/tried`}>{front.tried}</Num> combinations were played; <Num value={front.allowed} at={`${at}/allowed`}>{front.allowed}</Num> keep the limits,
        and <Num value={front.best} at={`${at}/best`}>{front.best}</Num> of these no other one beats{front.best > front.points.length && <>; <span data-count>{front.points.length}</span> are shown</>}.
        {front.impossible > 0 && <> <Num value={front.impossible} at={`${at}/impossible`}>{front.impossible}</Num> contradict themselves.</>}
      </p>
      {front.absent && <p class="absent" data-words>{sentence(front.absent)}</p>}
      {front.points.length > 0 && <Scatter front={front} answer={answer} chosen={chosen} choose={setChosen} system={system} />}
      {point && <Explained point={point} index={chosen} answer={answer} system={system} full={full} open={open} />}
      <Known title="the search" facts={{ method: front.method, note: front.remarks.map(sentence).join(' ') || undefined }} />
      <Twin
        title="The best combinations" columns={[{ title: 'Point' }, { title: 'What is set' }, { title: 'Saved, kWh', number: true }, { title: 'Starts', number: true }, { title: 'Load cycles', number: true }, { title: 'Lowest pressure', number: true }]}
        rows={() => front.points.map((p, i) => ({
          key: String(i),
          cells: [
            <span data-count>{i + 1}</span>, <span class="basis" data-words>{setWords(p)}</span>,
            <Amount a={p.result.saved_kwh} at={`${at}/points/${i}/result/saved_kwh`} unit="kWh" system={system} />,
            <Amount a={p.result.outcome.starts} at={`${at}/points/${i}/result/outcome/starts`} unit="1" system={system} />,
            <Amount a={p.result.outcome.load_cycles} at={`${at}/points/${i}/result/outcome/load_cycles`} unit="1" system={system} />,
            <Amount a={p.result.outcome.lowest_pressure_pa} at={`${at}/points/${i}/result/outcome/lowest_pressure_pa`} unit="Pa" system={system} />,
          ],
        }))}
      />
    </>
  );
}

const setWords = (p: ReplayPoint): string => p.result.set.map((s) => `${s.key} ${s.value}`).join(', ') || 'as it is';

/** A name that is cut says so: what ends within a value would tell another one. */
const shortened = (name: string) => (name.length > 60 ? `${name.slice(0, 59)}…` : name);

interface Side {
  name: string;
  value: (p: ReplayPoint) => number | null;
  now: (a: ReplayAnswer) => number | null;
  unit: string;
  /** words at the ends of the axis */
  ends: [string, string];
}

const sides: Side[] = [
  { name: 'Starts', value: (p) => p.result.outcome.starts.value, now: (a) => a.present.starts.value, unit: '1', ends: ['fewer starts', 'more starts'] },
  { name: 'Load cycles', value: (p) => p.result.outcome.load_cycles.value, now: (a) => a.present.load_cycles.value, unit: '1', ends: ['fewer cycles', 'more cycles'] },
  { name: 'Lowest pressure', value: (p) => p.result.outcome.lowest_pressure_pa.value, now: (a) => a.present.lowest_pressure_pa.value, unit: 'Pa', ends: ['lower pressure', 'higher pressure'] },
];
const highPx = 300;
const edgePx = { left: 16, right: 40, top: 26, bottom: 44 };

/** Energy saved to the right, what the plant pays for it upwards. Each point is a button with its number. */
function Scatter({ front, answer, chosen, choose, system }: { front: ReplayFront; answer: ReplayAnswer; chosen: number; choose: (i: number) => void; system: UnitSystem }) {
  const [ref, width] = useWidth<HTMLDivElement>();
  const [sideAt, setSide] = useState(0);
  const side = sides[sideAt] ?? (sides[0] as Side);
  // What is not known is no nought: such a point is left to the table.
  const points = front.points.flatMap((p, i) => {
    const [v, y] = [p.result.saved_kwh.value, side.value(p)];
    return v === null || y === null ? [] : [{ p, i, x: v, u: p.result.saved_kwh.uncertainty ?? 0, y }];
  });
  const now = side.now(answer);
  const heights = [...points.map((p) => p.y), ...(now === null ? [] : [now])];
  const [x0, x1] = [Math.min(0, ...points.map((p) => p.x - p.u)), Math.max(0, ...points.map((p) => p.x + p.u))];
  const [y0, y1] = [Math.min(...heights), Math.max(...heights)];
  const x = (v: number) => edgePx.left + ((v - x0) / (x1 - x0 || 1)) * Math.max(60, width - edgePx.left - edgePx.right);
  const y = (v: number) => highPx - edgePx.bottom - ((v - y0) / (y1 - y0 || 1)) * (highPx - edgePx.top - edgePx.bottom);
  const words = (p: ReplayPoint, i: number) => {
    const s = shownAs(p.result.saved_kwh.value ?? 0, 'kWh', p.result.saved_kwh.uncertainty, system);
    const v = side.value(p);
    const o = v === null ? undefined : shownAs(v, side.unit, undefined, system);
    return `Point ${i + 1}: ${setWords(p)}; saves ${s.value} ${s.unit}${s.uncertainty ? `, give or take ${s.uncertainty}` : ''}${o ? `; ${side.name.toLowerCase()} ${o.value}${o.unit ? ` ${o.unit}` : ''}` : ''}`;
  };
  return (
    <>
      <div class="choose" role="group" aria-label="Against what">
        {sides.map((s, i) => <button key={s.name} type="button" aria-pressed={i === sideAt} onClick={() => setSide(i)}>{s.name}</button>)}
      </div>
      <div class="scatter" ref={ref} style={{ height: `${highPx}px` }}>
        {width > 0 && points.length > 0 && (
          <>
            <svg width={width} height={highPx} role="img" aria-label={`Energy saved against ${side.name.toLowerCase()}. ${points.map((p) => words(p.p, p.i)).join('. ')}.`}>
              <g aria-hidden="true">
                <line class="zero" x1={x(0)} x2={x(0)} y1={edgePx.top - 8} y2={highPx - edgePx.bottom + 8} />
                {now !== null && <line class="zero" x1={edgePx.left} x2={width - 8} y1={y(now)} y2={y(now)} />}
                <text class="tick" x={Math.min(x(0) + 4, width - 60)} y={highPx - edgePx.bottom + 20}>as it is</text>
                <text class="tick" x={width - 8} y={highPx - 8} text-anchor="end">saves energy →</text>
                <text class="tick" x={edgePx.left} y={14}>↑ {side.ends[1]}</text>
                <text class="tick" x={edgePx.left} y={highPx - 8}>↓ {side.ends[0]}</text>
                {points.map((p) => <path key={p.i} class="reach" d={`M${x(p.x - p.u)} ${y(p.y)}H${x(p.x + p.u)}`} />)}
              </g>
            </svg>
            {points.map((p) => (
              <button
                key={p.i} type="button" class="point" data-told={told(p.p.result.saved_kwh)} aria-pressed={p.i === chosen} aria-label={words(p.p, p.i)}
                style={{ left: `${x(p.x) - 14}px`, top: `${y(p.y) - 14}px` }} onClick={() => choose(p.i)}
              ><span data-count>{p.i + 1}</span></button>
            ))}
          </>
        )}
      </div>
      {points.length < front.points.length && <p class="aside"><span data-count>{front.points.length - points.length}</span> not drawn: saving or {side.name.toLowerCase()} not known.</p>}
      <p class="aside">A bar is how far the saving may be off; a point whose bar reaches the upright line is not told from nothing.</p>
    </>
  );
}

/** What is set at a point, what it saves and what it costs the plant. */
function Explained({ point, index, answer, system, full, open }: { point: ReplayPoint; index: number; answer: ReplayAnswer; system: UnitSystem; full: boolean; open: (a: ReplayAlternative) => void }) {
  const r = point.result;
  const at = `/answer/search/points/${index}/result`;
  const was = (a: ReplayAnswer, key: 'starts' | 'load_cycles' | 'lowest_pressure_pa', unit: string) => <span class="aside"> (now <Amount a={a.present[key]} at={`/answer/present/${key}`} unit={unit} system={system} plain />)</span>;
  return (
    <div class="explained" aria-live="polite">
      <h3>Point <span data-count>{index + 1}</span></h3>
      <dl>
        <div><dt>Set</dt><dd data-words>{setWords(point)}</dd></div>
        <div><dt>Saves</dt><dd><Amount a={r.saved_kwh} at={`${at}/saved_kwh`} unit="kWh" system={system} /> over these days{told(r.saved_kwh) ? '' : ': not told from nothing'}</dd></div>
        {answer.currency && r.saved_cost_year.value !== null && <div><dt>In a year</dt><dd><Amount a={r.saved_cost_year} at={`${at}/saved_cost_year`} unit="1" system={system} /> {answer.currency}</dd></div>}
        <div><dt>Starts</dt><dd><Amount a={r.outcome.starts} at={`${at}/outcome/starts`} unit="1" system={system} />{was(answer, 'starts', '1')}</dd></div>
        <div><dt>Load cycles</dt><dd><Amount a={r.outcome.load_cycles} at={`${at}/outcome/load_cycles`} unit="1" system={system} />{was(answer, 'load_cycles', '1')}</dd></div>
        <div><dt>Lowest pressure</dt><dd><Amount a={r.outcome.lowest_pressure_pa} at={`${at}/outcome/lowest_pressure_pa`} unit="Pa" system={system} />{was(answer, 'lowest_pressure_pa', 'Pa')}</dd></div>
        {r.remarks.length > 0 && <div><dt>To know</dt><dd data-words>{r.remarks.map(sentence).join(' ')}</dd></div>}
      </dl>
      {r.set.length > 0 && <p class="acts"><button type="button" disabled={full} onClick={() => open({ name: shortened(`point ${index + 1}: ${setWords(point)}`), set: r.set })}>Open it as a replay</button>{full && <span class="aside">No more fit side by side: leave one out first.</span>}</p>}
    </div>
  );
}
