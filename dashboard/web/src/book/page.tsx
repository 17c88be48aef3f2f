// Service book: what happened, who wrote what, what was set differently.
import { useSignal } from '@preact/signals';
import { useEffect, useState } from 'preact/hooks';
import type { Event, Fault, Site } from '../api';
import type { View } from '../live/live';
import '../look/book.css';
import type { PageProps } from '../pages';
import { clock } from '../units/words';
import { NoteForm } from './form';
import { Mark } from './mark';
import { stretches } from './ruled';
import { Service } from './service';
import { Book, bookDays, type Shown } from './source';
import { Week } from './week';
import { bookSentence, byDay, countSentence, entrySubject, entryText, faultName, faultSentence, filters, keptSentence, observedSentence, sortOf, wordOf } from './words';

export default function ServiceBook({ live, site, view }: PageProps) {
  const [book] = useState(() => new Book(live));
  useEffect(() => () => book.stop(), []);
  const corrects = useSignal<Event | undefined>(undefined);
  const shown = book.shown.value;
  const current = new Map(site.machines.map((m) => [m.name, view.machines.get(m.name)?.state ?? 'unobserved']));
  return (
    <>
      <div class={view.connection === 'live' ? 'sentence' : 'sentence not-live'}>
        <div>
          <h1>{shown ? bookSentence(shown.faults, view.now, bookDays) : 'Opening the book.'}</h1>
          <p class="note-line">
            {shown && countSentence(shown.week, shown.faults, bookDays)}
            {shown && <span class="must">{observedSentence(observed(shown, current), bookDays)}</span>}
            {shown && keptSentence(rawFrom(view), shown.week, view.now, bookDays, site.timezone)}
            {book.error.value && <span class="warn"> {shown ? 'Older than it should be: ' : ''}{book.error.value}. Trying again.</span>}
          </p>
        </div>
      </div>
      {shown && <Week shown={shown} current={current} timeZone={site.timezone} />}
      <div class="book">
        <div class="book-side">
          <Faults faults={shown?.faults ?? []} now={view.now} timeZone={site.timezone} />
          <Service machines={shown?.service ?? []} timeZone={site.timezone} />
          <NoteForm
            key={corrects.value?.seq ?? 0} site={site} now={view.now} service={shown?.service} corrects={corrects.value}
            done={() => { corrects.value = undefined; book.refresh(); }}
          />
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

const rawFrom = (view: View) => (view.store?.raw_from ? Date.parse(view.store.raw_from) : undefined);

/** For how long at least one machine was observed, ms. */
function observed(shown: Shown, current: Map<string, string>): number {
  return stretches(shown.week, current, shown.from, shown.to).filter((s) => s.what !== 'unknown').reduce((ms, s) => ms + s.to - s.from, 0);
}

function Faults({ faults, now, timeZone }: { faults: Fault[]; now: number; timeZone: string }) {
  return (
    <section aria-labelledby="faults-title">
      <h2 id="faults-title">Faults in {bookDays} days</h2>
      {faults.length === 0 && <p class="aside">None came.</p>}
      <ul class="fault-list">
        {faults.map((f) => (
          <li key={`${f.channel} ${f.code}`} data-fault={f.code}>
            <Mark sort="fault" />
            <div>
              <h3>{faultName(f)}<span class="aside"> {f.text && `code ${f.code}, `}{f.subject}</span></h3>
              <p>{faultSentence(f, now, timeZone)}</p>
            </div>
          </li>
        ))}
      </ul>
    </section>
  );
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
          <h3>{d.title}</h3>
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
      <div class="text">
        {entrySubject(e) && <span class="subject">{entrySubject(e)} </span>}
        {by ? <s>{entryText(e)}</s> : entryText(e)}
        {e.kind === 'note' && (
          <p class="aside">
            {e.data.service && e.data.service !== 'none' && `Done: ${e.data.service}${e.data.hour_meter ? `, hour meter ${Number(e.data.hour_meter).toFixed(1)} h` : ''}. `}
            Note {e.seq}{e.data.author && `, ${e.data.author}`}{e.data.corrects && `, corrects note ${e.data.corrects}`}{by && `, corrected by note ${by}`}
            {!by && <button type="button" class="plain" onClick={() => correct(e)}>Correct<span class="visually-hidden"> note {e.seq}</span></button>}
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
