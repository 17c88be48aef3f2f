// Which days: earlier, later, so many up to now, or from one date to another.
// The choice is in the address.
import { useState } from 'preact/hooks';
import { go, href, place } from '../route';
import { localDate } from '../units/words';
import { addDays, count, daysOf, moved, type Days } from './days';

/** Puts days into the address; today's are left out, so that the window moves on. */
function choose(days: { from: string; to: string } | undefined): void {
  const query = new URLSearchParams(place.value.query);
  for (const key of ['from', 'to'] as const) {
    if (days) query.set(key, days[key]);
    else query.delete(key);
  }
  go(href(place.value.page, query));
}

/** length: the days that are shown where the address names none. */
export function WindowChooser({ now, timeZone, length = 7, most = 92 }: { now: number; timeZone: string; length?: number; most?: number }) {
  const days = daysOf(place.value.query, now, timeZone, length);
  const today = localDate(now, timeZone);
  const n = count(days);
  return (
    <div class="window" role="group" aria-label="Which days">
      <button type="button" onClick={() => choose(moved(days, -n, today))}>Earlier</button>
      <button type="button" disabled={days.now} onClick={() => choose(moved(days, n, today))}>Later</button>
      <button type="button" aria-pressed={days.now && n === 1} onClick={() => choose({ from: today, to: today })}>Today</button>
      <button type="button" aria-pressed={days.now && n === length} onClick={() => choose(undefined)}>Last {length} days</button>
      {most >= 28 && length !== 28 && <button type="button" aria-pressed={days.now && n === 28} onClick={() => choose({ from: addDays(today, -27), to: today })}>Last 28 days</button>}
      <Dates key={`${days.from} ${days.to}`} days={days} today={today} most={most} />
    </div>
  );
}

function Dates({ days, today, most }: { days: Days; today: string; most: number }) {
  const [from, setFrom] = useState(days.from);
  const [to, setTo] = useState(days.to);
  const [wrong, setWrong] = useState('');
  const show = (e: Event) => {
    e.preventDefault();
    const asked = { from, to, now: false };
    if (!from || !to) setWrong('Give both dates.');
    else if (from > to) setWrong('The first day lies after the last one.');
    else if (to > today) setWrong('The last day is yet to come.');
    else if (count(asked) > most) setWrong(`At most ${most} days can be shown: these are ${count(asked)}.`);
    else choose({ from, to });
  };
  return (
    <form class="dates" onSubmit={show}>
      <label>From <input type="date" value={from} max={today} onInput={(e) => setFrom(e.currentTarget.value)} /></label>
      <label>to <input type="date" value={to} max={today} onInput={(e) => setTo(e.currentTarget.value)} /></label>
      <button type="submit">Show</button>
      {wrong && <p class="warn" role="alert">{wrong}</p>}
    </form>
  );
}
