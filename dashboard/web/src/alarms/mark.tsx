// An alarm's priority as a shape: the higher, the fuller. The word stands beside it.
import type { StandingAlarm } from '../api';

export type Priority = StandingAlarm['priority'];

export const priorityWord: Record<Priority, string> = { high: 'high priority', medium: 'medium priority', low: 'low priority' };

export function AlarmMark({ priority, size }: { priority: Priority; size: number }) {
  return (
    <svg class="alarm-mark" width={size} height={size} viewBox="0 0 20 20" aria-hidden="true" focusable="false">
      <path d="M10 2L18.500 17.500h-17z" class={priority === 'high' ? 'full' : 'outline'} />
      {priority !== 'low' && <path d="M10 7.500v5M10 14.300v1.200" class={priority === 'high' ? 'knock' : 'inner'} />}
    </svg>
  );
}
