// What is sent on to others, how far behind that is, and what a receiver refused.
import type { MissedAnswer, RemoteWrite, Site } from '../api';
import { Num } from '../figure/number';
import { duration, when } from '../units/words';
import { bytes } from './words';

interface Shown { answer: MissedAnswer; site: Site; now: number }

/** Less behind than this is what a step of sending and a look take, ms. */
const soonMs = 120_000;

/** The samples a receiver refused, in the words of its reasons. */
const reasonWords: Record<string, string> = {
  out_of_order: 'older than what it has of the series', duplicate: 'of a time of which it has another value', too_old: 'older than it takes', too_large: 'too large for it', other: 'for a reason of its own',
};

export function SentOn({ answer, site, now }: Shown) {
  if (answer.receivers.length === 0) return null;
  return (
    <section class="part sent" aria-labelledby="sent-title">
      <h2 id="sent-title">Sent on</h2>
      {answer.receivers.map((r, i) => <Receiver key={r.name} receiver={r} at={`/receivers/${i}`} zone={site.timezone} now={now} />)}
    </section>
  );
}

function Receiver({ receiver: r, at, zone, now }: { receiver: RemoteWrite; at: string; zone: string; now: number }) {
  const moment = (stamp: string) => <time dateTime={stamp}>{when(Date.parse(stamp), now, zone)}</time>;
  const size = bytes(r.bytes);
  const refused = Object.entries(r.refused).filter(([, n]) => n > 0);
  const left = Object.entries(r.left_out).filter(([, n]) => n > 0);
  return (
    <div data-receiver={r.name} data-state={r.state}>
      <h3><span data-words>{r.name}</span><span class="role-word"> at <span data-words>{r.to}</span></span></h3>
      <p class={r.state === 'sending' ? undefined : 'warn'}>{sentence(r, at)}</p>
      <dl>
        {r.why && <div><dt>Why</dt><dd><span data-words>{r.why}</span>{r.since && <>, since {moment(r.since)}</>}</dd></div>}
        {r.mend && <div><dt>What to do</dt><dd data-words>{r.mend}</dd></div>}
        <div><dt>Delivered</dt><dd><Num value={r.samples} at={`${at}/samples`}>{r.samples}</Num> samples{r.newest && <>, up to {moment(r.newest)}</>}</dd></div>
        <div><dt>Sent for it</dt><dd><Num value={r.bytes} at={`${at}/bytes`} unit={size.unit}>{size.value}</Num>{` ${size.unit} in `}<Num value={r.requests} at={`${at}/requests`}>{r.requests}</Num> requests{r.retried > 0 && <>, <Num value={r.retried} at={`${at}/retried`}>{r.retried}</Num> of them again</>}</dd></div>
        {refused.length > 0 && <div><dt>Refused for good</dt><dd>{refused.map(([reason, n], i) => <span key={reason}>{i > 0 && '; '}<Num value={n} at={`${at}/refused/${reason}`}>{n}</Num> {reasonWords[reason] ?? reason}</span>)}{r.aside && <>. They stand in <code data-words>{r.aside}</code></>}</dd></div>}
        {r.missed_scans > 0 && <div><dt>No longer kept</dt><dd><Num value={r.missed_scans} at={`${at}/missed_scans`}>{r.missed_scans}</Num> scans were gone before it was their turn</dd></div>}
        {left.length > 0 && <div><dt>Left out</dt><dd>{left.map(([reason, n], i) => <span key={reason}>{i > 0 && '; '}<Num value={n} at={`${at}/left_out/${reason}`}>{n}</Num> <span data-words>{reason}</span></span>)}</dd></div>}
        {r.cursor_fault && <div><dt>Place not kept</dt><dd data-words>{r.cursor_fault}</dd></div>}
        {r.note && <div><dt>At the start</dt><dd data-words>{r.note}</dd></div>}
      </dl>
    </div>
  );
}

function sentence(r: RemoteWrite, at: string) {
  const behind = r.behind_s * 1000 > soonMs && <>, <Num value={r.behind_s} at={`${at}/behind_s`}>{duration(r.behind_s * 1000)}</Num> of readings wait</>;
  switch (r.state) {
    case 'sending':
      return behind ? <>It is behind{behind} and are on their way.</> : 'What is stored is sent on.';
    case 'failing':
      return <>Nothing gets through{behind}; it is tried again by itself.</>;
    case 'held':
      return <>It waits for somebody to mend it{behind}.</>;
    default:
      return <>Nobody sends now{behind}.</>;
  }
}
