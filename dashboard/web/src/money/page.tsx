// Money and air: what the electricity of these days cost, when and for what; what
// air took; for how long how much was drawn; what a little pressure costs here.
import { answerOf, type Figure, type MoneyAnswer, type Site } from '../api';
import { useAsked } from '../api/asked';
import { changed, foundIn, subjects, whoOf, type Who } from '../days/view';
import { FigureEntry } from '../figure/figure';
import { lookAt } from '../figure/look';
import { answerAddress, Num } from '../figure/number';
import { NotHere } from '../look/choose';
import { addDays, apiWindow, count, daysOf, type Days } from '../look/days';
import { Standing } from '../look/standing';
import { WindowChooser } from '../look/window';
import { sentence } from '../look/words';
import type { PageProps } from '../pages';
import { go, href, place } from '../route';
import { units } from '../settings';
import { showFigure, type UnitSystem } from '../units/units';
import { day as dayWords, windowEnd } from '../units/words';
import { Air } from './air';
import { Bills } from './bills';
import { Duration } from './duration';
import { Hours } from './hours';
import './money.css';
import { Pressure } from './pressure';
import { Split } from './split';
import { amount, countedOf, resting } from './view';

/** Days that can be shown at once, as the API has it. */
const mostDays = 35;
/** A window that ends now is asked for anew after so long, ms. */
const freshMs = 300_000;

export default function MoneyAndAir({ live, site, view }: PageProps) {
  const who = whoOf(site, place.value.query);
  if (!who) return <h1 class="no-money">The site file names no machine, so there is no energy to count.</h1>;
  return <Shown live={live} site={site} who={who} days={daysOf(place.value.query, view.now, site.timezone)} now={view.now} />;
}

function Shown({ live, site, who, days, now }: { live: PageProps['live']; site: Site; who: Who; days: Days; now: number }) {
  const system = units.value;
  const query = new URLSearchParams({ ...apiWindow(days), [who.kind]: who.name });
  const key = `${query} ${days.from} ${days.to}`; // a new day makes another window of the same address
  const asked = useAsked<MoneyAnswer>({ held: live.held }, { key, everyMs: days.now ? freshMs : undefined, ask: (signal) => answerOf('/api/v1/money', query, signal) });
  const answer = asked.value.value;
  const fresh = answer !== undefined && asked.answered.value === key;
  const address = answer && answerAddress('/api/v1/money', { from: answer.from, to: answer.to, [answer.kind]: answer.subject });
  return (
    <div class="money" data-answer={address} aria-busy={!fresh}>
      <NotHere site={site} instead={`this is ${who.kind === 'system' ? 'system ' : ''}${who.name}`} />
      <Sentence answer={answer} site={site} system={system} days={days} />
      <div class="toolbar">
        <Subjects site={site} who={who} />
        <WindowChooser now={now} timeZone={site.timezone} most={mostDays} />
      </div>
      <Standing asked={asked} what="money and air" question={key} />
      {answer && <Parts answer={answer} site={site} system={system} days={days} />}
    </div>
  );
}

/** What all parts are given. */
export interface PartProps {
  answer: MoneyAnswer;
  site: Site;
  system: UnitSystem;
}

function Parts({ answer, site, system, days }: PartProps & { days: Days }) {
  const shared = { answer, site, system };
  return (
    <>
      {answer.notes.map((n) => <p key={n} class="aside" data-words>{sentence(n)}</p>)}
      {!answer.currency && <NoTariff />}
      <Split {...shared} />
      <Hours {...shared} />
      <Bills {...shared} />
      <Air {...shared} />
      <Duration {...shared} />
      <Pressure {...shared} />
      <Figures {...shared} />
      <p><a href={href('figures', { from: days.from, to: days.to, machine: answer.kind === 'machine' ? answer.subject : undefined })}>Every figure of these days</a></p>
    </>
  );
}

function Subjects({ site, who }: { site: Site; who: Who }) {
  const all = subjects(site);
  if (site.machines.length < 2 && all.length < 3) return null; // one machine and its system are the same money
  return (
    <div class="choose" role="group" aria-label="Whose money and air">
      {all.map((w) => (
        <button key={`${w.kind} ${w.name}`} type="button" aria-pressed={w.kind === who.kind && w.name === who.name}
          onClick={() => go(changed('money', place.value.query, { machine: undefined, system: undefined, [w.kind]: w.name }))}>
          {w.kind === 'system' ? `system ${w.name}` : w.name}
        </button>
      ))}
    </div>
  );
}

/** A figure's value with its unit, in a sentence. */
export function Said({ found, system }: { found: { figure: Figure; at: string }; system: UnitSystem }) {
  const { figure, at } = found;
  const shown = showFigure(figure.name, figure.value ?? 0, figure.unit ?? '1', figure.uncertainty, system);
  return <>{figure.at_least && 'at least '}<Num value={figure.value ?? 0} at={`${at}/value`}>{shown.value}</Num>{shown.unit && ` ${shown.unit}`}</>;
}

/** What the window cost, and what of it made no air. */
function Sentence({ answer, site, system, days }: { answer: MoneyAnswer | undefined; site: Site; system: UnitSystem; days: Days }) {
  if (!answer) return <h1 class="money-said">Money and air</h1>;
  const all = foundIn(answer.figures, '');
  const year = answer.year.findIndex((f) => f.name === 'cost_year' && f.value !== undefined);
  const [energy, cost, demand] = ['energy', 'energy_cost', 'demand_cost'].map((n) => {
    const f = all.get(n);
    return f?.figure.value === undefined ? undefined : f;
  });
  return (
    <>
      <h1 class="money-said">
        {!energy ? 'What electricity these days took is not known.'
          : !cost ? <>These days took <Said found={energy} system={system} /> of electricity.</>
            : demand ? <>The energy of these days cost <Said found={cost} system={system} />, their share of the demand charge <Said found={demand} system={system} />.</>
              : <>The energy of these days cost <Said found={cost} system={system} />.</>}
      </h1>
      <Rest answer={answer} />
      {year < 0 && cost && days.now && count(days) === 7 && (
        <p class="note-line">What a year of such days comes to is told from a whole week on: <a href={changed('money', place.value.query, { from: addDays(days.to, -7), to: addDays(days.to, -1) })}>show the seven days up to yesterday</a>.</p>
      )}
      {year >= 0 && answer.year[year] && <p class="note-line">A year of such days: <Said found={{ figure: answer.year[year], at: `/year/${year}` }} system={system} />, energy and demand together.</p>}
      <p class="note-line aside">
        {answer.kind === 'system' ? `System ${answer.subject}` : answer.subject}, from <time dateTime={answer.from}>{dayWords(Date.parse(answer.from), site.timezone)}</time> to{' '}
        <time dateTime={answer.to}>{windowEnd(Date.parse(answer.to), site.timezone)}</time>.
      </p>
    </>
  );
}

/** What running without load cost. */
function Rest({ answer }: { answer: MoneyAnswer }) {
  const counted = countedOf(answer);
  const idle = resting(answer.split.states).find((r) => r.state.state === 'unloaded');
  if (!idle) return null;
  const { state, index } = idle;
  const at = `/split/states/${index}`;
  const share = counted.isMoney && state.cost_share !== undefined ? { value: state.cost_share, at: `${at}/cost_share` } : { value: state.energy_share, at: `${at}/energy_share` };
  const value = counted.isMoney && state.cost !== undefined ? { value: state.cost, at: `${at}/cost` } : { value: state.energy_kwh, at: `${at}/energy_kwh` };
  return (
    <p class="note-line">
      Running unloaded, which makes no air, took <strong><Num value={value.value} at={value.at}>{amount(value.value, counted.isMoney)}</Num> {counted.unit}</strong> of it,{' '}
      <Num value={share.value} at={share.at}>{Math.round(share.value * 100)}</Num>{'\u00a0'}%.
    </p>
  );
}

/** What to write to have money instead of energy. */
function NoTariff() {
  return (
    <section class="no-tariff" aria-labelledby="no-tariff-title">
      <h2 id="no-tariff-title">Energy, since the site file has no prices</h2>
      <p>Write what a kilowatt-hour costs, and what a kilowatt of demand, into the site file; all that is recorded is then priced, the past too.</p>
      <pre><code>{'[tariff]\ncurrency = "USD"\nenergy = [{ price = 0.12 }, { price = 0.17, when = "Mon-Fri 12:00-18:00" }]\ndemand = { price = 14.00, window = "15m" }'}</code></pre>
      <p class="aside">The prices here are examples: yours stand on the bill. Then restart loadscribe. docs/tariff.md has the rest.</p>
    </section>
  );
}

const wanted: [string, string][] = [
  ['energy', 'Electricity'], ['energy_cost', 'Cost of the energy'], ['demand_cost', 'Demand charge, the share of these days'], ['peak_demand', 'Highest demand of electricity'],
  ['energy_unloaded', 'Used unloaded'], ['energy_off_shift', 'Used outside the shifts'], ['air_delivered', 'Air delivered'], ['air_cost', 'What a volume of air costs'], ['specific_power', 'Power for the air'],
  ['specific_power_loaded', 'Power for the air, loaded'], ['specific_power_rated', 'Power for the air, at rated pressure'], ['isentropic_efficiency', 'Isentropic efficiency'],
];

function Figures({ answer, site, system }: PartProps) {
  const all = foundIn(answer.figures, '');
  const subject = answer.kind === 'system' ? { system: answer.subject } : { machine: answer.subject };
  const [from, to] = [Date.parse(answer.from), Date.parse(answer.to)];
  return (
    <section class="money-part" aria-labelledby="money-figures-title">
      <h2 id="money-figures-title">In figures</h2>
      <div class="money-entries">
        {wanted.filter(([name]) => all.has(name)).map(([name, title]) => {
          const found = all.get(name);
          return <FigureEntry key={name} title={title} found={found} instruments={answer.instruments} system={system} look={found ? lookAt(site, subject, found.figure, from, to) : ''} />;
        })}
        <YearEntries answer={answer} system={system} />
      </div>
    </section>
  );
}

const yearly: [string, string][] = [
  ['energy_year', 'Electricity, a year'], ['energy_cost_year', 'Cost of the energy, a year'], ['unloaded_cost_year', 'Of it for running unloaded, a year'], ['demand_cost_year', 'Demand charge, a year'],
];

/** What the window comes to in a year; where it comes to none, the reason once. */
function YearEntries({ answer, system }: Pick<PartProps, 'answer' | 'system'>) {
  const known = yearly.flatMap(([name, title]) => {
    const i = answer.year.findIndex((f) => f.name === name && f.value !== undefined);
    const figure = answer.year[i];
    return figure ? [{ title, found: { figure, at: `/year/${i}` } }] : [];
  });
  if (known.length === 0) {
    const why = answer.year.find((f) => f.name === 'energy_year')?.absent;
    return <article class="figure"><h3>A year of such days</h3><p class="absent">Not known: <span data-words>{why ?? 'loadscribe did not give it'}</span>.</p></article>;
  }
  return <>{known.map(({ title, found }) => <FigureEntry key={title} title={title} found={found} instruments={answer.instruments} system={system} look="" />)}</>;
}
