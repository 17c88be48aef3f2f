// Load and rest: cycles and starts of a machine. One is picked, and lit in every
// drawing.
import { useEffect, useState } from 'preact/hooks';
import type { CyclesAnswer, FiguresAnswer, Site, SiteMachine } from '../api';
import { figuresAddress, machineFigures } from '../figure/answer';
import { FigureEntry } from '../figure/figure';
import { coverageText } from '../figure/known';
import { lookAt } from '../figure/look';
import { Num } from '../figure/number';
import type { Live, View } from '../live/live';
import { MachineChooser, NotHere, shownMachine } from '../look/choose';
import { apiWindow, daysOf } from '../look/days';
import { Standing } from '../look/standing';
import { WindowChooser } from '../look/window';
import { sentence } from '../look/words';
import type { PageProps } from '../pages';
import { go, href, place } from '../route';
import { units } from '../settings';
import type { UnitSystem } from '../units/units';
import { cyclesAddress, useLoads } from './ask';
import { Detail } from './detail';
import { Lengths } from './lengths';
import { Lasted, PickList } from './list';
import './loads.css';
import { pickedAt } from './pick';
import { Scatter } from './scatter';
import { Starts } from './starts';
import { Unloads } from './unloads';

export default function LoadAndRest({ live, site, view }: PageProps) {
  const machine = shownMachine(site);
  if (!machine) {
    return <div class="sentence"><div><h1>No machine is named in the site file.</h1><p class="note-line">Loads and rests are a machine’s: they need a [[machine]].</p></div></div>;
  }
  return <Machine key={machine.name} live={live} site={site} view={view} machine={machine} />;
}

/** The address is written once the keys are at rest: browsers refuse it when it is written too often. */
const writeAfterMs = 400;

/** What is picked, as a moment, kept in the address. */
function usePick(): [number | undefined, (at: number | undefined) => void] {
  const told = place.value.query.get('pick');
  const asked = told === null || !Number.isFinite(Date.parse(told)) ? undefined : Date.parse(told);
  const [at, setAt] = useState(asked);
  useEffect(() => setAt(asked), [asked]);
  useEffect(() => {
    if (at === asked) return undefined;
    const timer = setTimeout(() => {
      const query = new URLSearchParams(place.value.query);
      if (at === undefined) query.delete('pick');
      else query.set('pick', new Date(at).toISOString());
      go(href('loads', query), true);
    }, writeAfterMs);
    return () => clearTimeout(timer);
  }, [at]);
  return [at, setAt];
}

function Machine({ live, site, view, machine }: { live: Live; site: Site; view: View; machine: SiteMachine }) {
  const days = daysOf(place.value.query, view.now, site.timezone);
  const { key, cycles, unloads, figures } = useLoads(live, machine.name, apiWindow(days));
  const [at, pick] = usePick();
  const answer = cycles.value.value;
  const picked = answer && pickedAt(answer, at);
  const system = units.value;
  const shared = { picked, pick, timeZone: site.timezone };
  return (
    <>
      <NotHere site={site} instead={`this is ${machine.name}`} />
      <Said answer={answer} name={machine.name} />
      <div class="toolbar"><MachineChooser site={site} /><WindowChooser now={view.now} timeZone={site.timezone} /></div>
      <Standing asked={cycles} what="cycles" question={key} />
      {answer && (
        <div class="loads" data-answer={cyclesAddress(answer)}>
          <section class="pick" aria-labelledby="pick-title">
            <h2 id="pick-title">One by one</h2>
            <PickList key={machine.name} answer={answer} picked={picked} pick={pick} timeZone={site.timezone} />
            {picked ? <Detail site={site} machine={machine} answer={answer} picked={picked} system={system} />
              : <p class="aside small">{at === undefined ? 'None is picked. The one that is picked is lit in every drawing.' : 'What was picked does not lie in these days, or is not listed.'}</p>}
          </section>
          <div class="drawings">
            <Starts answer={answer} {...shared} />
            <Lengths answer={answer} picked={picked} />
            <Scatter answer={answer} system={system} {...shared} />
          </div>
        </div>
      )}
      <Unloads live={live} asked={unloads} question={key} figures={figures.value.value} cycles={answer} picked={picked} pick={pick} site={site} machine={machine.name} system={system} />
      <section class="load-figures" aria-labelledby="load-figures-title">
        <h2 id="load-figures-title">In figures</h2>
        <Standing asked={figures} what="figures" question={key} />
        {figures.value.value && <Figures answer={figures.value.value} site={site} machine={machine.name} system={system} />}
        <p><a href={href('figures', { from: days.from, to: days.to, machine: machine.name })}>Every figure of these days</a></p>
      </section>
    </>
  );
}

/** What the days say, in a sentence. */
function Said({ answer, name }: { answer: CyclesAnswer | undefined; name: string }) {
  return (
    <div class="sentence">
      <div>
        <h1>{answer ? <Headline answer={answer} name={name} /> : 'Looking the cycles up.'}</h1>
        {answer && (
          <div class="said" data-words>
            {answer.absent && answer.coverage > 0 && <p>No load cycles are told: {answer.absent}.</p>}
            {answer.sentences.map((t) => <p key={t}>{t}</p>)}
            {answer.coverage < 0.999 && answer.coverage > 0 && <p class="must">{sentence(coverageText(answer.coverage))}</p>}
            {answer.notes.map((t) => <p key={t} class="aside small">{sentence(t)}</p>)}
          </div>
        )}
      </div>
    </div>
  );
}

function Headline({ answer, name }: { answer: CyclesAnswer; name: string }) {
  const of = (what: string) => answer.lengths.findIndex((l) => l.what === what);
  const [loaded, pause, s] = [of('loaded'), of('unloaded'), answer.starts];
  if (answer.coverage === 0) return <>Nothing was observed in these days.</>;
  const median = (i: number) => <Lasted s={answer.lengths[i]?.median_s ?? 0} at={`/lengths/${i}/median_s`} />;
  return (
    <span data-answer={cyclesAddress(answer)}>
      {s.over > 0 && s.limit !== undefined ? <>{name} started up to <Num value={s.most} at="/starts/most">{s.most}</Num> times an hour; the motor bears <Num value={s.limit} at="/starts/limit">{s.limit}</Num>.</>
        : loaded >= 0 && pause >= 0 ? <>{name} loads for {median(loaded)}, then runs unloaded for {median(pause)}.</>
          : loaded >= 0 ? <>{name} loads for {median(loaded)} at a time.</>
            : s.total > 0 ? <>{name} started <Num value={s.total} at="/starts/total">{s.total}</Num> {s.total === 1 ? 'time' : 'times'}.</>
              : <>{name} neither loaded anew nor started.</>}
    </span>
  );
}

const wanted: [string, string][] = [
  ['starts_per_hour_max', 'Most starts in an hour'], ['shortest_rest', 'Shortest rest'], ['load_cycles_per_hour', 'Loads per running hour'], ['mean_load_cycle', 'Mean cycle'],
  ['duty_cycle', 'Duty cycle'], ['band_seen', 'Band as seen'], ['power_unloaded_settled', 'Unloaded power, settled'], ['blowdown_time', 'Blow-down'],
];

function Figures({ answer, site, machine, system }: { answer: FiguresAnswer; site: Site; machine: string; system: UnitSystem }) {
  const all = machineFigures(answer, machine);
  const [from, to] = [Date.parse(answer.from), Date.parse(answer.to)];
  return (
    <div class="load-entries" data-answer={figuresAddress(answer, machine)}>
      {wanted.map(([name, title]) => {
        const found = all.get(name);
        return <FigureEntry key={name} title={title} found={found} instruments={answer.instruments} system={system} look={found ? lookAt(site, { machine }, found.figure, from, to) : ''} />;
      })}
    </div>
  );
}
