// A new site: the page that makes a site file while there is none.
import { effect, useSignal } from '@preact/signals';
import { useEffect } from 'preact/hooks';
import { answerOf, ApiError, post, type DraftChecked, type DraftRemark, type NewSite, type NewSiteWritten } from '../api';
import { sentence } from '../look/words';
import { draft, elementOf, firstDraft, forget, keep, kept, unclaimed } from './draft';
import { checked } from './field';
import './newsite.css';
import { DevicePart, LinePart, MachinePart, ReportPart, SitePart, SystemPart, TariffPart } from './parts';

const checkPath = '/api/v1/newsite/check', writePath = '/api/v1/newsite/write';
const pauseMs = 300; // of typing, before it is checked

export function NewSitePage() {
  const info = useSignal<NewSite | undefined>(undefined);
  const wrong = useSignal('');
  const written = useSignal<{ files: NewSiteWritten; record: boolean } | undefined>(undefined);
  useEffect(() => {
    const leaving = new AbortController();
    void begin(leaving.signal).then((i) => { info.value = i; }, (e: unknown) => { if (!leaving.signal.aborted) wrong.value = e instanceof Error ? e.message : String(e); });
    return () => leaving.abort();
  }, []);
  const got = info.value;
  return (
    <>
      <header><div class="where"><span class="site">loadscribe</span><span>A new site</span></div></header>
      <main id="main" tabIndex={-1}>
        {written.value ? <Written {...written.value} /> : got ? <Making info={got} done={(files, record) => { forget(got.folder, got.file); written.value = { files, record }; }} /> : (
          <div class="sentence"><div>
            <h1>{wrong.value ? 'No site is made here.' : 'Opening the page.'}</h1>
            {wrong.value && <p class="note-line">{sentence(wrong.value)} <a href="/">To the pages</a></p>}
          </div></div>
        )}
      </main>
    </>
  );
}

async function begin(signal: AbortSignal): Promise<NewSite> {
  const i = await answerOf('/api/v1/newsite', new URLSearchParams(), signal);
  draft.value = kept(i.folder, i.file) ?? firstDraft(Intl.DateTimeFormat().resolvedOptions().timeZone, navigator.language === 'en-US');
  return i;
}

/** Has the draft checked after each pause of typing. Returns the undo. */
function follow(info: NewSite, said: (wrong: string) => void): () => void {
  let timer: ReturnType<typeof setTimeout> | undefined;
  let turn = 0;
  const undo = effect(() => {
    const now = draft.value;
    const mine = (turn += 1);
    clearTimeout(timer);
    timer = setTimeout(() => {
      keep(info.folder, info.file);
      post(checkPath, now).then(
        (a) => { if (mine === turn) { checked.value = a as DraftChecked; said(''); } },
        (e: unknown) => { if (mine === turn) said(e instanceof Error ? e.message : String(e)); },
      );
    }, checked.peek() ? pauseMs : 0);
  });
  return () => { turn += 1; clearTimeout(timer); undo(); checked.value = undefined; };
}

function Making({ info, done }: { info: NewSite; done: (w: NewSiteWritten, record: boolean) => void }) {
  const unchecked = useSignal('');
  const refused = useSignal('');
  const busy = useSignal(false);
  useEffect(() => follow(info, (w) => { unchecked.value = w; }), []);
  const c = checked.value;
  const open = c?.problems.length ?? 0;
  const write = async (record: boolean) => {
    busy.value = true;
    try {
      done((await post(`${writePath}?record=${record}`, draft.value)) as NewSiteWritten, record);
    } catch (e) {
      refused.value = e instanceof ApiError ? e.message : String(e);
    } finally {
      busy.value = false;
    }
  };
  const free = unclaimed(draft.value);
  return (
    <>
      <div class="sentence"><div>
        <h1 aria-live="polite">{!c ? 'Nothing is written yet.' : open > 0 ? `${open === 1 ? 'One answer is' : `${open} answers are`} still to be given or mended.` : 'This site can be recorded.'}</h1>
        <p class="note-line">The answers become the site file <strong>{info.file}</strong> in {info.folder === '.' ? 'the folder where loadscribe was started' : info.folder}. Nothing is written before you press “Write it”, and never over a file that is there. loadscribe only reads from your instruments.</p>
        {unchecked.value && <p class="warn" role="alert">Not checked: {unchecked.value}. What you typed is kept on this page.</p>}
      </div></div>
      <div class="making">
        <form onSubmit={(e) => e.preventDefault()} noValidate aria-label="The new site">
          <SitePart />
          <LinePart info={info} />
          <DevicePart info={info} />
          <MachinePart />
          <SystemPart />
          <TariffPart />
          <ReportPart />
        </form>
        <aside class="outcome" aria-label="The site file">
          {c && <Open title="Still to be given or mended" remarks={c.problems} />}
          {c && <Open title="Is this meant?" remarks={c.warnings} />}
          {free.length > 0 && <p class="of-nobody">No compressor and no measured place takes the readings of {free.join(', ')}: they will be in no figure.</p>}
          <p class="press">
            <button type="button" class="main-button" disabled={busy.value || !c || open > 0} onClick={() => void write(true)}>{busy.value ? 'Writing …' : 'Write it and begin to record'}</button>
            <button type="button" disabled={busy.value || !c || open > 0} onClick={() => void write(false)}>Write it, record later</button>
          </p>
          {refused.value && <p class="warn" role="alert">{sentence(refused.value)}</p>}
          {c && <details open><summary>{info.file} as it would be written</summary><pre tabIndex={0} aria-label={info.file}>{c.text}</pre></details>}
        </aside>
      </div>
    </>
  );
}

function Open({ title, remarks }: { title: string; remarks: DraftRemark[] }) {
  if (remarks.length === 0) return null;
  const show = (field: string) => {
    const input = elementOf(field, (id) => document.getElementById(id));
    for (let e: Element | null = input; e; e = e.parentElement) if (e instanceof HTMLDetailsElement) e.open = true;
    input?.scrollIntoView({ block: 'center' });
    input?.focus();
  };
  return (
    <section class="open">
      <h2>{title}</h2>
      <ul>
        {remarks.map((r, i) => (
          <li key={i}><button type="button" class="plain" onClick={() => show(r.field)}>{where(r)}</button> {sentence(r.message)} {r.mend && <span class="aside">{sentence(r.mend)}</span>}</li>
        ))}
      </ul>
    </section>
  );
}

/** A field in words: "device 1, unit". */
const where = (r: DraftRemark): string =>
  r.field ? r.field.split('.').map((p) => (/^\d+$/.test(p) ? String(Number(p) + 1) : p.replaceAll('_', ' '))).join(' ').replace(/ (\d+) /g, ' $1, ') : r.file;

function Written({ files, record }: { files: NewSiteWritten; record: boolean }) {
  const away = useSignal(false);
  useEffect(() => {
    if (!record) return;
    let timer: ReturnType<typeof setTimeout> | undefined;
    const ends = Date.now() + 60_000;
    const look = () => {
      fetch('/api/v1/site').then((r) => r.ok, () => false).then((ok) => {
        if (ok) {
          history.replaceState(null, '', '/#/hook-up'); // the same document to the browser: only a reload fetches the other
          location.reload();
        } else if (Date.now() < ends) timer = setTimeout(look, 400);
        else away.value = true;
      }, () => undefined);
    };
    timer = setTimeout(look, 400);
    return () => clearTimeout(timer);
  }, []);
  return (
    <div class="sentence"><div>
      <h1 aria-live="polite">{!record ? 'Written. Nothing is recorded yet.' : away.value ? 'Written, but recording does not answer.' : 'Written. Recording begins.'}</h1>
      <p class="note-line">Files: {files.files.join(', ')}. {record ? 'Next time start' : 'The program has ended. Beside the machine, start'} it with <code>{files.command}</code>.</p>
      {away.value && <p class="note-line">Look at what the program printed where it was started, then <a href="/#/hook-up">open the page Hook-up</a>.</p>}
    </div></div>
  );
}
