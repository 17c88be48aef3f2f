// One by one: cycles or starts as a list of which one is picked. It is one stop
// of the keyboard; arrows go through it, as in any list.
import { useState } from 'preact/hooks';
import type { CyclesAnswer, LoadCycle, SeenStart } from '../api';
import { Num } from '../figure/number';
import { clock, day, duration } from '../units/words';
import { around, moved, type Picked } from './pick';

const rows = 7;

export function Moment({ iso, timeZone }: { iso: string; timeZone: string }) {
  const ms = Date.parse(iso);
  return <time dateTime={iso}>{day(ms, timeZone)} {clock(ms, timeZone)}</time>;
}

/** Seconds as the API gives them, in words. */
export const Lasted = ({ s, at }: { s: number; at: string }) => <Num value={s} at={at}>{duration(Math.round(s * 1000))}</Num>;

function CycleRow({ c, at, timeZone }: { c: LoadCycle; at: string; timeZone: string }) {
  return (
    <>
      <Moment iso={c.start} timeZone={timeZone} />
      <span>loaded <Lasted s={c.loaded_s} at={`${at}/loaded_s`} /></span>
      <span class="aside">{c.unloaded_s > 0 && <>unloaded <Lasted s={c.unloaded_s} at={`${at}/unloaded_s`} /></>}{c.ended === 'stop' && (c.unloaded_s > 0 ? ', then stopped' : 'then stopped')}</span>
    </>
  );
}

function StartRow({ s, at, timeZone }: { s: SeenStart; at: string; timeZone: string }) {
  return (
    <>
      <Moment iso={s.at} timeZone={timeZone} />
      <span><Num value={s.in_hour} at={`${at}/in_hour`}>{s.in_hour}</Num> in an hour</span>
      <span class="aside">{s.rest_s === undefined ? 'rest not known' : <>after <Lasted s={s.rest_s} at={`${at}/rest_s`} /> of rest</>}</span>
    </>
  );
}

export function PickList({ answer, picked, pick, timeZone }: { answer: CyclesAnswer; picked: Picked | undefined; pick: (at: number | undefined) => void; timeZone: string }) {
  const hasCycles = answer.cycles.length > 0;
  const [wanted, setWanted] = useState<'cycles' | 'starts'>(picked && picked.cycle < 0 ? 'starts' : 'cycles');
  const what = hasCycles ? wanted : 'starts';
  const list = what === 'cycles' ? answer.cycles : answer.starts.list;
  const index = picked ? (what === 'cycles' ? picked.cycle : picked.start) : -1;
  const active = index >= 0 ? index : list.length - 1;
  const momentOf = (i: number) => Date.parse(what === 'cycles' ? (answer.cycles[i]?.start ?? '') : (answer.starts.list[i]?.at ?? ''));
  const { first, last } = around(active, list.length, rows);
  const onKey = (e: KeyboardEvent) => {
    if (e.key === 'Escape') {
      pick(undefined);
      return;
    }
    const to = e.key === 'Enter' || e.key === ' ' ? active : moved(e.key, index >= 0 ? index : list.length, list.length, rows);
    if (to === undefined || list.length === 0) return;
    e.preventDefault();
    pick(momentOf(to));
  };
  const total = what === 'cycles' ? answer.cycles_total : answer.starts.total;
  return (
    <>
      <div class="choose" role="group" aria-label="What to pick from">
        <button type="button" aria-pressed={what === 'cycles'} disabled={!hasCycles} onClick={() => setWanted('cycles')}>Load cycles</button>
        <button type="button" aria-pressed={what === 'starts'} onClick={() => setWanted('starts')}>Starts</button>
      </div>
      {list.length === 0 ? <p class="absent">There was none.</p> : (
        <div
          class="pick-list" role="listbox" tabIndex={0} aria-label={what === 'cycles' ? 'Load cycles' : 'Starts'}
          aria-activedescendant={index >= 0 ? `pick-${index}` : undefined} onKeyDown={onKey}
        >
          {Array.from({ length: last - first }, (_, k) => first + k).map((i) => {
            const [c, s] = [answer.cycles[i], answer.starts.list[i]];
            return (
              <div key={i} id={`pick-${i}`} role="option" aria-selected={i === index} aria-posinset={i + 1} aria-setsize={list.length} onClick={() => pick(momentOf(i))}>
                {what === 'cycles' && c && <CycleRow c={c} at={`/cycles/${i}`} timeZone={timeZone} />}
                {what === 'starts' && s && <StartRow s={s} at={`/starts/list/${i}`} timeZone={timeZone} />}
              </div>
            );
          })}
        </div>
      )}
      <p class="aside small">
        {list.length < total ? <>Not all <Num value={total} at={what === 'cycles' ? '/cycles_total' : '/starts/total'}>{total}</Num> are listed. </> : null}
        Arrow keys go from one to the next, Page keys further, Escape picks none. A click into a drawing picks what lies there.
      </p>
    </>
  );
}
