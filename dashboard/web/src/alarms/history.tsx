// What was before: each time an alarm was raised, returned, was acknowledged or
// shelved, newest first.
import { useState } from 'preact/hooks';
import { fetchEvents, type Event, type EventsAnswer } from '../api';
import { useAsked } from '../api/asked';
import type { Live } from '../live/live';
import { Standing } from '../look/standing';
import { At } from './moment';

const pageSize = 30;
const mostShown = 3_000;

const stateWord: Record<string, string> = { raised: 'raised', returned: 'returned', acknowledged: 'acknowledged', shelved: 'shelved', unshelved: 'off the shelf' };

export function History({ live, zone, now }: { live: Live; zone: string; now: number }) {
  const [limit, setLimit] = useState(pageSize);
  const key = `alarms ${limit}`;
  const asked = useAsked<EventsAnswer>({ held: live.held, tick: live.alarmTick }, { key, ask: (signal) => fetchEvents({ kinds: ['alarm'], changes: [], subjects: [], limit }, signal) });
  const answer = asked.value.value;
  return (
    <section aria-labelledby="history-title">
      <h2 id="history-title">What was before</h2>
      <Standing asked={asked} what="what was before" question={key} />
      {answer?.events.length === 0 && <p class="aside">No alarm was ever raised.</p>}
      <ol class="history">{answer?.events.map((e) => <Entry key={e.seq} event={e} zone={zone} now={now} />)}</ol>
      {answer?.next && limit < mostShown && <button type="button" onClick={() => setLimit(Math.min(mostShown, limit * 3))}>Turn back further</button>}
    </section>
  );
}

function Entry({ event: e, zone, now }: { event: Event; zone: string; now: number }) {
  const { state = '', rule = '', subject, says, who, why, until } = e.data;
  return (
    <li data-state={state}>
      <At stamp={e.time} zone={zone} now={now} />
      <span>{stateWord[state] ?? state}</span>
      <span>
        <strong data-words>{rule}</strong>{subject && (state === 'acknowledged' || !says?.includes(subject)) && <span data-words>, {subject}</span>}
        {state !== 'acknowledged' && says && <span data-words>: {says}</span>}
        {until && <> until <At stamp={until} zone={zone} now={now} /></>}
        {who && <span data-words>{state === 'raised' || state === 'returned' ? ', ' : ' by '}{who}{why && `: ${why}`}</span>}
      </span>
    </li>
  );
}
