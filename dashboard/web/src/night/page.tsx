// After hours: what flows when nobody works, how sure that is and what it costs in
// a year; the nights it is known of, and the ways to measure it.
import { answerOf, type Figure, type NightsAnswer, type Site, type TestStatus } from '../api';
import { useAsked } from '../api/asked';
import { FigureEntry } from '../figure/figure';
import { lookAt } from '../figure/look';
import { answerAddress, Num } from '../figure/number';
import { NotHere } from '../look/choose';
import { apiWindow, daysOf } from '../look/days';
import { Standing } from '../look/standing';
import { WindowChooser } from '../look/window';
import { capital, sentence } from '../look/words';
import type { PageProps } from '../pages';
import { go, href, place } from '../route';
import { units } from '../settings';
import { showFigure, type UnitSystem } from '../units/units';
import { day as dayWords, windowEnd } from '../units/words';
import { isOver, testWord } from './course';
import { Guided } from './guided';
import { Methods } from './methods';
import './night.css';
import { Picture } from './picture';
import { Tags } from './tags';

/** Days that can be shown at once, as the API has it. */
const mostDays = 34;
/** A window that ends now is asked for anew after so long, ms. */
const freshMs = 300_000;

export default function AfterHours({ live, site, view }: PageProps) {
  const name = place.value.query.get('system');
  const machine = place.value.query.get('machine');
  const of = site.systems.find((s) => s.name === name) ?? site.systems.find((s) => machine !== null && s.machines.includes(machine)) ?? site.systems[0];
  if (!of) {
    return (
      <div class="after-hours">
        <h1>What leaks cannot be told: the site file has no system.</h1>
        <p>Add a <code>[[system]]</code> with its machines, receivers and a pressure tap; then what flows at night is reckoned from what is recorded already.</p>
      </div>
    );
  }
  return <Shown live={live} site={site} view={view} name={of.name} />;
}

function Shown({ live, site, view, name }: PageProps & { name: string }) {
  const system = units.value;
  const days = daysOf(place.value.query, view.now, site.timezone);
  const query = new URLSearchParams({ ...apiWindow(days), system: name });
  const key = `${query} ${days.from} ${days.to}`;
  const asked = useAsked<NightsAnswer>({ held: live.held }, { key, everyMs: days.now ? freshMs : undefined, ask: (signal) => answerOf('/api/v1/nights', query, signal) });
  const answer = asked.value.value;
  const fresh = answer !== undefined && asked.answered.value === key;
  return (
    <div class="after-hours" data-answer={answer && answerAddress('/api/v1/nights', { from: answer.from, to: answer.to, system: answer.system })} aria-busy={!fresh}>
      <NotHere site={site} instead={`this is what flows at night in system ${name}`} />
      <Sentence answer={answer} site={site} system={system} />
      <Runs test={live.tests.value[name]} />
      <div class="night-bar">
        <Systems site={site} name={name} />
        <WindowChooser now={view.now} timeZone={site.timezone} most={mostDays} />
      </div>
      <Standing asked={asked} what="the nights" question={key} />
      {answer && (
        <>
          {answer.notes.map((n) => <p key={n} class="aside" data-words>{sentence(n)}</p>)}
          <Picture answer={answer} site={site} system={system} />
          <Methods answer={answer} site={site} system={system} />
          <Figures answer={answer} site={site} system={system} />
        </>
      )}
      <Tags key={`tags ${name}`} live={live} site={site} name={name} window={apiWindow(days)} system={system} />
      <Guided key={name} live={live} site={site} view={view} name={name} system={system} />
    </div>
  );
}

/** That a guided test runs, which stands further down. */
function Runs({ test }: { test: TestStatus | undefined }) {
  if (!test || isOver(test)) return null;
  return <p><button type="button" onClick={() => document.getElementById('guided')?.scrollIntoView()}>A {testWord[test.test].toLowerCase()} runs: go to it</button></p>;
}

function Systems({ site, name }: { site: Site; name: string }) {
  if (site.systems.length < 2) return null;
  const choose = (system: string) => {
    const query = new URLSearchParams(place.value.query);
    query.set('system', system);
    go(href('night', query));
  };
  return (
    <div class="choose" role="group" aria-label="Which system">
      {site.systems.map((s) => <button key={s.name} type="button" aria-pressed={s.name === name} onClick={() => choose(s.name)}>system {s.name}</button>)}
    </div>
  );
}

function Amount({ answer, name, system }: { answer: NightsAnswer; name: string; system: UnitSystem }) {
  const i = answer.figures.findIndex((f) => f.name === name);
  const f = answer.figures[i];
  if (f?.value === undefined) return null;
  const shown = showFigure(name, f.value, f.unit ?? '1', f.uncertainty, system);
  return (
    <>
      <Num value={f.value} at={`/figures/${i}/value`}>{shown.value}</Num>
      {shown.uncertainty && f.uncertainty !== undefined && <> ± <Num value={f.uncertainty} at={`/figures/${i}/uncertainty`}>{shown.uncertainty}</Num></>}
      {shown.unit && ` ${shown.unit}`}
    </>
  );
}

/** What flows, what of it leaks and what that costs, as far as it is known. */
function Sentence({ answer, site, system }: { answer: NightsAnswer | undefined; site: Site; system: UnitSystem }) {
  if (!answer) return <h1 class="night-title">After hours</h1>;
  const of = (name: string): Figure | undefined => answer.figures.find((f) => f.name === name);
  const [leak, cost] = [of('leak_flow'), of('leak_cost')];
  return (
    <>
      <h1 class="night-title">
        {leak?.value === undefined ? <>What leaks is not known: <span data-words>{leak?.absent ?? answer.absent}</span>.</> : (
          <>When nobody works, <Amount answer={answer} name="leak_flow" system={system} /> leak{cost?.value !== undefined && <>; in a year that costs {cost.at_least && 'at least '}<Amount answer={answer} name="leak_cost" system={system} /></>}.</>
        )}
      </h1>
      <p class="note-line aside">
        {leak?.note && leak.value !== undefined && <><span data-words>{capital(leak.note)}</span>. </>}
        System {answer.system}, <time dateTime={answer.from}>{dayWords(Date.parse(answer.from), site.timezone)}</time> to{' '}
        <time dateTime={answer.to}>{windowEnd(Date.parse(answer.to), site.timezone)}</time>
        {answer.basis && <>; hours <span data-words>{answer.basis}</span></>}
      </p>
    </>
  );
}

const titles: Record<string, string> = {
  quiet_demand: 'What flows in quiet hours', quiet_pressure: 'At a mean pressure of', leak_flow: 'What leaks', leak_share: 'Leaks, of all that flows', leak_cost: 'A year’s cost of leaks',
};

function Figures({ answer, site, system }: { answer: NightsAnswer; site: Site; system: UnitSystem }) {
  return (
    <section aria-labelledby="night-figures">
      <h2 id="night-figures">In figures</h2>
      <div class="entries">
        {answer.figures.map((figure, i) => (
          <FigureEntry
            key={figure.name} title={titles[figure.name] ?? figure.name} found={{ figure, at: `/figures/${i}` }} instruments={answer.instruments} system={system}
            look={lookAt(site, { system: answer.system }, figure, Date.parse(answer.from), Date.parse(answer.to))}
          />
        ))}
      </div>
      <p><a class="across" href={href('figures', { system: answer.system, from: place.value.query.get('from') ?? undefined, to: place.value.query.get('to') ?? undefined })}>Every figure of these days</a></p>
    </section>
  );
}
