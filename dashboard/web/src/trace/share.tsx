// What leaves the page: the readings as a file, the view as a link, and a note
// that is written at a moment.
import { useState } from 'preact/hooks';
import { NoteForm } from '../book/form';
import { Operating } from '../door/operating';
import type { Site } from '../api';
import { traceHref, type TraceView } from './address';
import { exportAddress } from './ask';
import { Moment } from './readings';
import type { Span } from './window';

/** A link shows the same to everyone: one that followed the present would not. */
export function linkOf(location: { href: string }, view: TraceView, shown: Span, channels: string[], machines: string[]): string {
  const hash = traceHref({ ...view, channels, machines, from: shown.from, to: shown.to, span: undefined });
  return new URL(hash, location.href).href;
}

export function Share({ link, window: w, channels }: { link: string; window: Span; channels: string[] }) {
  const [copied, setCopied] = useState('');
  const [told, setTold] = useState('');
  const copy = async () => {
    setTold('');
    try {
      await navigator.clipboard.writeText(link); // absent on a page that came over plain http from elsewhere
      setCopied(link);
      setTold('The link is copied. It shows what you see now, whenever it is opened.');
    } catch {
      setCopied('');
      setTold('This browser does not let the page copy: take the link from the field.');
    }
  };
  return (
    <section class="share" aria-labelledby="share-title">
      <h2 id="share-title">Take it along</h2>
      <p>
        <a href={exportAddress(w, channels)} download>These readings as a CSV file</a>
        <span class="aside"> Each reading of the channels drawn, from the plot’s first moment to its last, in the units of the register maps.</span>
      </p>
      <p class="share-link">
        <button type="button" onClick={() => void copy()}>Copy the link</button>
        <label>Link to this view <input type="text" readOnly value={link} onFocus={(e) => e.currentTarget.select()} /></label>
      </p>
      <p class="aside" role="status">{told && (copied === '' || copied === link) ? told : ''}</p>
    </section>
  );
}

export function NoteAt({ site, now, at, kept }: { site: Site; now: number; at: number | undefined; kept: () => void }) {
  return (
    <section class="note-at" aria-label="Write a note">
      {at === undefined
        ? <p class="aside">To write a note at a moment, set cursor A there. Without it the note is of now.</p>
        : <p>It will stand in the book at cursor A, <Moment ms={at} timeZone={site.timezone} />.</p>}
      <Operating what="write notes"><NoteForm site={site} now={now} corrects={undefined} done={kept} at={at} /></Operating>
    </section>
  );
}
