// The page to be read from across the room: what is done, the pressure, what is
// wrong. Letters are as large as the screen lets them be; nothing to press but
// the way back.
import { useEffect, useLayoutEffect, useRef, useState } from 'preact/hooks';
import type { Site, SiteMachine, StateName } from '../api';
import type { Live, View } from '../live/live';
import { href, place } from '../route';
import type { UnitSystem } from '../units/units';
import { clockMinute } from '../units/words';
import { Glyph } from './glyph';
import { plain, Said, type Words } from './said';
import { written } from './section-text';
import { farLines, farSentence, number, type Moment } from './sentence';
import type { Sign } from './signs';
import { mainPressure, marks, readChannel, systemOf, type Read } from './taps';

const leastPx = 16;
const mostPx = 420;

/** The largest letters with which all of it fits into the window. */
function fit(board: HTMLElement): void {
  let [low, high] = [leastPx, mostPx];
  const fits = (px: number) => {
    board.style.setProperty('--far', `${px}px`);
    return board.scrollWidth <= board.clientWidth && board.getBoundingClientRect().top + window.scrollY + board.scrollHeight <= window.innerHeight;
  };
  while (high - low > 1) {
    const middle = Math.round((low + high) / 2);
    if (fits(middle)) low = middle;
    else high = middle;
  }
  fits(low);
}

/** Back to the page, whichever way one came: "/?far" is another document than "/". */
function back(): string {
  const query = new URLSearchParams(place.value.query);
  query.delete('far');
  return `${window.location.pathname}${href('machine', query)}`;
}

export function Far({ live, site, view, machines, moment, wrong, well, over, system }: {
  live: Live; site: Site; view: View; machines: SiteMachine[]; moment: Moment; wrong: Sign[]; well: boolean; over: boolean; system: UnitSystem;
}) {
  const board = useRef<HTMLDivElement>(null);
  const [size, setSize] = useState(0);
  const alone = machines.length === 1 ? machines[0] : undefined;
  const one = alone && farSentence(view.machines.get(alone.name), moment);
  const lines = alone ? [] : farLines(machines.map((m) => ({ name: m.name, state: view.machines.get(m.name) })), moment);
  const pressures = pressuresOf(site, view, machines, system);
  const words = verdict(wrong, well, over);
  useEffect(() => {
    live.hold(false); // nothing here could let it go on
    const resized = () => setSize((n) => n + 1);
    window.addEventListener('resize', resized);
    void document.fonts?.ready.then(resized);
    return () => window.removeEventListener('resize', resized);
  }, []);
  const key = JSON.stringify([one, lines, pressures.map((p) => [p.value.length, p.unit, p.trend, p.name]), plain(words)]);
  useLayoutEffect(() => {
    if (board.current) fit(board.current);
  }, [key, size]);
  return (
    <div class="board" ref={board} data-machines={machines.length}>
      <p class="board-head"><a href={back()}>Back to the page</a> <span>{site.name} · <time>{clockMinute(view.now, site.timezone)}</time></span></p>
      {one
        ? <div class="board-state" data-state={one.state}><Glyph state={one.state} size={100} /><h1><Said words={one.text} /></h1></div>
        : <Lines list={lines} />}
      {pressures.map((p) => (
        <p key={p.name} class={p.read.fresh ? 'board-pressure' : 'board-pressure old'}>
          {p.name && <span class="board-name">{p.name} </span>}
          <strong {...marks(p.read)}>{p.read.fresh ? p.value : `(${p.value})`}</strong> {p.unit}{p.read.fresh && p.trend ? `, ${p.trend}` : ''}
        </p>
      ))}
      {one?.mayStart && <p>May start without warning.</p>}
      {words.length > 0 && <p class={wrong.length > 0 ? 'board-wrong' : 'board-well'} data-sign={wrong[0]?.key}><Said words={words} /></p>}
    </div>
  );
}

function Lines({ list }: { list: { state: StateName; text: string }[] }) {
  return (
    <>
      <h1 class="visually-hidden">Every machine now</h1>
      <ul class="board-rows">
        {list.map((l) => <li key={l.state} data-state={l.state}><Glyph state={l.state} size={100} /><span>{l.text}</span></li>)}
      </ul>
    </>
  );
}

/** What is wrong in few words: the gravest, and how much more there is. */
function verdict(wrong: Sign[], well: boolean, over: boolean): Words {
  const first = wrong[0];
  if (!first) return well ? ['All well.'] : over ? ['See the alarms.'] : [];
  const words = first.words ?? [first.brief ?? first.what];
  return wrong.length > 1 ? [...words, ` And ${number(wrong.length - 1)} more.`] : words;
}

interface Pressure {
  read: Read;
  /** the system's, where there are several */
  name: string;
  value: string;
  unit: string;
  trend: string;
}

/** Of each system once, where the plant gets it; of a machine alone its own. */
function pressuresOf(site: Site, view: View, machines: SiteMachine[], system: UnitSystem): Pressure[] {
  const out = new Map<string, Pressure>();
  for (const m of machines) {
    const plant = machines.length > 1 ? systemOf(site, m) : undefined;
    const read = readChannel(site, view, plant?.pressure ?? mainPressure(site, m)?.id);
    if (!read) continue;
    const trends = machines.filter((x) => systemOf(site, x) === systemOf(site, m)).map((x) => view.machines.get(x.name)?.pressure_trend ?? 'unknown').filter((t) => t !== 'unknown');
    const trend = new Set(trends).size === 1 ? (trends[0] ?? '') : '';
    out.set(read.channel.id, { read, name: site.systems.length > 1 && plant ? plant.name : '', ...written(read, system), trend });
  }
  return [...out.values()];
}
