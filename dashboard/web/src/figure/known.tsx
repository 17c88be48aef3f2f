// How we know, of anything: a figure, a row of a table, a chart. Closed until
// it is opened; what is not known of it is left out.
import type { ComponentChildren } from 'preact';
import { clock, day, localDate } from '../units/words';
import { Num } from './number';

/** What is known of something. Sentences as the API gives them. */
export interface Facts {
  /** why there is no value */
  absent?: string | undefined;
  atLeastWhy?: string | undefined;
  note?: string | undefined;
  method?: string | undefined;
  /** what a share or a mean is taken over */
  over?: string | undefined;
  inputs?: string[] | undefined;
  /** each as a sentence */
  instruments?: string[] | undefined;
  /** when it was so, Unix ms */
  when?: { from: number; to: number; timeZone: string } | undefined;
  /** the interval in words, or that none is stated */
  uncertainty?: ComponentChildren;
  /** what the uncertainty comes from */
  parts?: ComponentChildren;
  /** what one more instrument buys */
  narrower?: ComponentChildren;
  limit?: ComponentChildren;
  atMost?: ComponentChildren;
  coverage?: { value: number; at: string } | undefined;
}

/** Percent of the window that was observed; never rounded up to all of it. */
function coveragePercent(coverage: number): string {
  return (Math.floor(coverage * 1000) / 10).toFixed(1);
}

export function coverageText(coverage: number): string {
  return coverage >= 1 ? 'the whole window was observed' : `${coveragePercent(coverage)} % of the window was observed`;
}

function Coverage({ value, at }: { value: number; at: string }) {
  if (value >= 1) return <>{coverageText(value)}</>;
  return <><Num value={value} at={at}>{coveragePercent(value)}</Num> % of the window was observed</>;
}

/** "Wed 25 Nov, 14:00:00 to 14:15:00"; the second day is told where it is another. */
export function Span({ from, to, timeZone }: { from: number; to: number; timeZone: string }) {
  const iso = (ms: number) => new Date(ms).toISOString();
  const other = localDate(from, timeZone) !== localDate(to, timeZone);
  return (
    <>
      <time dateTime={iso(from)}>{`${day(from, timeZone)}, ${clock(from, timeZone)}`}</time>
      {to > from && <> to <time dateTime={iso(to)}>{other ? `${day(to, timeZone)}, ${clock(to, timeZone)}` : clock(to, timeZone)}</time></>}
    </>
  );
}

const said = (text: ComponentChildren) => <span data-words>{text}</span>;

/** title: what it is how we know of; look: the address in Trace of the readings behind it, empty: there are none to go to. */
export function Known({ title, facts, look = '' }: { title: string; facts: Facts; look?: string }) {
  const { absent, atLeastWhy, note, method, over, inputs, instruments, when, uncertainty, parts, narrower, limit, atMost, coverage } = facts;
  return (
    <details class="known">
      <summary>How we know<span class="visually-hidden">: {title}</span></summary>
      <dl>
        {absent && <Row term="Why not">{said(absent)}</Row>}
        {atLeastWhy && <Row term="At least, since">{said(atLeastWhy)}</Row>}
        {note && <Row term="To be read with it">{said(note)}</Row>}
        {when && <Row term="When">{Span(when)}</Row>}
        {method && <Row term="Method">{said(method)}</Row>}
        {over && <Row term="Over">{said(over)}</Row>}
        {limit && <Row term="Held to">{limit}</Row>}
        {atMost && <Row term="At most">{atMost}</Row>}
        {inputs && inputs.length > 0 && <Row term="Inputs">{said(inputs.join(', '))}</Row>}
        {instruments && instruments.length > 0 && <Row term="Instruments">{said(instruments.join('; '))}</Row>}
        {uncertainty && <Row term="Uncertainty">{uncertainty}</Row>}
        {parts && <Row term="It comes from">{parts}</Row>}
        {narrower && <Row term="What would narrow it">{narrower}</Row>}
        {coverage && <Row term="Coverage">{Coverage(coverage)}</Row>}
      </dl>
      {look && <p><a href={look}>Look at the readings<span class="visually-hidden"> behind {title}</span></a></p>}
    </details>
  );
}

function Row({ term, children }: { term: string; children: ComponentChildren }) {
  return (
    <div>
      <dt>{term}</dt>
      <dd>{children}</dd>
    </div>
  );
}
