// How an answer stands: on its way, failed, older than it should be. The same
// words on every page.
import type { Asked } from '../api/asked';

/** Says what is wrong or awaited; nothing where the answer is there and answers what is asked now. */
export function Standing<T>({ asked, what, question }: { asked: Asked<T>; what: string; question: string }) {
  const error = asked.error.value;
  const has = asked.value.value !== undefined;
  if (error) {
    return (
      <p class="standing warn" role="status">
        {has ? `Older than it should be: ${error}.` : `Could not fetch ${what}: ${error}.`} Trying again. <button type="button" class="plain" onClick={() => asked.again()}>Try now</button>
      </p>
    );
  }
  if (!has) return <p class="standing" role="status">Fetching {what} …</p>;
  if (asked.answered.value !== question) return <p class="standing" role="status">Fetching {what} of the new view …</p>;
  return null;
}
