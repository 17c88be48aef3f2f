// Sentences with their numbers marked for what they are: times and durations as
// <time>, and what the API counted with the place where it stands, so that the
// page's test can hold it to the API.
import { Num } from '../figure/number';

/** A number of the API in a sentence. */
export interface Told {
  value: number;
  /** the answer, and the JSON pointer in it */
  answer: string;
  at: string;
  /** as people read it */
  shown: string;
}

export type Words = (string | Told)[];

/** The sentence as plain text. */
export const plain = (words: Words): string => words.map((w) => (typeof w === 'string' ? w : w.shown)).join('');

const duration = /(?:\d+\u00a0(?:d|h|min|s)\b\u00a0?)+/.source;
const moment = /(?:(?:Mon|Tue|Wed|Thu|Fri|Sat|Sun) \d+ \w{3} )?\d\d:\d\d(?::\d\d)?/.source;
const timely = new RegExp(`(${duration}|${moment})`);

/** Durations and moments of a text, as a machine may read them. */
function Timed({ text }: { text: string }) {
  return <>{text.split(timely).map((part, i) => (i % 2 === 0 || part === '' ? part : <time key={i}>{part}</time>))}</>;
}

export function Said({ words }: { words: string | Words }) {
  const list = typeof words === 'string' ? [words] : words;
  return (
    <>
      {list.map((w, i) => (typeof w === 'string'
        ? <Timed key={i} text={w} />
        : <span key={i} data-answer={w.answer} data-moves><Num value={w.value} at={w.at}>{w.shown}</Num></span>))}
    </>
  );
}
