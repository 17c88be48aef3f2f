// A guided test as it stands: what to do now, how far it is, the pressure it goes
// by, and the way out.
import { useEffect, useMemo, useRef } from 'preact/hooks';
import { useSignal } from '@preact/signals';
import { post, type Site, type SiteChannel, type TestStatus } from '../api';
import { mayOperate } from '../door/state';
import { Num } from '../figure/number';
import type { Live, View } from '../live/live';
import { useWidth } from '../look/measure';
import { Picture } from '../plot/picture';
import { summary } from '../plot/words';
import { colours } from '../settings';
import { traceHref } from '../trace/address';
import { channelDisplay, convert, type UnitSystem } from '../units/units';
import { clock, duration } from '../units/words';
import { Course, isOver, leadMs, longestMs, phaseWord, testWord } from './course';

interface Props { live: Live; site: Site; view: View; system: UnitSystem; status: TestStatus; at: string | undefined; focus: boolean; again: () => void; away: () => void }

export function Running({ live, site, view, system, status, at, focus, again, away }: Props) {
  const head = useRef<HTMLHeadingElement>(null);
  const wrong = useSignal('');
  const over = isOver(status);
  useEffect(() => { if (focus) head.current?.focus(); }, [focus]); // the socket may tell of it before its beginning is answered
  useEffect(() => { if (over) again(); }, [over]);
  const cancel = async () => {
    try {
      const s = (await post('/api/v1/tests/cancel', { system: status.system })) as TestStatus;
      live.tests.value = { ...live.tests.value, [s.system]: s };
      wrong.value = '';
    } catch (e) {
      wrong.value = e instanceof Error ? e.message : String(e);
    }
    again();
  };
  const started = status.started === null ? undefined : Date.parse(status.started);
  const channel = site.channels.find((c) => c.id === status.channel);
  return (
    <div class="running" data-phase={status.phase} data-test={status.test}>
      <h3 tabIndex={-1} ref={head}>{testWord[status.test]}{status.machine && <> of <span data-words>{status.machine}</span></>}: {phaseWord[status.phase]}</h3>
      <p class="instruction" role="status" aria-live="polite"><span data-words>{status.instruction}</span></p>
      {status.why && <p class="warn"><span data-words>{`Given up: ${status.why}`}</span>.</p>}
      {!over && (
        <>
          <progress max={Math.max(1, status.needed)} value={Math.min(status.done, status.needed)} aria-label="How much of it counts already" />
          <p>
            <Count value={status.done} at={at && `${at}/done`} /> of <Count value={status.needed} at={at && `${at}/needed`} /> {status.test === 'leak' ? 'load cycles' : 'rises'} count
            {status.needs && <>; it needs <span data-words>{status.needs}</span></>}.
          </p>
        </>
      )}
      {status.so_far && <p>So far: <strong data-words>{status.so_far}</strong></p>}
      {status.detail && <p class="aside"><span data-words>{status.detail}</span></p>}
      {channel && started !== undefined && <Curve live={live} site={site} channel={channel} started={started} end={over && status.seen !== null ? Date.parse(status.seen) : undefined} now={view.now} system={system} />}
      <p class="aside">
        By <span data-words>{status.who}</span>{started !== undefined && <>, begun <time dateTime={status.started ?? ''}>{clock(started, site.timezone)}</time></>}; it goes by <span data-words>{status.tap}</span>.
        {!over && ' If this page is closed, the test goes on in the agent; a restart of the agent loses it.'}
      </p>
      {wrong.value && <p class="warn" role="alert"><span data-words>{wrong.value}</span></p>}
      <div class="form-end">
        {over ? <button type="button" onClick={away}>{status.phase === 'done' ? 'Read; put it away' : 'Put it away'}</button> : mayOperate.value && <button type="button" onClick={() => void cancel()}>Break it off; nothing is filed</button>}
      </div>
    </div>
  );
}

/** A count of the answer, or of what the socket told before it is in one. */
function Count({ value, at }: { value: number; at: string | undefined }) {
  return at === undefined ? <data data-count value={String(value)}>{value}</data> : <Num value={value} at={at}>{value}</Num>;
}

/** The curve follows at most once in this time. */
const stepMs = 1_000;

function Curve({ live, site, channel, started, end, now, system }: { live: Live; site: Site; channel: SiteChannel; started: number; end: number | undefined; now: number; system: UnitSystem }) {
  const [ref, width] = useWidth<HTMLDivElement>();
  const course = useMemo(() => new Course(channel, Math.max(started - leadMs, live.now() - longestMs)), [channel.id, started]);
  useEffect(() => {
    const undo = live.record(course);
    course.refill();
    return () => { undo(); course.stop(); };
  }, [course]);
  const to = Math.ceil((end ?? now) / stepMs) * stepMs;
  const from = Math.max(started - leadMs, to - longestMs);
  const display = channelDisplay(channel, system);
  const lanes = useMemo(() => [{
    key: channel.id, unit: display.unit, guides: [], zeroBased: false, height: 150,
    curves: [{ ...course.ring.columns((v) => convert(display, v)), id: channel.id, name: channel.name.replaceAll('_', ' '), look: 0, decimals: display.decimals, bit: false }],
  }], [course, course.loads.value, to, system]);
  return (
    <>
      {course.failed.value && <p class="warn">What was before could not be fetched: <span data-words>{course.failed.value}</span>. Readings that come are drawn.</p>}
      <div class="course" ref={ref} role="img" aria-label={`${summary(lanes, from, to, 0, site.timezone)} The test has lasted ${duration(to - started)}.`}>
        {width > 0 && <Picture lanes={lanes} states={[]} from={from} to={to} width={width} timeZone={site.timezone} colours={colours.value} />}
      </div>
      <p><a class="across" href={traceHref({ channels: [channel.id], from, to, a: started })}>These readings in Trace, with their table</a></p>
    </>
  );
}
