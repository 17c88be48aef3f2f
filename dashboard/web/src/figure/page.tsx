// Every figure of a window, each with how it is known: of one machine or system,
// with its tables, what is wrong with the data, and the instruments.
import { useSignal } from '@preact/signals';
import type { FigureGroup, FiguresAnswer, MachineFigures, Site, SystemFigures } from '../api';
import { fetchFigureNames, fetchWindow } from '../api';
import { useAsked } from '../api/asked';
import { NotHere } from '../look/choose';
import { apiWindow, count, daysOf, type Days } from '../look/days';
import { Standing } from '../look/standing';
import { WindowChooser } from '../look/window';
import { capital, sentence } from '../look/words';
import type { PageProps } from '../pages';
import { go, href, place } from '../route';
import { units, siteZone } from '../settings';
import type { UnitSystem } from '../units/units';
import { figuresAddress, machineFigures, systemFigures, type Found } from './answer';
import { FigureEntry } from './figure';
import { Span } from './known';
import { lookAt, type Subject } from './look';
import './page.css';
import { Findings, Instruments, Remarks, Tables } from './told';

const freshMs = 60_000;
const notOfThis = new Set(['a figure of one machine, not of a system', 'a figure of the system, not of one machine']);

/** What the address asks for: a system, else a machine, else the first of what there is. */
function subjectOf(site: Site, query: URLSearchParams): Subject {
  const system = site.systems.find((s) => s.name === query.get('system'));
  if (system) return { system: system.name };
  const machine = site.machines.find((m) => m.name === query.get('machine')) ?? site.machines[0];
  if (machine) return { machine: machine.name };
  return { system: site.systems[0]?.name };
}

export default function EveryFigure({ live, site, view }: PageProps) {
  const days = daysOf(place.value.query, view.now, site.timezone);
  const subject = subjectOf(site, place.value.query);
  const window = apiWindow(days);
  const key = JSON.stringify([window, subject.machine]);
  const figures = useAsked(live, {
    key, ask: (signal) => fetchWindow(window, subject.machine ?? '', signal), everyMs: days.now ? freshMs : undefined,
  });
  const names = useAsked(live, { key: 'names', ask: fetchFigureNames });
  const answer = figures.value.value;
  const groups = names.value.value?.groups;
  const system = units.value;
  return (
    <div class="every" data-answer={answer && figuresAddress(answer, answeredMachine(figures.answered.value))}>
      <NotHere site={site} instead={`these are the figures of ${subject.machine ?? (subject.system ? `system ${subject.system}` : 'the site')}`} />
      <h1>{headline(days, subject)}</h1>
      <p class="aside">
        {answer && <>{Span({ from: Date.parse(answer.from), to: Date.parse(answer.to), timeZone: site.timezone })}. </>}
        {answer?.notes?.map((n) => <span key={n} data-words>{sentence(n)} </span>)}
      </p>
      <WindowChooser now={view.now} timeZone={site.timezone} most={366} />
      <Subjects site={site} chosen={subject} />
      <Standing asked={figures} what="figures" question={key} />
      {!groups && <Standing asked={names} what="names of the figures" question="names" />}
      {answer && groups && answeredMachine(figures.answered.value) === (subject.machine ?? '') && <Answer site={site} subject={subject} answer={answer} groups={groups} system={system} />}
    </div>
  );
}

function answeredMachine(key: string): string {
  if (!key) return '';
  const [, machine] = JSON.parse(key) as [unknown, string | null];
  return machine ?? '';
}

function headline(days: Days, subject: Subject): string {
  const of = subject.machine ?? subject.system ?? 'the site';
  const n = count(days);
  if (days.now) return n === 1 ? `Every figure of ${of}, today` : `Every figure of ${of}, the last ${n} days`;
  return `Every figure of ${of}`;
}

function Subjects({ site, chosen }: { site: Site; chosen: Subject }) {
  if (site.machines.length + site.systems.length < 2) return null;
  const choose = (subject: Subject) => {
    const query = new URLSearchParams(place.value.query);
    query.delete('system');
    if (subject.system) query.set('system', subject.system);
    else if (subject.machine) query.set('machine', subject.machine);
    go(href('figures', query));
  };
  return (
    <div class="choose" role="group" aria-label="Of which machine or system">
      {site.machines.map((m) => <button key={m.name} type="button" aria-pressed={m.name === chosen.machine} onClick={() => choose({ machine: m.name })}>{m.name}</button>)}
      {site.systems.map((s) => <button key={s.name} type="button" aria-pressed={s.name === chosen.system} onClick={() => choose({ system: s.name })}>system {s.name}</button>)}
    </div>
  );
}

interface Part {
  figures: Map<string, Found>;
  of: MachineFigures | SystemFigures;
  at: string;
}

function partOf(answer: FiguresAnswer, subject: Subject): Part | undefined {
  const [list, name] = subject.machine === undefined ? ['systems', subject.system] as const : ['machines', subject.machine] as const;
  const i = answer[list].findIndex((s) => ('machine' in s ? s.machine : s.system) === name);
  const of = answer[list][i];
  if (!of || name === undefined) return undefined;
  return { figures: list === 'machines' ? machineFigures(answer, name) : systemFigures(answer, name), of, at: `/${list}/${i}` };
}

function Answer({ site, subject, answer, groups, system }: { site: Site; subject: Subject; answer: FiguresAnswer; groups: FigureGroup[]; system: UnitSystem }) {
  const find = useSignal('');
  const part = partOf(answer, subject);
  if (!part) return <p class="standing">The site file names no machine and no system: readings are kept, and figures need one.</p>;
  const wanted = find.value.trim().toLowerCase();
  const titles = new Map(groups.flatMap((g) => g.figures.map((f) => [f.name, f.title] as const)));
  const shown = groups.map((g) => ({ title: g.title, ...sorted(g, part.figures, wanted) })).filter((g) => g.known.length + g.unknown.length > 0);
  const n = shown.reduce((sum, g) => sum + g.known.length, 0);
  return (
    <>
      <div class="find">
        <label for="find-figure">Find by name, channel or method</label>
        <input id="find-figure" type="search" value={find.value} onInput={(e) => { find.value = e.currentTarget.value; }} />
        <span role="status">{wanted && (n === 0 ? 'No figure that is known has that in it.' : <>Shown: <data data-count>{n}</data></>)}</span>
      </div>
      {shown.map((g) => (
        <section key={g.title} aria-label={g.title}>
          <h2 data-words>{g.title}</h2>
          <div class="entries">
            {g.known.map(({ title, found }) => (
              <FigureEntry
                key={found.figure.name} title={title} found={found} instruments={answer.instruments} system={system}
                look={lookAt(site, subject, found.figure, Date.parse(answer.from), Date.parse(answer.to))}
              />
            ))}
          </div>
          {g.unknown.length > 0 && <Unknown list={g.unknown} open={wanted !== ''} />}
        </section>
      ))}
      <Tables tables={part.of.tables} at={part.at} system={system} />
      <Findings findings={part.of.findings} titles={titles} timeZone={siteZone.value} site={site} />
      {'remarks' in part.of && <Remarks remarks={part.of.remarks} titles={titles} timeZone={siteZone.value} />}
      <Instruments instruments={answer.instruments} titles={titles} />
    </>
  );
}

interface Entry {
  title: string;
  found: Found;
}

/** A group's figures that have a value and those that have none, but for those that a machine or a system never has. */
function sorted(group: FigureGroup, figures: Map<string, Found>, wanted: string): { known: Entry[]; unknown: Entry[] } {
  const known: Entry[] = [];
  const unknown: Entry[] = [];
  for (const { name, title } of group.figures) {
    const found = figures.get(name);
    if (!found || notOfThis.has(found.figure.absent ?? '')) continue;
    const f = found.figure;
    if (wanted && ![title, name, f.method, f.absent, ...(f.inputs ?? [])].some((t) => t?.toLowerCase().includes(wanted))) continue;
    (f.value === undefined ? unknown : known).push({ title: capital(title), found });
  }
  return { known, unknown };
}

function Unknown({ list, open }: { list: Entry[]; open: boolean }) {
  return (
    <details class="unknown" open={open}>
      <summary>Not known here, and why</summary>
      <ul>
        {list.map(({ title, found }) => <li key={found.figure.name}><strong>{title}:</strong> <span data-words>{found.figure.absent}</span></li>)}
      </ul>
    </details>
  );
}
