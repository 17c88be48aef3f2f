// Service book: what happened, who wrote what, what was set differently.
import { useSignal } from '@preact/signals';
import { Fragment } from 'preact';
import { useEffect, useState } from 'preact/hooks';
import type { Event, Fault, Site } from '../api';
import { Operating } from '../door/operating';
import { mayOperate } from '../door/state';
import type { View } from '../live/live';
import '../look/book.css';
import { useFocusAfter } from '../look/focus';
import { WindowChooser } from '../look/window';
import type { PageProps } from '../pages';
import { place } from '../route';
import { clock } from '../units/words';
import './book.css';
import { Effect, EffectLink, effectOf } from './effect';
import { Faults, Moment } from './faults';
import { NoteForm, type Preset } from './form';
import { Mark } from './mark';
import { stretches } from './ruled';
import { Service } from './service';
import { Book, type Shown } from './source';
import { Week } from './week';
import { bookDays, bookWindow, drawnDays, mostDays } from './window';
import { bookSentence, byDay, counted, entrySubject, entryText, faultName, filters, keptSentence, noneCame, observedSentence, sortOf, wordOf } from './words';

export default function ServiceBook({ live, site, view }: PageProps) {
  const { query } = place.value;
  const dates = `${query.get('from') ?? ''} ${query.get('to') ?? ''}`;
  const windowAt = (now: number) => bookWindow(query, now, site.timezone);
  const [book] = useState(() => new Book(live, windowAt));
  useEffect(() => () => book.stop(), []);
  useEffect(() => book.look(windowAt), [dates]);
  const corrects = useSignal<Event | undefined>(undefined);
  const preset = useSignal<Preset | undefined>(undefined);
  const shown = book.shown.value;
  const effect = effectOf(query);
  useFocusAfter(String(effect?.note ?? ''), (was) => ({ at: was && !effect ? [`[data-effect="${was}"]`, '#main'] : [], show: true }));
  useFocusAfter(String(corrects.value?.seq ?? ''), () => ({ at: ['.note-form textarea'] }));
  return (
    <>
      <Said book={book} shown={shown} site={site} view={view} />
      <div class="book-bar"><WindowChooser now={view.now} timeZone={site.timezone} length={bookDays} most={mostDays} /></div>
      {shown && <Week shown={shown} current={statesAt(shown, site, view)} timeZone={site.timezone} />}
      {shown && shown.drawnFrom > shown.from && <p class="aside">Of so many days the latest are drawn; faults and the sentence are of all of them.</p>}
      {effect && <Effect key={effect.note} site={site} asked={effect} pace={{ held: live.held }} />}
      <div class="book">
        <div class="book-side">
          <Faults answer={shown?.faults} site={site} now={view.now} over={shown?.now === false} days={shown?.days ?? bookDays} pace={{ held: live.held }} />
          {shown && <Service machines={shown.service} site={site} mark={(machine, item) => { corrects.value = undefined; preset.value = { machine, item, n: (preset.value?.n ?? 0) + 1 }; }} />}
          <Operating what="write notes"><NoteForm
            key={`${corrects.value?.seq ?? 0} ${preset.value?.n ?? 0}`} site={site} now={view.now} service={shown?.service} corrects={corrects.value} preset={corrects.value ? undefined : preset.value}
            done={() => { corrects.value = undefined; book.refresh(); }}
          /></Operating>
        </div>
        <section class="entries" aria-labelledby="entries-title">
          <h2 id="entries-title">The book, newest first</h2>
          <Filters book={book} site={site} />
          {shown && <Days book={book} events={shown.page.events} now={view.now} timeZone={site.timezone} correct={(e) => { corrects.value = e; }} />}
          {shown?.page.next && <button type="button" class="older" onClick={() => book.older()}>Turn back further</button>}
        </section>
      </div>
    </>
  );
}

/** What each machine did at the end of the shown time; of days that are over only their own turns tell. */
function statesAt(shown: Shown, site: Site, view: View): Map<string, string> {
  const last = new Map(shown.week.filter((e) => e.kind === 'state').map((e) => [e.subject, e.data.to ?? 'unobserved']));
  return new Map(site.machines.map((m) => [m.name, shown.now ? (view.machines.get(m.name)?.state ?? 'unobserved') : (last.get(m.name) ?? 'unobserved')]));
}

/** The sentence first, and what else the days held. */
function Said({ book, shown, site, view }: { book: Book; shown: Shown | null; site: Site; view: View }) {
  const faults = shown?.faults.faults ?? [];
  return (
    <div class={view.connection === 'live' ? 'sentence' : 'sentence not-live'}>
      <div>
        <h1>{shown ? <Sentence shown={shown} faults={faults} now={view.now} timeZone={site.timezone} unseen={shown.drawnFrom <= shown.from && observed(shown, statesAt(shown, site, view)) === 0} /> : 'Opening the book.'}</h1>
        <p class="note-line">
          {shown && <Counts parts={counted(shown.week)} days={Math.min(shown.days, drawnDays)} />}
          {shown && <span class="must" data-count>{observedSentence(observed(shown, statesAt(shown, site, view)), Math.min(shown.days, drawnDays))}</span>}
          {shown && <span data-count>{keptSentence(rawFrom(view), shown.week, view.now, Math.min(shown.days, drawnDays), site.timezone)}</span>}
          {book.error.value && <span class="warn"> {shown ? 'Older than it should be: ' : ''}{book.error.value}. Trying again. <button type="button" class="plain" onClick={() => book.refresh()}>Try now</button></span>}
        </p>
      </div>
    </div>
  );
}

/** Whether a fault stands; of days that are over, when the last one came in them. */
export function Sentence({ shown, faults, now, timeZone, unseen }: { shown: Shown; faults: Fault[]; now: number; timeZone: string; unseen: boolean }) {
  const last = faults.find((f) => f.last !== null);
  if (unseen && faults.length === 0) return <>Nothing was observed in these days: whether there was a fault is not known.</>;
  if (shown.now) {
    const told = bookSentence(faults, now);
    return <><span data-words>{told.lead}</span>{told.at && <time dateTime={told.at}>{told.ago}</time>}{told.end}</>;
  }
  if (!last?.last) return <><span data-words>{noneCame(faults)}</span>.</>;
  return <><span data-words>{faultName(last)}</span> was the last fault of these days, <Moment ms={Date.parse(last.last)} timeZone={timeZone} />.</>;
}

/** Counts of what the picture's events are: the page's own. */
function Counts({ parts, days }: { parts: [number, string][]; days: number }) {
  return (
    <>
      In <span data-count>{days}</span> {days === 1 ? 'day' : 'days'}: {parts.map(([n, what], i) => <Fragment key={what}>{i > 0 && ', '}{n > 0 ? <span data-count>{n}</span> : 'no'} {what}</Fragment>)}.
    </>
  );
}

const rawFrom = (view: View) => (view.store?.raw_from ? Date.parse(view.store.raw_from) : undefined);

/** For how long at least one machine was observed, ms. */
function observed(shown: Shown, current: Map<string, string>): number {
  return stretches(shown.week, current, shown.drawnFrom, shown.to).filter((s) => s.what !== 'unknown').reduce((ms, s) => ms + s.to - s.from, 0);
}

function Filters({ book, site }: { book: Book; site: Site }) {
  return (
    <div class="filters" role="group" aria-label="Which entries">
      {filters.map((f) => (
        <button key={f.key} type="button" aria-pressed={book.filter.value.key === f.key} onClick={() => book.choose(f)}>{f.title}</button>
      ))}
      {site.machines.length > 1 && (
        <select aria-label="Of which machine" onChange={(e) => book.about(e.currentTarget.value)}>
          <option value="">every machine</option>
          {site.machines.map((m) => <option key={m.name} value={m.name}>{m.name}</option>)}
        </select>
      )}
    </div>
  );
}

function Days({ book, events, now, timeZone, correct }: { book: Book; events: Event[]; now: number; timeZone: string; correct: (e: Event) => void }) {
  if (events.length === 0) return <p class="aside">Nothing of that kind is in the book{book.subject.value ? ` about ${book.subject.value}` : ''}.</p>;
  return (
    <>
      {byDay(events, now, timeZone).map((d) => (
        <section key={d.date} class="day" aria-label={d.title}>
          <h3><time dateTime={d.date}>{d.title}</time></h3>
          <ol>
            {d.events.map((e) => <Entry key={`${e.time} ${e.seq} ${e.kind} ${e.text}`} event={e} timeZone={timeZone} correct={correct} />)}
          </ol>
        </section>
      ))}
    </>
  );
}

function Entry({ event: e, timeZone, correct }: { event: Event; timeZone: string; correct: (e: Event) => void }) {
  const sort = sortOf(e);
  const by = e.data.corrected_by;
  return (
    <li data-sort={sort} data-seq={e.seq}>
      <time dateTime={e.time}>{clock(Date.parse(e.time), timeZone)}</time>
      <Mark sort={sort} />
      <span class="sort">{wordOf(e)}</span>
      <div class="text" data-words>
        {entrySubject(e) && <span class="subject">{entrySubject(e)} </span>}
        {by ? <s>{entryText(e)}</s> : entryText(e)}
        {e.kind === 'note' && (
          <p class="aside">
            {e.data.service && e.data.service !== 'none' && `Done: ${e.data.service}${e.data.hour_meter ? `, hour meter ${Number(e.data.hour_meter).toFixed(1)} h` : ''}. `}
            {e.data.found && `Found: ${e.data.found}. `}
            Note {e.seq}{e.data.author && `, ${e.data.author}`}{e.data.corrects && `, corrects note ${e.data.corrects}`}{by && `, corrected by note ${by}`}
            {!by && e.data.service && e.data.service !== 'none' && <> <EffectLink note={e.seq} item={e.data.service} /></>}
            {!by && mayOperate.value && <button type="button" class="plain" onClick={() => correct(e)}>Correct<span class="visually-hidden"> note {e.seq}</span></button>}
          </p>
        )}
        {e.kind === 'config_changed' && e.data.file && <Setup event={e} />}
      </div>
    </li>
  );
}

function Setup({ event: e }: { event: Event }) {
  return (
    <details>
      <summary>{e.data.before && e.data.after ? 'What changed' : 'Which version'}<span class="visually-hidden">: {e.data.file}</span></summary>
      <dl>
        {e.data.changes && <div><dt>Settings</dt><dd>{e.data.changes.split('\n').map((c) => <p key={c}>{c}</p>)}</dd></div>}
        {e.data.affects && <div><dt>May affect</dt><dd>{e.data.affects}</dd></div>}
        {e.data.before && <div><dt>Before</dt><dd class="hash">{e.data.before}</dd></div>}
        {e.data.after && <div><dt>Since then</dt><dd class="hash">{e.data.after}</dd></div>}
        <div><dt>To read it</dt><dd>loadscribe events --site FILE --text HASH</dd></div>
      </dl>
    </details>
  );
}
