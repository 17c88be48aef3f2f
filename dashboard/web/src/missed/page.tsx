// What we missed: what the record lacks, what bounds it, how what it depends on
// stands, and what to do about it.
import { answerOf, type MissedAnswer, type Site } from '../api';
import { useAsked } from '../api/asked';
import { answerAddress, Num } from '../figure/number';
import { apiWindow, daysOf } from '../look/days';
import { Standing } from '../look/standing';
import { WindowChooser } from '../look/window';
import { listed } from '../look/words';
import type { PageProps } from '../pages';
import { place } from '../route';
import { day as dayWords, duration } from '../units/words';
import { Channels } from './channels';
import { Gaps } from './gaps';
import { Devices, LinesNow } from './lines';
import './missed.css';
import { Picture } from './picture';
import { Clock, Disk, Events, Evidence, Sleep } from './record';
import { Report } from './report';
import { SentOn } from './sent';
import { worst } from './words';

const path = '/api/v1/missed';
/** A window that ends now is asked for anew after so long, ms. */
const freshMs = 60_000;

export default function WhatWeMissed({ live, site, view }: PageProps) {
  const days = daysOf(place.value.query, view.now, site.timezone);
  const query = new URLSearchParams(apiWindow(days));
  const key = `${query} ${days.from} ${days.to}`;
  const asked = useAsked<MissedAnswer>({ held: live.held }, { key, everyMs: days.now ? freshMs : undefined, ask: (signal) => answerOf(path, query, signal) });
  const answer = asked.value.value;
  const some = answer?.from && answer.to && answer.from < answer.to;
  const fresh = answer !== undefined && asked.answered.value === key;
  return (
    <div class="missed" data-answer={answer && answerAddress(path, { from: answer.from ?? undefined, to: answer.to ?? undefined })} aria-busy={!fresh}>
      <Sentence answer={answer} site={site} />
      <WindowChooser now={view.now} timeZone={site.timezone} />
      <Standing asked={asked} what="what was missed" question={key} />
      {answer && (
        <>
          <ToDo answer={answer} />
          {some && answer.devices.length > 0 && (
            <section class="reads" aria-labelledby="reads-title">
              <h2 id="reads-title">What was read</h2>
              <p class="aside">Each band is a device over these days: filled where it was read, hatched where it was not.</p>
              <Picture answer={answer} timeZone={site.timezone} />
              <Devices answer={answer} />
              <LinesNow live={live} />
            </section>
          )}
          {some && answer.channels.length > 0 && <Channels answer={answer} site={site} />}
          {some && <Gaps answer={answer} site={site} />}
          <div class="parts" data-moves>
            <Sleep answer={answer} />
            <Clock answer={answer} />
            <Disk answer={answer} site={site} now={view.now} />
            <SentOn answer={answer} site={site} now={view.now} />
            <Evidence answer={answer} site={site} now={view.now} />
            <Report live={live} site={site} days={days} />
          </div>
          <Events answer={answer} site={site} now={view.now} />
        </>
      )}
    </div>
  );
}

/** How much of these days is there, by the device that gave least, and how many channels lack in what was read. */
function Sentence({ answer, site }: { answer: MissedAnswer | undefined; site: Site }) {
  if (!answer) return <h1 class="missed-said">What we missed</h1>;
  if (!answer.from || !answer.to || answer.from === answer.to) return <h1 class="missed-said">Nothing was recorded in these days.</h1>;
  const least = worst(answer);
  const device = least && answer.devices[least.index];
  const [from, to] = [Date.parse(answer.from), Date.parse(answer.to)];
  const polled = answer.devices.length > 0;
  const silent = new Set(answer.channels.map((c) => c.channel)).size;
  return (
    <>
      <h1 class="missed-said">
        {!polled ? 'No device is polled: what is here was imported.'
          : !least || !device ? 'Nothing was due to be read in these days.'
            : device.gaps === 0 && least.share > 0.999 ? (silent === 0 ? 'We missed nothing of a minute or more.' : 'Every device was read.')
              : device.gaps === 0 ? <>We missed single readings, most of <span data-words>{device.device}</span>, but no whole minute.</>
                : <>We missed <Num value={device.gap_s} at={`/devices/${least.index}/gap_s`}>{duration(device.gap_s * 1000)}</Num> of <span data-words>{device.device}</span>{device.gaps > 1 && <>, in <Num value={device.gaps} at={`/devices/${least.index}/gaps`}>{device.gaps}</Num> gaps</>}.</>}
        {silent > 0 && <> {silent === 1 ? 'One channel' : <><span data-count>{silent}</span> channels</>} gave no good value for a minute or more.</>}
      </h1>
      <p class="note-line aside">From <time dateTime={answer.from}>{dayWords(from, site.timezone)}</time> to <time dateTime={answer.to}>{dayWords(to - 1, site.timezone)}</time>. What was missed stays missed: no figure fills it in, each says what it covers.</p>
    </>
  );
}

const aboutWords: Record<string, string> = { sleep: 'Sleep', device: 'Reading', channel: 'Channels', disk: 'Disk', backup: 'Backup', clock: 'Clock', store: 'Storing', receiver: 'Sending on' };

/** What is known to be well where nothing is to be done; what is not known is not claimed. */
function well({ awake, clock, disk }: MissedAnswer): string[] {
  return [
    'devices were read', ...(awake?.sleep === 'never' || awake?.sleep === 'held' ? ['the computer stays awake'] : []), ...(clock.kept ? ['its clock is kept'] : []),
    ...(disk.days_left !== null ? ['there is room'] : []), 'there is a copy',
  ];
}

function ToDo({ answer }: { answer: MissedAnswer }) {
  return (
    <section class="to-do" aria-labelledby="todo-title">
      <h2 id="todo-title">What to do about it</h2>
      {answer.to_do.length === 0 ? <p>Nothing: {listed(well(answer))}.</p> : (
        <ol>
          {answer.to_do.map((t) => (
            <li key={`${t.about} ${t.what}`}>
              <h3>{aboutWords[t.about] ?? t.about}</h3>
              <p><span class="must" data-words>{t.what}</span> <span data-words>{t.mend}</span></p>
            </li>
          ))}
        </ol>
      )}
    </section>
  );
}
