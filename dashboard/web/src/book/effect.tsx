// What a service changed: the whole days before it beside those after it, the
// figures that it should move first. Which service is in the address.
import { useEffect, useRef } from 'preact/hooks';
import { answerOf, type ServiceEffectAnswer, type ServiceMoved, type Site } from '../api';
import { useAsked, type Pace } from '../api/asked';
import '../days/days.css';
import { titleOf } from '../days/names';
import { PeriodDates, PeriodsTwin, Side, SideHead } from '../days/periods';
import { changed, type Who } from '../days/view';
import { answerAddress } from '../figure/number';
import { Standing } from '../look/standing';
import { go, href, place } from '../route';
import { units } from '../settings';
import { localDate } from '../units/words';
import { Moment } from './faults';

const spans = [3, 7, 14, 28];
const usualDays = 7;

/** The note whose service is looked at, and over how many days. */
export function effectOf(query: URLSearchParams): { note: number; days: number } | undefined {
  const note = Number(query.get('effect'));
  const days = Number(query.get('around'));
  if (!Number.isInteger(note) || note < 1) return undefined;
  return { note, days: spans.includes(days) ? days : usualDays };
}

export function Effect({ site, asked: { note, days }, pace }: { site: Site; asked: { note: number; days: number }; pace: Pace }) {
  const address = answerAddress('/api/v1/service/effect', { note: String(note), days: String(days) });
  const asked = useAsked<ServiceEffectAnswer>(pace, { key: address, ask: (signal) => answerOf('/api/v1/service/effect', new URLSearchParams({ note: String(note), days: String(days) }), signal) });
  const answer = asked.answered.value === address ? asked.value.value : undefined;
  const head = useRef<HTMLHeadingElement>(null);
  // It stands above the link that opened it: who followed that is taken there.
  useEffect(() => { if (document.activeElement !== document.body) head.current?.focus(); }, []);
  const put = (change: Record<string, string | undefined>) => go(changed('book', place.value.query, change));
  return (
    <section class="seven effect" aria-labelledby="effect-title" data-answer={address} aria-busy={!answer}>
      <h2 id="effect-title" ref={head} tabIndex={-1}>{answer ? <>Before and after: <span data-words>{answer.item} of {answer.machine}</span>, done <Moment ms={Date.parse(answer.done)} timeZone={site.timezone} /></> : 'Before and after'}</h2>
      <div class="window" role="group" aria-label="Days on either side">
        {spans.map((n) => <button key={n} type="button" aria-pressed={n === days} onClick={() => put({ around: n === usualDays ? undefined : String(n) })}>{n} days either side</button>)}
        <button type="button" onClick={() => put({ effect: undefined, around: undefined })}>Close</button>
      </div>
      <Standing asked={asked} what="the days before and after" question={address} />
      {answer && <Answer answer={answer} site={site} />}
    </section>
  );
}

function Answer({ answer, site }: { answer: ServiceEffectAnswer; site: Site }) {
  const { periods } = answer;
  return (
    <>
      {answer.found && <p>Found: <span data-words>{answer.found}</span></p>}
      {answer.absent && <p class="verdict">There is nothing to compare: <span data-words>{answer.absent}</span>.</p>}
      {periods && (
        <>
          <p class="verdict" data-words>{answer.sentence}</p>
          <p class="aside">
            Before <PeriodDates period={periods.first} site={site} at="/periods/first" />; after <PeriodDates period={periods.second} site={site} at="/periods/second" />.
            {' '}The day of the service belongs to neither. That a figure moved with the service is no proof that it moved by it.
          </p>
          <Rows answer={answer} site={site} />
          <ul class="remarks" data-words>{answer.remarks.map((r) => <li key={r}>{r}</li>)}</ul>
          <p class="command"><code data-words tabIndex={0} aria-label="Command that compares with a baseline">{periods.command}</code></p>
        </>
      )}
    </>
  );
}

const expected = (m: ServiceMoved) => `${m.way ? `Should be ${m.way}` : 'May go either way'}: ${m.why}.`;

function Rows({ answer, site }: { answer: ServiceEffectAnswer; site: Site }) {
  const system = units.value;
  const { periods, moves } = answer;
  if (!periods) return null;
  const who: Who = { kind: periods.kind, name: periods.subject };
  const of = (i: number) => ({ row: periods.rows[i], at: `/periods/rows/${i}` });
  const moved = moves.flatMap((move) => { const { row, at } = of(move.row ?? -1); return row ? [{ move, row, at }] : []; });
  const listed = new Set(moves.map((m) => m.row));
  const others = periods.rows.map((row, i) => ({ row, at: `/periods/rows/${i}`, i })).filter(({ row, i }) => row.difference.value !== undefined && !listed.has(i));
  const lacking = moves.filter((m) => m.row === undefined);
  const shared = { answer: periods, site, who, system };
  return (
    <>
      {moved.length > 0 && (
        <ul class="sides">
          <SideHead />
          {moved.map(({ move, row, at }) => <Side key={at} row={row} at={at} {...shared} beside={<p class="aside">{row.told && <><span data-words>{move.judged}</span>. </>}{expected(move)}</p>} />)}
        </ul>
      )}
      {lacking.length > 0 && <ul class="remarks">{lacking.map((m) => <li key={m.figure}>{titleOf(m.figure)} is not compared: <span data-words>{m.absent}</span>. {expected(m)}</li>)}</ul>}
      {moved.length + others.length > 0 && <PeriodsTwin known={[...moved, ...others]} system={system} />}
      <p><a href={href('days', { [who.kind]: who.name, first: days(periods.first, site), second: days(periods.second, site) })}>
        All that differs between these days{others.length > 0 && <>: <span data-count>{others.length}</span> more figures</>}
      </a></p>
    </>
  );
}

/** A period's local dates as the address of Seven days has them. */
function days(p: { from: string; to: string }, site: Site): string {
  return `${localDate(Date.parse(p.from), site.timezone)}/${localDate(Date.parse(p.to) - 1, site.timezone)}`;
}

/** Opens what a service changed. */
export function EffectLink({ note, item }: { note: number; item: string }) {
  return <a data-effect={note} href={changed('book', place.value.query, { effect: String(note) })}>What it changed<span class="visually-hidden" data-words>: {item}, note {note}</span></a>;
}
