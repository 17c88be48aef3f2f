// A number that is shown, with where the API has it: the page's tests fetch the
// answer that an ancestor names (data-answer) and hold the number to it.
import type { ComponentChildren } from 'preact';

/**
 * value is as the API gives it, in its unit; at is the JSON pointer to it in the
 * answer; the children are what people read. less and plus: pointers to what was
 * taken from it or added to it before it was rounded, as the ends of an interval
 * are made. unit: what it is shown in, where that is not the usual one of its kind.
 */
export function Num({ value, at, less, plus, unit, children }: { value: number; at: string; less?: string; plus?: string; unit?: string; children: ComponentChildren }) {
  return <data value={String(value)} data-at={at} data-less={less} data-plus={plus} data-unit={unit}>{children}</data>;
}

/** An answer's address with its window as it was answered, so that it can be asked again. */
export function answerAddress(path: string, query: Record<string, string | undefined>): string {
  const text = new URLSearchParams(Object.entries(query).filter((e): e is [string, string] => e[1] !== undefined && e[1] !== '')).toString();
  return text ? `${path}?${text}` : path;
}
