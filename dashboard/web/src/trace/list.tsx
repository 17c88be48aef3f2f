// What happened in the view, in words; each line goes there.
import type { Site } from '../api';
import { Mark } from '../book/mark';
import { entrySubject, entryText, sortOf } from '../book/words';
import { wordFor, type Happening } from './happened';
import { Moment } from './readings';

interface ListProps {
  site: Site;
  happened: Happening[];
  /** the answer is of this view: that there is nothing can be said */
  known: boolean;
  /** there are older ones that the answer has not */
  more: boolean;
  chosen: string;
  go: (key: string) => void;
}

export function HappenedList({ site, happened, known, more, chosen, go }: ListProps) {
  return (
    <section class="happened" aria-labelledby="happened-title">
      <h2 id="happened-title">What happened in this view</h2>
      {known && happened.length === 0 && <p class="aside">Nothing that the book tells of; loads and unloads are in the band of states.</p>}
      {more && <p class="aside">There is more than can be listed: these are the latest. See less time for the others.</p>}
      <ol>
        {happened.map((h) => (
          <li key={h.mark.key} data-sort={h.mark.sort} data-chosen={h.mark.key === chosen}>
            <button type="button" class="plain" aria-pressed={h.mark.key === chosen} onClick={() => go(h.mark.key)}><Moment ms={h.mark.from} timeZone={site.timezone} /></button>
            <Mark sort={sortOf(h.event)} />
            <span class="sort">{wordFor(h)}</span>
            <span class="text" data-words>{entrySubject(h.event) && <b>{entrySubject(h.event)} </b>}{entryText(h.event)}</span>
          </li>
        ))}
      </ol>
    </section>
  );
}
