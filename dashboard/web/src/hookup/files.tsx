// The site file and its maps: as they run, as they stand on disk, and what is
// wrong with them at its line.
import { useEffect, useRef } from 'preact/hooks';
import { answerOf, type DiskFiles, type Site, type SiteFilesAnswer, type SiteProblem, type SiteText } from '../api';
import { useAsked } from '../api/asked';
import { Num } from '../figure/number';
import type { Live } from '../live/live';
import { Standing } from '../look/standing';
import { sentence } from '../look/words';
import { go, place } from '../route';
import { clock } from '../units/words';
import { here } from './address';

const path = '/api/v1/sitefile';
const everyMs = 15_000;

/** A problem with the place in the answer where it stands. */
interface Placed { p: SiteProblem; at: string; bad: boolean }

interface Shown {
  file: SiteText;
  disk: boolean;
  problems: Placed[];
}

const placed = (list: SiteProblem[], at: string, bad: boolean): Placed[] => list.map((p, i) => ({ p, at: `${at}/${i}`, bad }));

/** What is wrong with the files that run, or with those on disk where they differ. */
function problemsOf(a: SiteFilesAnswer, disk: boolean): Placed[] {
  if (!disk) return placed(a.warnings, '/warnings', false);
  return [...placed(a.disk.problems, '/disk/problems', true), ...placed(a.disk.warnings, '/disk/warnings', false)];
}

/** The file that the address asks for; else the first with a problem, else the site file. */
function shownFile(a: SiteFilesAnswer, name: string | null, version: string | null): Shown | undefined {
  const differs = a.disk.state !== 'same';
  const disk = differs && version !== 'runs';
  const problems = problemsOf(a, disk);
  const find = (n: string | undefined) => (disk ? a.disk.files.find((f) => f.name === n) : undefined) ?? a.files.find((f) => f.name === n);
  const worst = problems.find((x) => x.bad && find(x.p.file)) ?? problems.find((x) => find(x.p.file));
  const file = find(name ?? undefined) ?? find(worst?.p.file) ?? (disk ? a.disk.files[0] : undefined) ?? a.files[0];
  return file && { file, disk: disk && a.disk.files.includes(file), problems: problems.filter((x) => x.p.file === file.name) };
}

export function Files({ live, site }: { live: Live; site: Site }) {
  const asked = useAsked<SiteFilesAnswer>({ held: live.held }, { key: path, everyMs, ask: (signal) => answerOf(path, new URLSearchParams(), signal) });
  const a = asked.value.value;
  const query = place.value.query;
  const line = useRef<number | undefined>(undefined);
  const show = (file: string, at?: number) => {
    line.current = at;
    go(here({ file }), true);
  };
  const shown = a && shownFile(a, query.get('file'), query.get('version'));
  return (
    <section aria-labelledby="files-title" class="files">
      <h2 id="files-title">The site file and its maps</h2>
      <Standing asked={asked} what="the files" question={path} />
      {a && (
        <div data-answer={path}>
          <p class={a.disk.state === 'refused' ? 'warn' : ''} role="status"><span data-words>{a.disk.sentence}</span>
            <span class="aside"> Looked at <time dateTime={a.checked}>{clock(Date.parse(a.checked), site.timezone)}</time>. <button type="button" class="plain" onClick={() => asked.again()}>Look again</button></span></p>
          <Changes disk={a.disk} />
          <Problems a={a} disk={shown?.disk ?? false} version={query.get('version')} show={show} />
          {a.disk.state !== 'same' && (
            <div class="choose" role="group" aria-label="Which version">
              <button type="button" aria-pressed={query.get('version') !== 'runs'} onClick={() => go(here({ version: undefined }), true)}>On disk</button>
              <button type="button" aria-pressed={query.get('version') === 'runs'} onClick={() => go(here({ version: 'runs' }), true)}>As it runs</button>
            </div>
          )}
          <div class="choose" role="group" aria-label="Which file">
            {names(a).map((n) => <button key={n} type="button" aria-pressed={shown?.file.name === n} onClick={() => show(n)}><span data-words>{n}</span></button>)}
          </div>
          {shown && <Listing key={`${shown.file.name} ${shown.file.hash}`} shown={shown} line={line.current} />}
        </div>
      )}
    </section>
  );
}

const names = (a: SiteFilesAnswer) => [...new Set([...a.files, ...a.disk.files].map((f) => f.name))];

function Changes({ disk }: { disk: DiskFiles }) {
  if (disk.changes.length === 0 && disk.unused.length === 0) return null;
  return (
    <details open>
      <summary>What a start with them would change</summary>
      <ul class="changes">
        {disk.changes.map((c) => (
          <li key={`${c.file} ${c.text}`}><span data-words>{c.file}: <strong>{c.text}</strong></span><span class="aside" data-words> {c.affects === 'no figure' ? 'It affects no figure.' : `It may affect ${c.affects}.`}</span></li>
        ))}
        {disk.unused.map((n) => <li key={n}><span data-words>{n}</span> would be used no longer.</li>)}
      </ul>
    </details>
  );
}

function Problems({ a, disk, version, show }: { a: SiteFilesAnswer; disk: boolean; version: string | null; show: (file: string, line?: number) => void }) {
  const list = problemsOf(a, disk || (a.disk.state !== 'same' && version !== 'runs'));
  if (list.length === 0) return <p class="aside">Nothing in them wants looking at.</p>;
  return (
    <ul class="problems" aria-label="What wants looking at">
      {list.map(({ p, at, bad }) => (
        <li key={at} data-problem={p.key ?? ''}>
          <strong>{bad ? 'Mistake' : 'Look at this'}</strong>{' '}
          {p.line ? <button type="button" class="plain" onClick={() => show(p.file, p.line)}><span data-words>{p.file}</span>, line <Num value={p.line} at={`${at}/line`}>{p.line}</Num></button> : <span data-words>{p.file}</span>}
          : <Words p={p} />
        </li>
      ))}
    </ul>
  );
}

function Words({ p }: { p: SiteProblem }) {
  return <span data-words>{p.key && <code>{p.key}</code>}{p.key && ' '}{p.message}.{p.mend && <em> {sentence(p.mend)}</em>}</span>;
}

/** A file line by line; the numbers are the list's own. line: the one to go to. */
function Listing({ shown, line }: { shown: Shown; line: number | undefined }) {
  const { file, disk, problems } = shown;
  const list = useRef<HTMLOListElement>(null);
  useEffect(() => {
    const at = line === undefined ? null : list.current?.querySelector<HTMLElement>(`[value="${line}"]`);
    at?.scrollIntoView({ block: 'center' });
    at?.focus();
  }, [line]);
  return (
    <figure class="listing">
      <figcaption><strong data-words>{file.name}</strong> {disk ? 'on disk' : 'as it runs'}{file.devices.length > 0 && <>, the map of <span data-words>{file.devices.join(', ')}</span></>}<span class="aside hash" data-words> {file.hash.slice(0, 12)}</span></figcaption>
      <div class="scroll text-scroll" tabIndex={0} role="region" aria-label={`Text of ${file.name}`} data-words>
        <ol ref={list}>
          {file.text.replace(/\n$/, '').split('\n').map((text, i) => {
            const here = problems.filter((x) => x.p.line === i + 1);
            return (
              <li key={i} value={i + 1} tabIndex={-1} class={here.length > 0 ? 'marked' : undefined}>
                <code class={/^\s*#/.test(text) ? 'comment' : undefined}>{text || ' '}</code>
                {here.map(({ p, at, bad }) => <p key={at} class={bad ? 'at-line bad' : 'at-line'}>{bad ? 'Mistake: ' : ''}{p.message}.{p.mend && ` ${sentence(p.mend)}`}</p>)}
              </li>
            );
          })}
        </ol>
      </div>
    </figure>
  );
}
