// The line in the head of every page while an alarm stands. It says what and since
// when, and leads to the page Alarms; nothing is there while none stands.
import { answerOf, type Alarms, type StandingAlarm } from '../api';
import { useAsked } from '../api/asked';
import type { Live } from '../live/live';
import { href } from '../route';
import { clockMinute, day, localDate } from '../units/words';
import { AlarmMark } from './mark';
import { asking } from './order';

const path = '/api/v1/alarms';

/** What stands and asks for a look, the gravest first; undefined: not heard yet. */
export function useAlarms(live: Live): StandingAlarm[] | undefined {
  const asked = useAsked<Alarms>({ held: live.held, tick: live.alarmTick }, { key: path, ask: (signal) => answerOf(path, new URLSearchParams(), signal) });
  const answer = asked.value.value;
  return answer && asking(answer.standing);
}

/** "air end hot, comp1": the rule with what it is about, where its name does not say so. */
export const alarmName = (a: StandingAlarm): string => (a.subject && !a.rule.includes(a.subject) ? `${a.rule}, ${a.subject}` : a.rule);

/** What of an alarm stands in one line: "air end hot, comp1, since 14:02". */
export function lineWords(a: StandingAlarm, now: number, zone: string): string {
  const at = (stamp: string | null) => {
    if (stamp === null) return 'a moment that is not known';
    const ms = Date.parse(stamp);
    return localDate(ms, zone) === localDate(now, zone) ? clockMinute(ms, zone) : `${day(ms, zone)} ${clockMinute(ms, zone)}`;
  };
  if (a.returned) return `${alarmName(a)}, over since ${at(a.returned)}${a.acknowledged ? '' : ', not acknowledged'}`;
  return `${alarmName(a)}, since ${a.since_at_least ? 'at least ' : ''}${at(a.since)}${a.acknowledged ? ', acknowledged' : ''}`;
}

export function AlarmLine({ all, now, zone }: { all: StandingAlarm[]; now: number; zone: string }) {
  const [first] = all;
  return (
    <div class="alarm-line" role="status">
      {first && (
        <a href={href('alarms')}>
          <AlarmMark priority={first.priority} size={18} />
          <span><strong>{all.length === 1 ? '1 alarm' : `${all.length} alarms`}</strong>: {lineWords(first, now, zone)}{all.length > 1 && `, and ${all.length - 1} more`}</span>
        </a>
      )}
    </div>
  );
}
