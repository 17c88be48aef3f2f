// How long, and when: what the reader can do to the window without the plot.
import { useState } from 'preact/hooks';
import { clock, localDate } from '../units/words';
import { siteTime } from '../book/words';
import { about, spans, type Span } from './window';

interface ToolbarProps {
  window: Span;
  follows: boolean;
  least: number;
  now: number;
  timeZone: string;
  /** to: undefined follows the present */
  choose: (window: Span | { span: number }) => void;
}

export function Toolbar({ window: w, follows, least, now, timeZone, choose }: ToolbarProps) {
  const span = w.to - w.from;
  const middle = (w.from + w.to) / 2;
  const all = Math.ceil((now - least) / 60_000) * 60_000;
  const near = (ms: number) => Math.abs(span - ms) < ms / 200;
  const length = (ms: number) => choose(follows ? { span: ms } : about(middle, ms, least, now));
  return (
    <div class="trace-bar">
      <div class="choose" role="group" aria-label="How long">
        {spans.map((s) => <button key={s.key} type="button" aria-pressed={near(s.ms)} onClick={() => length(s.ms)}>{s.title}</button>)}
        <button type="button" aria-pressed={follows && span >= all - 60_000} onClick={() => choose({ span: Math.max(all, 60_000) })}>All</button>
      </div>
      <div class="choose" role="group" aria-label="Which time">
        <button type="button" disabled={w.from <= least} onClick={() => choose(about(middle - span / 2, span, least, now))}>Earlier</button>
        <button type="button" disabled={follows} onClick={() => choose(w.to + span / 2 >= now ? { span } : about(middle + span / 2, span, least, now))}>Later</button>
        <button type="button" onClick={() => length(span / 2)}>Closer</button>
        <button type="button" disabled={span >= all} onClick={() => length(Math.min(span * 2, all))}>Wider</button>
        <button type="button" aria-pressed={follows} onClick={() => choose(follows ? w : { span })}>Follow the present</button>
      </div>
      <Between key={follows ? 'now' : `${w.from} ${w.to}`} window={w} timeZone={timeZone} now={now} choose={choose} />
    </div>
  );
}

const local = (ms: number, timeZone: string) => `${localDate(ms, timeZone)}T${clock(ms, timeZone).slice(0, 5)}`;

function Between({ window: w, timeZone, now, choose }: { window: Span; timeZone: string; now: number; choose: (w: Span) => void }) {
  const [from, setFrom] = useState(local(w.from, timeZone));
  const [to, setTo] = useState(local(w.to, timeZone));
  const [wrong, setWrong] = useState('');
  const show = (e: Event) => {
    e.preventDefault();
    const [a, b] = [siteTime(from, timeZone), siteTime(to, timeZone)];
    if (a === undefined || b === undefined) setWrong('Give both times.');
    else if (a >= b) setWrong('The first time is not before the second.');
    else if (a >= now) setWrong('That time is yet to come.');
    else choose({ from: a, to: Math.min(b, Math.floor(now)) });
  };
  return (
    <details class="trace-between">
      <summary>From one time to another</summary>
      <form class="dates" onSubmit={show} noValidate>
        <label>From <input type="datetime-local" value={from} onInput={(e) => setFrom(e.currentTarget.value)} /></label>
        <label>to <input type="datetime-local" value={to} onInput={(e) => setTo(e.currentTarget.value)} /></label>
        <button type="submit">Show</button>
        {wrong && <p class="warn" role="alert">{wrong}</p>}
      </form>
    </details>
  );
}
