// What the record depends on: the computer's sleep, its clock and its disk, and the
// log that proves it; below, what happened to it.
import type { ComponentChildren } from 'preact';
import type { MissedAnswer, Site } from '../api';
import { Operating } from '../door/operating';
import { Num } from '../figure/number';
import { duration, when } from '../units/words';
import { backup, save, verdictWords, verify } from './acts';
import { Deed } from './deed';
import { bytes } from './words';

interface Shown { answer: MissedAnswer; site: Site; now: number }

function Row({ term, children }: { term: string; children: ComponentChildren }) {
  return <div><dt>{term}</dt><dd>{children}</dd></div>;
}

function Size({ value, at }: { value: number; at: string }) {
  const shown = bytes(value);
  return <><Num value={value} at={at} unit={shown.unit}>{shown.value}</Num>{` ${shown.unit}`}</>;
}

/** Beyond this nobody counts, and no disk lasts. */
const longDays = 3652;

const sleepWords = {
  never: 'It cannot fall asleep.',
  held: 'It does not fall asleep by itself while loadscribe runs.',
  may: 'It may fall asleep, and then nothing is recorded.',
  unknown: 'Whether it falls asleep is not known: look at its energy settings.',
};

export function Sleep({ answer }: { answer: MissedAnswer }) {
  const { awake, slept } = answer;
  return (
    <section class="part" aria-labelledby="sleep-title" data-sleep={awake?.sleep}>
      <h2 id="sleep-title">Sleep of this computer</h2>
      <p class={awake?.sleep === 'may' ? 'warn' : undefined}>{awake ? sleepWords[awake.sleep] : 'Nothing records now, so that its sleep does not matter.'}</p>
      <dl>
        {awake && <Row term="Why">{<span data-words>{awake.why}</span>}</Row>}
        {awake?.how && <Row term="Known by"><span data-words>{awake.how}</span></Row>}
        {awake?.mend && <Row term="What to do"><span data-words>{awake.mend}</span></Row>}
        <Row term="In these days">{slept.times === 0 ? 'it was not seen to sleep' : <>it slept <Num value={slept.times} at="/slept/times">{slept.times}</Num> {slept.times === 1 ? 'time' : 'times'}, <Num value={slept.for_s} at="/slept/for_s">{duration(slept.for_s * 1000)}</Num> in all</>}</Row>
      </dl>
    </section>
  );
}

export function Clock({ answer }: { answer: MissedAnswer }) {
  const c = answer.clock;
  return (
    <section class="part" aria-labelledby="clock-title">
      <h2 id="clock-title">Clock</h2>
      <p class={c.set && c.kept !== false ? undefined : 'warn'}>{!c.set ? 'The computer’s clock says a time that cannot be.' : c.kept === undefined ? 'Whether anything keeps the computer’s clock right is not known.' : c.kept ? 'The system keeps the computer’s clock right.' : 'Nothing keeps the computer’s clock right: it drifts.'}</p>
      <dl>
        {c.max_error_ms !== undefined && <Row term="Wrong by">at most <Num value={c.max_error_ms} at="/clock/max_error_ms">{c.max_error_ms < 10 ? c.max_error_ms.toFixed(1) : c.max_error_ms.toFixed(0)}</Num> ms, says the system</Row>}
        <Row term="In these days">{c.steps === 0 ? 'it was not set' : <>it was set <Num value={c.steps} at="/clock/steps">{c.steps}</Num> {c.steps === 1 ? 'time' : 'times'}, by <Num value={c.largest_step_s} at="/clock/largest_step_s">{duration(c.largest_step_s * 1000)}</Num> at most</>}</Row>
        <Row term="Time zone"><span data-words>{c.zone}</span>, the site’s; readings are kept in UTC with a second clock that nobody sets, so that durations are right even where labels were not</Row>
      </dl>
    </section>
  );
}

export function Disk({ answer, site, now }: Shown) {
  const d = answer.disk;
  const at = (stamp: string) => <time dateTime={stamp}>{when(Date.parse(stamp), now, site.timezone)}</time>;
  return (
    <section class="part" aria-labelledby="disk-title">
      <h2 id="disk-title">Disk and copies</h2>
      <p>{d.days_left === null || d.free_bytes === null ? 'How long the disk lasts is not known yet: it takes a day of readings to tell.' : d.days_left > longDays ? 'There is room for ten years and more.' : <>There is room for <Num value={d.days_left} at="/disk/days_left">{d.days_left >= 10 ? d.days_left.toFixed(0) : d.days_left.toFixed(1)}</Num> more days.</>}</p>
      <dl>
        <Row term="Record"><Size value={d.directory_bytes} at="/disk/directory_bytes" />{d.record_from && <>, from {at(d.record_from)} on</>}</Row>
        {d.bytes_per_day !== null && <Row term="A day takes"><Size value={d.bytes_per_day} at="/disk/bytes_per_day" /></Row>}
        {d.free_bytes !== null && <Row term="Free"><Size value={d.free_bytes} at="/disk/free_bytes" /></Row>}
        <Row term="Kept">{d.keep_raw_days === null ? 'every reading, for good' : <>raw readings for <Num value={d.keep_raw_days} at="/disk/keep_raw_days">{d.keep_raw_days}</Num> days, figures and hashes for good</>}{d.raw_from && <>; of before {at(d.raw_from)} there are summaries alone</>}</Row>
        <Row term="Backups">{!d.backups ? 'none is scheduled in the site file' : d.last_backup ? <>the last one was made {at(d.last_backup)}</> : 'scheduled; none is there yet'}</Row>
      </dl>
      <Operating what="take copies of the record"><Deed label="Take a backup now" busy="The record is copied; recording goes on" act={backup}
        done={(copy) => <p>The copy, <span data-words>{`${bytes(copy.bytes).value} ${bytes(copy.bytes).unit}`}</span>, is on its way to your browser’s downloads as <span data-words>{copy.name}</span>. Look there that it arrives whole, and keep it on another computer.</p>} /></Operating>
    </section>
  );
}

export function Evidence({ answer, site, now }: Shown) {
  const { head, absent } = answer.evidence;
  const at = (stamp: string) => <time dateTime={stamp}>{when(Date.parse(stamp), now, site.timezone)}</time>;
  return (
    <section class="part" aria-labelledby="evidence-title">
      <h2 id="evidence-title">Proof</h2>
      {!head && <p class="aside">There is no checkpoint: <span data-words>{absent}</span>.</p>}
      {head && (
        <>
          <p>The evidence log has <Num value={head.size} at="/evidence/head/size">{head.size}</Num> leaves; its newest checkpoint was signed{head.made && <> {at(head.made)}</>}.</p>
          <dl>
            {head.to && <Row term="It covers">readings up to {at(head.to)}</Row>}
            <Row term="Key"><code>{head.key}</code></Row>
            <Row term="Keep outside">the checkpoint and the key’s name above, away from this computer: mailed, or printed. Whoever has them can show later that nothing before was changed, without trusting this computer.</Row>
          </dl>
          <details><summary>The checkpoint</summary><pre tabIndex={0} class="checkpoint" data-words>{head.checkpoint}</pre></details>
          <div class="deed"><button type="button" onClick={() => save(new Blob([head.checkpoint], { type: 'text/plain' }), 'checkpoint.txt')}>Save the checkpoint</button></div>
        </>
      )}
      <Deed label="Check the whole log now" busy="Every block is read and hashed again" act={verify}
        done={(v) => (
          <>
            <p class={v.sound ? 'verdict' : 'verdict warn'} data-words>{verdictWords(v)}</p>
            {v.breaks.length > 0 && <ul class="breaks">{v.breaks.map((b) => <li key={`${b.what} ${b.leaf} ${b.text}`} data-words>{b.text}</li>)}</ul>}
          </>
        )} />
    </section>
  );
}

/** What happened to the record, newest first. */
export function Events({ answer, site, now }: Shown) {
  if (answer.events.length === 0) return null;
  return (
    <section class="befallen" aria-labelledby="befallen-title">
      <h2 id="befallen-title">What happened to the record</h2>
      <details>
        <summary>Starts, stops, clock, disk and settings</summary>
        <ul>
          {answer.events.map((e) => <li key={e.seq}><time dateTime={e.time}>{when(Date.parse(e.time), now, site.timezone)}</time> <span data-words>{e.subject ? `${e.subject}: ` : ''}{e.text}</span></li>)}
        </ul>
        {answer.events_more > 0 && <p class="aside"><Num value={answer.events_more} at="/events_more">{answer.events_more}</Num> older ones are left out: the Service book and <code>loadscribe events</code> have them.</p>}
      </details>
    </section>
  );
}
