// The audit report of the days shown: begun here, it goes on in loadscribe when the
// page is left; its name in the address finds it again.
import { useState } from 'preact/hooks';
import { answerOf, ApiError, post, type ReportJob, type Site } from '../api';
import { useAsked } from '../api/asked';
import { Num, answerAddress } from '../figure/number';
import type { Live } from '../live/live';
import { apiWindow, type Days } from '../look/days';
import { Standing } from '../look/standing';
import { go, href, place } from '../route';
import { day as dayWords, windowEnd } from '../units/words';
import { bytes } from './words';

const path = '/api/v1/report';
const workingMs = 1_000;
const keptMs = 60_000; // a report that has ended is asked for so often whether it is still kept
const fileWords: Record<string, string> = { 'report.html': 'to read in a browser', 'report.pdf': 'to print', 'workbook.xlsx': 'its numbers, with formulas', 'report.json': 'for programs' };

/** The same view with another report, or none. */
function show(id: string | undefined): void {
  const query = new URLSearchParams(place.value.query);
  if (id) query.set('report', id);
  else query.delete('report');
  go(href('missed', query), true);
}

export function Report({ live, site, days }: { live: Live; site: Site; days: Days }) {
  const id = place.value.query.get('report') ?? '';
  const [wrong, setWrong] = useState('');
  const [sending, setSending] = useState(false);
  const begin = async () => {
    setWrong('');
    setSending(true);
    try {
      show(((await post(path, apiWindow(days))) as ReportJob).id);
    } catch (e) {
      setWrong(e instanceof Error ? e.message : String(e));
    }
    setSending(false);
  };
  return (
    <section class="part" aria-labelledby="report-title">
      <h2 id="report-title">Report</h2>
      <p>The audit report{!id && ' of the days shown above'}: what was found, every figure with its uncertainty and coverage, and the checkpoint it was made from.</p>
      {!id && <div class="deed"><button type="button" disabled={sending} onClick={() => void begin()}>Make the report of these days</button></div>}
      {wrong && <p class="warn" role="alert">It was not begun: <span data-words>{wrong}</span>.</p>}
      {id && <Job key={id} live={live} site={site} id={id} />}
    </section>
  );
}

/** Its own days: others may be shown by now. */
function Of({ made, zone }: { made: NonNullable<ReportJob['answer']>; zone: string }) {
  return <> of <time dateTime={made.from}>{dayWords(Date.parse(made.from), zone)}</time> to <time dateTime={made.to}>{windowEnd(Date.parse(made.to), zone)}</time></>;
}

function Job({ live, site, id }: { live: Live; site: Site; id: string }) {
  const [over, setOver] = useState(false);
  const key = `${path}?id=${id}`;
  const asked = useAsked<ReportJob | 'gone'>({ held: live.held }, {
    key: `${key}${over ? ' over' : ''}`, everyMs: over ? keptMs : workingMs,
    ask: async (signal) => {
      try {
        const job = await answerOf(path, new URLSearchParams({ id }), signal);
        setOver(job.state !== 'running');
        return job;
      } catch (e) {
        if (!(e instanceof ApiError) || e.field !== 'id') throw e;
        setOver(true);
        return 'gone';
      }
    },
  });
  const job = asked.value.value;
  const again = <div class="deed"><button type="button" onClick={() => show(undefined)}>Make another one</button></div>;
  if (!job) return <Standing asked={asked} what="the report" question={key} />;
  if (job === 'gone') return <><p>That report is no longer kept: reports are for half an hour.</p>{again}</>;
  const cancel = async () => {
    await post(`${path}/cancel`, { id }).catch(() => undefined); // how it stands is asked for anew either way
    asked.again();
  };
  return (
    <div data-answer={answerAddress(path, { id })} data-moves={job.state === 'running' || undefined} data-report={job.state}>
      <p role="status">{job.state === 'running' ? 'The report is being made; recording goes on.' : job.state === 'done' ? <>The report{job.answer && <Of made={job.answer} zone={site.timezone} />} is there. It is kept for half an hour: save its files.</> : job.state === 'cancelled' ? 'The report was given up.' : <>There is no report: <span data-words>{job.error ?? 'it failed'}</span>.</>}</p>
      {job.state === 'running' && (
        <div class="deed">
          <button type="button" onClick={() => void cancel()}>Stop it</button>
          {job.total > 0 && <p class="deed-says aside">Step <Num value={job.done} at="/done">{job.done}</Num> of <Num value={job.total} at="/total">{job.total}</Num></p>}
        </div>
      )}
      {job.answer && (
        <>
          {job.answer.uncovered && <p class="aside" data-words>{job.answer.uncovered}</p>}
          <ul class="files">
            {job.answer.files.map((f, i) => {
              const size = bytes(f.bytes);
              return <li key={f.name}><a href={`${path}/file?${new URLSearchParams({ id, name: f.name })}`} download={f.name}>{f.name}</a> <span class="aside">{fileWords[f.name] ?? ''}, <Num value={f.bytes} at={`/answer/files/${i}/bytes`} unit={size.unit}>{size.value}</Num> {size.unit}</span></li>;
            })}
          </ul>
        </>
      )}
      {job.state !== 'running' && again}
    </div>
  );
}
