// What an answer of figures tells beside them: tables, what is wrong with the
// data, remarks on health, and the instruments.
import { useState } from 'preact/hooks';
import type { Finding, InstrumentFacts, Remark, Site, Table } from '../api';
import { traceHref } from '../trace/address';
import type { UnitSystem } from '../units/units';
import { cellText, columnUnit, titleOf } from './cells';
import { instrumentText } from './figure';
import { Span } from './known';
import { Num } from './number';

/** at: JSON pointer to what has the tables. Each is made only while it is open. */
export function Tables({ tables, at, system }: { tables: Table[]; at: string; system: UnitSystem }) {
  if (tables.length === 0) return null;
  return (
    <section aria-label="Tables">
      <h2>Side by side</h2>
      {tables.map((t, i) => <OneTable key={t.name} table={t} at={`${at}/tables/${i}`} system={system} />)}
    </section>
  );
}

function OneTable({ table, at, system }: { table: Table; at: string; system: UnitSystem }) {
  const [open, setOpen] = useState(false);
  const title = titleOf(table.name);
  return (
    <details class="table" onToggle={(e) => setOpen(e.currentTarget.open)}>
      <summary>{title}</summary>
      {open && (
        <>
          <p class="method" data-words>{table.method}</p>
          <div class="scroll" tabIndex={0} role="region" aria-label={title}>
            <table>
              <thead>
                <tr>
                  <th scope="col">{title}</th>
                  {table.columns.map((c, i) => <th key={`${i}`} scope="col" class="num" data-words>{c.name}{columnUnit(table, i, system) && `, ${columnUnit(table, i, system)}`}</th>)}
                  {table.rows.some((r) => r.note) && <th scope="col">Note</th>}
                </tr>
              </thead>
              <tbody>{table.rows.map((_, r) => <TableRow key={r} table={table} r={r} at={`${at}/rows/${r}`} system={system} />)}</tbody>
            </table>
          </div>
        </>
      )}
    </details>
  );
}

function TableRow({ table, r, at, system }: { table: Table; r: number; at: string; system: UnitSystem }) {
  const row = table.rows[r];
  if (!row) return null;
  return (
    <tr>
      <th scope="row" data-words>{row.name}</th>
      {row.values.map((v, i) => (
        <td key={i} class="num">{v === null ? '–' : <Num value={v} at={`${at}/values/${i}`}>{cellText(table, i, v, system)}</Num>}</td>
      ))}
      {table.rows.some((x) => x.note) && <td class="words" data-words>{row.note ?? ''}</td>}
    </tr>
  );
}

const millis = (text: string) => Date.parse(text);
const marginMs = 5 * 60_000;

/** What is wrong with the data. A subject that is a channel leads to its trace. */
export function Findings({ findings, titles, timeZone, site }: { findings: Finding[]; titles: Map<string, string>; timeZone: string; site: Site }) {
  return (
    <section aria-label="What is wrong with the data">
      <h2>What is wrong with the data</h2>
      {findings.length === 0 && <p class="aside">Nothing was found missing, stuck, contradictory or impossible.</p>}
      <ul class="told">
        {findings.map((f, i) => {
          const [from, to] = [millis(f.from), millis(f.to)];
          const channels = site.channels.filter((c) => c.id === f.subject || c.device === f.subject).map((c) => c.id).slice(0, 4);
          return (
            <li key={i}>
              <span data-words>{f.sentence}</span>
              <p>
                {titleOf(f.kind)}; {Span({ from, to, timeZone })}
                {f.evidence.length > 0 && <>; <span data-words>{f.evidence.join('; ')}</span></>}
                {f.figures && f.figures.length > 0 && <>; it bears on <span data-words>{f.figures.map((n) => titles.get(n) ?? n).join(', ')}</span></>}
                {channels.length > 0 && <>. <a href={traceHref({ channels, from: from - marginMs, to: Math.max(to, from) + marginMs, a: from, b: to > from ? to : undefined })}>Look at the readings<span class="visually-hidden"> of {f.subject}</span></a></>}
              </p>
            </li>
          );
        })}
      </ul>
    </section>
  );
}

/** What the figures of health mean. */
export function Remarks({ remarks, titles, timeZone }: { remarks: Remark[]; titles: Map<string, string>; timeZone: string }) {
  if (remarks.length === 0) return null;
  return (
    <section aria-label="Remarks">
      <h2>Remarks on its health and place</h2>
      <ul class="told">
        {remarks.map((r, i) => (
          <li key={i}>
            <span data-words>{r.sentence}</span>
            <p>
              About <span data-words>{titles.get(r.about) ?? r.about.replaceAll('_', ' ')}</span>
              {r.since && <>; since {Span({ from: millis(r.since), to: millis(r.since), timeZone })}</>}
              {r.evidence && r.evidence.length > 0 && <>; from <span data-words>{r.evidence.join('; ')}</span></>}
            </p>
          </li>
        ))}
      </ul>
    </section>
  );
}

/** The records behind the figures. */
export function Instruments({ instruments, titles }: { instruments: InstrumentFacts[]; titles: Map<string, string> }) {
  if (instruments.length === 0) return null;
  return (
    <section aria-label="Instruments">
      <h2>Instruments</h2>
      <ul class="told">
        {instruments.map((i) => (
          <li key={i.subject}>
            <span data-words>{instrumentText(i)}</span>
            <p data-words>
              {Object.entries(i.accuracy ?? {}).map(([q, a]) => `${q.replaceAll('_', ' ')}: ${a}`).join('; ') || 'No accuracy is stated'}.
              {i.figures && i.figures.length > 0 && ` Behind: ${i.figures.map((n) => titles.get(n) ?? n).join(', ')}.`}
            </p>
          </li>
        ))}
      </ul>
    </section>
  );
}
