// Same air, other settings: first how well the replay meets what was measured, then
// what other settings or machines would have done with the same air. Nothing of
// it is sent to a machine.
import { useEffect, useState } from 'preact/hooks';
import type { ReplayAlternative, Site } from '../api';
import { answerAddress } from '../figure/number';
import { NotHere } from '../look/choose';
import { apiWindow, daysOf } from '../look/days';
import { useFocusAfter, type Places } from '../look/focus';
import { WindowChooser } from '../look/window';
import { sentence } from '../look/words';
import type { PageProps } from '../pages';
import { go, href, place } from '../route';
import { units } from '../settings';
import { traceHref } from '../trace/address';
import { clockMinute, day } from '../units/words';
import { alternativesOf, mostAlternatives, requestOf, searchOf, systemOf, withAlternatives } from './address';
import { Drawn } from './drawn';
import { Fit } from './fit';
import { SettingsForm, type Wrong } from './form';
import { Front } from './front';
import { isShort, Options } from './options';
import './replayed.css';
import { useReplay, type Replayed, type Replayer } from './run';
import { Sheet } from './sheet';
import { told } from './show';

/** The form that is open: of which alternative, and whether it was sent. */
interface Editing {
  index: number;
  sent: boolean;
}

/** Days that are replayed at once. */
const mostDays = 35;

export default function OtherSettings({ live, site, view }: PageProps) {
  const system = systemOf(site, place.value.query);
  if (!system) return <h1 class="no-replay">The site file has no system, so there is no air to replay: name its machines and volumes under [[system]].</h1>;
  return <Shown key={system.name} live={live} site={site} view={view} whose={system} />;
}

function Shown({ live, site, view, whose }: PageProps & { whose: Site['systems'][number] }) {
  const query = place.value.query;
  const system = units.value;
  const days = daysOf(query, view.now, site.timezone);
  const body = requestOf(whose.name, days, query);
  const key = `${JSON.stringify(body)} ${days.from} ${days.to}`;
  const run = useReplay(key, body);
  const last = run.last.value;
  const stand = run.stand.value;
  const alternatives = alternativesOf(query);
  const fresh = last?.key === key;
  const [editing, setEditing] = useState<Editing | undefined>(undefined);
  // What was sent stays open until it is answered: it may have to be put right.
  useEffect(() => { if (fresh) setEditing((e) => (e?.sent ? undefined : e)); }, [fresh]);
  const wrong: Wrong | undefined = stand.state === 'refused' && stand.field !== '' ? { field: stand.field, message: stand.message } : undefined;
  const at = wrong ? alternatives.findIndex((a) => a.set.some((s) => s.key === wrong.field)) : -1;
  const edited = editing?.index ?? (at >= 0 ? at : undefined);
  const edit = (index: number) => setEditing({ index, sent: false });
  const put = (all: ReplayAlternative[]) => go(href('settings', withAlternatives(query, all)));
  const placed = (index: number, a: ReplayAlternative) => {
    setEditing({ index, sent: true });
    put(index < alternatives.length ? alternatives.map((old, i) => (i === index ? a : old)) : [...alternatives, a]);
  };
  const sheet = Number(query.get('sheet')) - 1;
  const without = new URLSearchParams(query);
  without.delete('sheet');
  const onSheet = last && fresh && sheet >= 0 && !last.answer.absent;
  useFocusAfter(onSheet ? `sheet ${sheet}` : edited !== undefined ? `form ${edited}` : `${alternatives.length} ${stand.state}`, (was) => focusPlaces(was, onSheet ? 'sheet' : edited !== undefined ? 'form' : ''));
  if (onSheet) {
    return (
      <div class="replayed" data-answer={answerAddress('/api/v1/replay', { id: last.id })} data-replayed={fresh}>
        <h1 class="replay-said no-print">A sheet for the machine</h1>
        <Sheet answer={last.answer} index={sheet} site={site} now={view.now} system={system} back={href('settings', without)} />
      </div>
    );
  }
  const look = traceHref({ channels: whose.pressure ? [whose.pressure] : [], machines: whose.machines, from: last && Date.parse(last.answer.from), to: last && Date.parse(last.answer.to) });
  return (
    <div class="replayed" data-answer={last && answerAddress('/api/v1/replay', { id: last.id })} data-replayed={fresh} aria-busy={!fresh}>
      <NotHere site={site} instead={`this is system ${whose.name}`} />
      <Sentence last={last} site={site} />
      <div class="replay-bar">
        <Systems site={site} whose={whose.name} />
        <WindowChooser now={view.now} timeZone={site.timezone} most={mostDays} />
      </div>
      <Progress run={run} shown={last !== undefined} again={() => run.put(key, body)} handled={edited !== undefined} />
      {last?.answer.absent && <p class="absent" data-words>{sentence(last.answer.absent)}</p>}
      {last && !last.answer.absent && <Fit answer={last.answer} system={system} look={look} />}
      {edited === undefined
        ? <p class="acts"><button type="button" class="try" disabled={alternatives.length >= mostAlternatives} onClick={() => edit(alternatives.length)}>Try other settings</button>{alternatives.length >= mostAlternatives && <span class="aside"> No more fit side by side: leave one out first.</span>}</p>
        : (
          <SettingsForm
            key={edited} from={alternatives[edited]} settings={last?.answer.settings} machines={whose.machines} names={alternatives.map((a) => a.name)}
            wrong={wrong} busy={stand.state === 'running' && !fresh} pace={{ held: live.held }} system={system} put={(a) => placed(edited, a)} close={() => setEditing(undefined)}
          />
        )}
      {last && !last.answer.absent && (
        <>
          <Options
            answer={last.answer} system={system} look={look} fresh={fresh} change={edit}
            remove={(i) => put(alternatives.filter((_, k) => k !== i))}
            sheet={(i) => { const next = new URLSearchParams(query); next.set('sheet', String(i + 1)); return href('settings', next); }}
          />
          <Drawn key={last.id} site={site} answer={last.answer} pace={{ held: live.held }} system={system} />
          <Front
            query={query} search={searchOf(query)} of={{ ...apiWindow(days), system: whose.name }} settings={last.answer.settings} machines={whose.machines} system={system}
            full={alternatives.length >= mostAlternatives} put={(next) => go(href('settings', next))}
            open={(a) => put([...alternatives, named(a, alternatives)])}
          />
        </>
      )}
      <p class="aside writes-nothing">This page only reckons. Nothing here is sent to a controller: people who may set the machine set it.</p>
    </div>
  );
}

/** Where the keyboard goes on: in what was opened; beside what opened it, once that is closed. */
function focusPlaces(was: string, now: 'sheet' | 'form' | ''): Places {
  if (now === 'sheet') return { at: ['#sheet-title'], show: true };
  if (now === 'form') return { at: ['.try-form:not(.search-form) input'], show: true, opened: true };
  const [part, index] = was.split(' ');
  if (part === 'sheet') return { at: [`[data-option="${index}"] .to-sheet`, 'button.try', '#main'], show: true };
  if (part === 'form') return { at: [`[data-option="${index}"] .change`, 'button.try', '#main'] };
  return { at: ['.replayed > .standing button', 'button.try', '#main'] };
}

/** Two alternatives never have one name. */
function named(a: ReplayAlternative, all: ReplayAlternative[]): ReplayAlternative {
  const taken = all.filter((b) => b.name === a.name || b.name.startsWith(`${a.name} (`)).length;
  return taken === 0 ? a : { ...a, name: `${a.name} (${taken + 1})` };
}

function Systems({ site, whose }: { site: Site; whose: string }) {
  if (site.systems.length < 2) return null;
  return (
    <div class="choose" role="group" aria-label="Which system">
      {site.systems.map((s) => {
        const choose = () => {
          const next = withAlternatives(place.value.query, []);
          next.set('system', s.name);
          next.delete('machine');
          next.delete('vary'); // it names the other system's machines
          go(href('settings', next));
        };
        return <button key={s.name} type="button" aria-pressed={s.name === whose} onClick={choose}>{`system ${s.name}`}</button>;
      })}
    </div>
  );
}

/** How far the replay is, and what is wrong with it. */
function Progress({ run, shown, again, handled }: { run: Replayer; shown: boolean; again: () => void; handled: boolean }) {
  const stand = run.stand.value;
  if (stand.state === 'done') return null;
  if (stand.state === 'failing') return <p class="standing warn" role="status">The replay could not be had: <span data-words>{stand.message}</span>. Trying again.</p>;
  if (stand.state === 'refused') return handled ? null : <p class="standing warn" role="alert">{stand.field && <><code>{stand.field}</code>: </>}<span data-words>{sentence(stand.message)}</span></p>;
  if (stand.state === 'stopped') return <p class="standing" role="status">The replay was stopped. <button type="button" class="plain" onClick={again}>Replay again</button></p>;
  return (
    <div class="standing replaying">
      <p role="status">{shown ? 'Replaying with the new view …' : 'Replaying these days as they were …'}</p>
      <progress aria-label="Plays done" max={stand.total || 1} value={stand.total > 0 ? stand.done : undefined} />
      <button type="button" onClick={() => run.stop()}>Stop</button>
    </div>
  );
}

/** Which alternative saves what can be told, else how well the replay meets the days. */
function Sentence({ last, site }: { last: Replayed | undefined; site: Site }) {
  if (!last) return <h1 class="replay-said">Same air, other settings</h1>;
  const { answer } = last;
  const best = answer.alternatives.filter((r) => !r.absent && !isShort(r) && told(r.saved_kwh) && (r.saved_kwh.value ?? 0) > 0)
    .reduce<(typeof answer.alternatives)[number] | undefined>((a, b) => (a && (a.saved_kwh.value ?? 0) >= (b.saved_kwh.value ?? 0) ? a : b), undefined);
  const n = answer.alternatives.length;
  return (
    <>
      <h1 class="replay-said">
        {answer.absent ? 'These days cannot be replayed.'
          : answer.fit.poor ? 'The replay meets these days poorly.'
            : best ? <>“<span data-words>{best.name}</span>” would have taken less.</>
              : n === 0 ? 'The replay meets these days: other settings can be tried.'
                : n === 1 && answer.alternatives[0] ? <Only r={answer.alternatives[0]} /> : 'None of these saves more than we can be wrong by and leaves air enough.'}
      </h1>
      <p class="note-line aside">System {answer.system}, from <Time at={answer.from} site={site} /> to <Time at={answer.to} site={site} />.</p>
    </>
  );
}

/** What becomes of one alternative that does not save. */
function Only({ r }: { r: Replayed['answer']['alternatives'][number] }) {
  const name = <>“<span data-words>{r.name}</span>”</>;
  if (r.absent) return <>{name} cannot be replayed.</>;
  if (isShort(r)) return <>{name} would leave users short of air.</>;
  return told(r.saved_kwh) ? <>{name} would have taken more.</> : <>What {name} saves is not told from nothing.</>;
}

function Time({ at, site }: { at: string; site: Site }) {
  const ms = Date.parse(at);
  return <time dateTime={at}>{`${day(ms, site.timezone)}, ${clockMinute(ms, site.timezone)}`}</time>;
}
