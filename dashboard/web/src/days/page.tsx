// Seven days: what each day was, at which hours of the week air and energy go,
// and whether two periods differ by more than anybody can be wrong by.
import { answerOf, type DaysAnswer, type Site } from '../api';
import { useAsked } from '../api/asked';
import { answerAddress, Num } from '../figure/number';
import { NotHere } from '../look/choose';
import { apiWindow, daysOf, type Days } from '../look/days';
import { Standing } from '../look/standing';
import { WindowChooser } from '../look/window';
import { sentence } from '../look/words';
import type { PageProps } from '../pages';
import { go, href, place } from '../route';
import { units } from '../settings';
import { showFigure, type UnitSystem } from '../units/units';
import { day as dayWords, localDate, windowEnd } from '../units/words';
import './days.css';
import { Periods } from './periods';
import { Strips } from './strips';
import { changed, foundIn, subjects, whoOf, type Who } from './view';
import { Week } from './week';

/** Days that can be shown at once, as the API has it. */
const mostDays = 35;
/** A window that ends now is asked for anew after so long, ms. */
const freshMs = 300_000;

export default function SevenDays({ live, site, view }: PageProps) {
  const who = whoOf(site, place.value.query);
  const days = daysOf(place.value.query, view.now, site.timezone);
  if (!who) return <h1 class="no-days">The site file names no machine, so there are no days to show.</h1>;
  return <Shown live={live} site={site} who={who} days={days} now={view.now} />;
}

function Shown({ live, site, who, days, now }: { live: PageProps['live']; site: Site; who: Who; days: Days; now: number }) {
  const system = units.value;
  const query = new URLSearchParams({ ...apiWindow(days), [who.kind]: who.name });
  // A new day makes another window of the same address.
  const key = `${query} ${days.from} ${days.to}`;
  const pace = { held: live.held };
  const asked = useAsked<DaysAnswer>(pace, { key, everyMs: days.now ? freshMs : undefined, ask: (signal) => answerOf('/api/v1/days', query, signal) });
  const answer = asked.value.value;
  const fresh = answer !== undefined && asked.answered.value === key;
  const address = answer && answerAddress('/api/v1/days', { from: answer.from, to: answer.to, [answer.kind]: answer.subject });
  return (
    <div class="seven" data-answer={address} aria-busy={!fresh}>
      <NotHere site={site} instead={`these are the days of ${who.kind === 'system' ? 'system ' : ''}${who.name}`} />
      <Sentence answer={answer} site={site} system={system} />
      <div class="days-bar">
        <Subjects site={site} who={who} />
        <WindowChooser now={now} timeZone={site.timezone} most={mostDays} />
      </div>
      <Standing asked={asked} what="days" question={key} />
      {answer && (
        <>
          {answer.notes.map((n) => <p key={n} class="aside" data-words>{sentence(n)}</p>)}
          <Strips answer={answer} site={site} who={who} system={system} now={now} />
          <p><a href={href('figures', { from: days.from, to: days.to, machine: who.kind === 'machine' ? who.name : undefined })}>Every figure of these days</a></p>
          <Week id="demand" title="Demand for air by weekday and hour" map={answer.demand_week} at="/demand_week" answer={answer} site={site} who={who} system={system} wash="air" />
          <Week id="energy" title="Power by weekday and hour" map={answer.energy_week} at="/energy_week" answer={answer} site={site} who={who} system={system} wash="power" />
          <Periods live={live} site={site} who={who} days={days} today={localDate(now, site.timezone)} system={system} />
        </>
      )}
    </div>
  );
}

function Subjects({ site, who }: { site: Site; who: Who }) {
  const all = subjects(site);
  // One machine and its system are the same days.
  if (site.machines.length < 2 && all.length < 3) return null;
  return (
    <div class="choose" role="group" aria-label="Whose days">
      {all.map((w) => (
        <button key={`${w.kind} ${w.name}`} type="button" aria-pressed={w.kind === who.kind && w.name === who.name}
          onClick={() => go(changed('days', place.value.query, { machine: undefined, system: undefined, [w.kind]: w.name }))}>
          {w.kind === 'system' ? `system ${w.name}` : w.name}
        </button>
      ))}
    </div>
  );
}

/** The day that took the most and the one that took the least. */
function Sentence({ answer, site, system }: { answer: DaysAnswer | undefined; site: Site; system: UnitSystem }) {
  if (!answer) return <h1 class="days-said">Seven days</h1>;
  const known = answer.days.flatMap((d, i) => {
    const found = foundIn(d.figures, `/days/${i}`).get('energy');
    return found?.figure.value === undefined ? [] : [{ d, found, value: found.figure.value }];
  });
  const whole = known.filter((k) => k.d.share > 0.999);
  const told = whole.length > 0 ? whole : known;
  const most = told.reduce<(typeof told)[number] | undefined>((a, b) => (a && a.value >= b.value ? a : b), undefined);
  const least = told.reduce<(typeof told)[number] | undefined>((a, b) => (a && a.value <= b.value ? a : b), undefined);
  const leastDays = told.filter((k) => k.value === least?.value).length;
  const name = (k: NonNullable<typeof most>) => <time dateTime={k.d.date}>{dayWords(Date.parse(k.d.from), site.timezone)}</time>;
  const amount = (k: NonNullable<typeof most>) => {
    const shown = showFigure('energy', k.value, k.found.figure.unit ?? '1', k.found.figure.uncertainty, system);
    return <><Num value={k.value} at={`${k.found.at}/value`}>{shown.value}</Num>{` ${shown.unit}`}</>;
  };
  return (
    <>
      <h1 class="days-said">
        {!most || !least ? 'No energy is known of these days.'
          : most === least ? <>{name(most)} took {amount(most)}.</>
            : <>{name(most)} took the most energy, {amount(most)}; {name(least)} the least, {amount(least)}{leastDays > 1 && <>, the first of <span data-count>{leastDays}</span> such days</>}.</>}
      </h1>
      <p class="note-line aside">
        {answer.kind === 'system' ? `System ${answer.subject}` : answer.subject}, from <time dateTime={answer.from}>{dayWords(Date.parse(answer.from), site.timezone)}</time> to{' '}
        <time dateTime={answer.to}>{windowEnd(Date.parse(answer.to), site.timezone)}</time>.
      </p>
    </>
  );
}
