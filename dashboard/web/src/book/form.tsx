// Writing a note. A wrong note is corrected by a later one, never deleted.
import { useSignal } from '@preact/signals';
import { useEffect, useId, useRef } from 'preact/hooks';
import { ApiError, sendNote, type Event, type MachineService, type NewNote, type Site } from '../api';
import { capital } from '../look/words';
import { sayAuthor, storedAuthor } from '../settings';
import { typedNumber } from '../units/typed';
import { clock, zoneName } from '../units/words';
import { siteTime } from './words';

export interface FormProps {
  site: Site;
  now: number;
  /** what can be marked as done */
  service?: MachineService[];
  /** the note to be put right, or undefined */
  corrects: Event | undefined;
  /** after a note was kept, or the correction given up */
  done: () => void;
  send?: (note: NewNote) => Promise<Event>;
  /** the moment it is about, Unix ms; left out: the form asks for it */
  at?: number | undefined;
  preset?: Preset | undefined;
}

/** A service item that the reader says is done; n tells one asking from the next. */
export interface Preset {
  machine: string;
  item: string;
  n: number;
}

/** What a note may be about; the empty name is the whole site. */
export function subjects(site: Site): { name: string; title: string }[] {
  return [
    { name: '', title: 'the whole site' },
    ...site.machines.map((m) => ({ name: m.name, title: m.name })),
    ...site.systems.map((s) => ({ name: s.name, title: `${s.name} (system)` })),
    ...site.devices.map((d) => ({ name: d.name, title: `${d.name} (device)` })),
    ...site.lines.map((l) => ({ name: l.name, title: `${l.name} (line)` })),
  ];
}

export function NoteForm({ site, now, service = [], corrects, done, send = sendNote, at, preset }: FormProps) {
  const id = useId();
  const form = useRef<HTMLFormElement>(null);
  const wrong = useSignal({ field: '', message: '' });
  const kept = useSignal('');
  const busy = useSignal(false);
  const first = preset?.machine ?? site.machines[0]?.name ?? '';
  const subject = useSignal(first);
  const item = useSignal(preset?.item ?? '');
  const items = service.find((m) => m.machine === subject.value)?.items ?? [];

  useEffect(() => {
    // Who asked to mark an item, or to correct a note, writes next.
    if (preset || corrects) form.current?.querySelector('textarea')?.focus();
  }, []);

  const submit = async (e: SubmitEvent) => {
    e.preventDefault();
    const data = new FormData(e.currentTarget as HTMLFormElement);
    const get = (name: string) => String(data.get(name) ?? '').trim();
    const note: NewNote = { text: get('text'), subject: corrects ? corrects.subject : get('subject'), author: get('author') };
    if (!note.text) {
      wrong.value = { field: 'text', message: 'the note is empty: write what was done or seen' };
      return;
    }
    if (corrects) note.corrects = corrects.seq;
    else if (at !== undefined) note.time = new Date(at).toISOString();
    else if (get('time')) {
      const then = siteTime(get('time'), site.timezone);
      if (then === undefined) {
        wrong.value = { field: 'time', message: 'this date and time cannot be read' };
        return;
      }
      note.time = new Date(then).toISOString();
    }
    if (get('service')) {
      note.service = get('service');
      if (get('hour_meter')) note.hour_meter = typedNumber(get('hour_meter'));
      if (get('found')) note.found = get('found');
      if (!Number.isFinite(note.hour_meter ?? 0)) {
        wrong.value = { field: 'hour_meter', message: 'write the hours as a number like 21530.4; “12,345” can be meant in two ways' };
        return;
      }
    }
    busy.value = true;
    kept.value = '';
    try {
      const event = await send(note);
      wrong.value = { field: '', message: '' };
      kept.value = `Kept as note ${event.seq}, ${clock(Date.parse(event.time), site.timezone)}.`;
      const author = get('author');
      form.current?.reset();
      subject.value = first;
      item.value = '';
      const name = form.current?.elements.namedItem('author');
      if (name instanceof HTMLInputElement) name.value = author;
      sayAuthor(author);
      done();
    } catch (error) {
      wrong.value = { field: error instanceof ApiError ? error.field : '', message: error instanceof Error ? error.message : String(error) };
    } finally {
      busy.value = false;
    }
  };

  const bad = (field: string) => (wrong.value.field === field && wrong.value.message ? { 'aria-invalid': true, 'aria-describedby': `${id}-${field}` } : {});
  const why = (field: string) => wrong.value.field === field && wrong.value.message && <p class="warn" id={`${id}-${field}`}>{capital(wrong.value.message)}.</p>;
  return (
    <form class="note-form" ref={form} onSubmit={(e) => void submit(e)} aria-labelledby={`${id}-title`} noValidate>
      <h2 id={`${id}-title`}>{corrects ? `Correct note ${corrects.seq}` : 'Write a note'}</h2>
      {corrects && <p class="aside">It stays in the book; yours is set beside it. <q>{corrects.text}</q></p>}
      <label for={`${id}-t`}>What was done or seen</label>
      <textarea id={`${id}-t`} name="text" rows={3} maxLength={2000} {...bad('text')} />
      {why('text')}
      {!corrects && (
        <>
          <label for={`${id}-s`}>About</label>
          <select id={`${id}-s`} name="subject" onChange={(e) => { subject.value = e.currentTarget.value; item.value = ''; }} {...bad('subject')}>
            {subjects(site).map((s) => <option key={s.title} value={s.name} selected={s.name === first}>{s.title}</option>)}
          </select>
          {why('subject')}
          {at === undefined && <label for={`${id}-w`}>When, in {zoneName(now, site.timezone)}; left empty it is now</label>}
          {at === undefined && <input id={`${id}-w`} name="time" type="datetime-local" {...bad('time')} />}
          {why('time')}
          {items.length > 0 && (
            <>
              <label for={`${id}-i`}>Service item that was done</label>
              <select id={`${id}-i`} name="service" value={item.value} onChange={(e) => { item.value = e.currentTarget.value; }} {...bad('service')}>
                <option value="">none</option>
                {items.map((i) => <option key={i.item} value={i.item}>{i.item}</option>)}
              </select>
              {why('service')}
              <label for={`${id}-h`}>Hour meter then, h, for an item that was done; it may stay empty</label>
              <input id={`${id}-h`} name="hour_meter" inputMode="decimal" {...bad('hour_meter')} />
              {why('hour_meter')}
              {item.value && (
                <>
                  <label for={`${id}-f`}>What was found: colour, dirt, wear, water, how far gone. That all was well is worth a word too</label>
                  <textarea id={`${id}-f`} name="found" rows={2} maxLength={2000} {...bad('found')} />
                </>
              )}
              {why('found')}
            </>
          )}
        </>
      )}
      <label for={`${id}-a`}>Your name</label>
      <input id={`${id}-a`} name="author" maxLength={80} autocomplete="name" defaultValue={storedAuthor()} {...bad('author')} />
      {why('author')}
      {why('corrects')}
      {why('')}
      <div class="form-end">
        <button type="submit" disabled={busy.value}>{busy.value ? 'Keeping it …' : 'Put it in the book'}</button>
        {corrects && <button type="button" onClick={done}>Leave it as it is</button>}
      </div>
      <p class="aside" role="status" data-words>{kept.value}</p>
    </form>
  );
}

