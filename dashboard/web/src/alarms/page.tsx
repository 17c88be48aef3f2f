// Alarms: what stands, what is watched and whether it can be seen, to whom it is
// told, and what was before.
import { useEffect, useState } from 'preact/hooks';
import { answerOf, type Alarms, type StandingAlarm } from '../api';
import { useAsked } from '../api/asked';
import '../look/form.css';
import { Standing } from '../look/standing';
import type { PageProps } from '../pages';
import './alarms.css';
import { History } from './history';
import { alarmName } from './line';
import { At } from './moment';
import { asking, inOrder } from './order';
import { Rules } from './rules';
import { StandingList } from './standing';
import { Targets } from './targets';

const path = '/api/v1/alarms';
const freshMs = 30_000;

export default function AlarmsPage({ live, site, view }: PageProps) {
  const [told, setTold] = useState<Alarms>();
  const asked = useAsked<Alarms>({ held: live.held, tick: live.alarmTick }, { key: path, everyMs: freshMs, ask: (signal) => answerOf(path, new URLSearchParams(), signal) });
  useEffect(() => setTold(undefined), [asked.value.value]);
  const answer = told ?? asked.value.value;
  const done = (now: Alarms) => {
    setTold(now);
    live.alarmTick.value += 1; // the line in the head asks as well
    asked.again(); // an answer under way may be older
  };
  const shared = { zone: site.timezone, now: view.now, done };
  return (
    <div class="alarms" data-answer={path} data-moves aria-busy={!answer}>
      <div class={view.connection === 'live' ? 'sentence' : 'sentence not-live'}>
        <div>
          <h1 aria-live="polite">{answer ? <Sentence answer={answer} now={view.now} zone={site.timezone} /> : 'Looking whether an alarm stands.'}</h1>
          <Standing asked={asked} what="the alarms" question={path} />
          {answer && <Sight answer={answer} />}
          {answer && <p class="note-line caution" data-words>{answer.caution}</p>}
        </div>
      </div>
      {answer && (
        <>
          {answer.standing.length > 0 && <StandingList all={inOrder(answer.standing)} answer={answer} {...shared} />}
          <Rules answer={answer} {...shared} />
          <Targets answer={answer} {...shared} />
          <History live={live} zone={site.timezone} now={view.now} />
        </>
      )}
    </div>
  );
}

/** What stands now, first. */
function Sentence({ answer, now, zone }: { answer: Alarms; now: number; zone: string }) {
  if (answer.rules.length === 0 && answer.standing.length === 0) return <>No alarm is set.</>;
  const all = asking(answer.standing);
  const bad = all.filter((a) => !a.returned);
  if (bad[0]) return <><Count n={bad.length} one="alarm stands" many="alarms stand" />: <First alarm={bad[0]} now={now} zone={zone} />{bad.length > 1 && <>, and <span data-count>{bad.length - 1}</span> more</>}.{all.length > bad.length && <> <Count n={all.length - bad.length} one="that is over waits" many="that are over wait" /> to be acknowledged.</>}</>;
  if (all.length > 0) return <>What was wrong is over; <Count n={all.length} one="alarm waits" many="alarms wait" /> to be acknowledged.</>;
  return <>No alarm stands{answer.standing.length > 0 && ' but what is shelved'}.</>;
}

/** How much of what is watched cannot be seen. */
function Sight({ answer }: { answer: Alarms }) {
  const blind = answer.rules.filter((r) => r.state === 'blind').length;
  if (blind === 0) return null;
  return <p class="note-line must"><span data-count>{blind}</span> of <span data-count>{answer.rules.length}</span> {answer.rules.length === 1 ? 'rule' : 'rules'} cannot see what {blind === 1 ? 'it watches' : 'they watch'}.</p>;
}

const Count = ({ n, one, many }: { n: number; one: string; many: string }) => <><span data-count>{n}</span> {n === 1 ? one : many}</>;

function First({ alarm: a, now, zone }: { alarm: StandingAlarm; now: number; zone: string }) {
  return <><span data-words>{alarmName(a)}</span>, since {a.since_at_least && 'at least '}<At stamp={a.since} zone={zone} now={now} /></>;
}
