// How each line goes: what is set, what was asked, what came and how fast.
import { answerOf, type DeviceHealth, type LineHealth, type LinesAnswer, type Site } from '../api';
import { useAsked } from '../api/asked';
import { Num } from '../figure/number';
import type { Live, View } from '../live/live';
import { useWidth } from '../look/measure';
import { Standing } from '../look/standing';
import { reasonWords } from '../look/words';
import { age, when } from '../units/words';
import { countText, msText, percentText, timeScale } from './scale';

const path = '/api/v1/lines';
const everyMs = 2_000;
const oldMs = 15_000;

export function Lines({ live, site, view, device }: { live: Live; site: Site; view: View; device: string }) {
  const asked = useAsked<LinesAnswer>({ held: live.held }, { key: path, everyMs, ask: (signal) => answerOf(path, new URLSearchParams(), signal) });
  const answer = asked.value.value;
  const lines = (answer?.lines ?? []).map((l, i) => ({ l, at: `/lines/${i}` })).filter((x) => !device || x.l.devices.some((d) => d.device === device));
  const old = answer && view.now - Date.parse(answer.time) > oldMs;
  return (
    <section aria-labelledby="lines-title" class="lines">
      <h2 id="lines-title">How the lines go</h2>
      <Standing asked={asked} what="lines" question={path} />
      {answer && (
        <div data-answer={path} data-moves>
          <p class="aside">Counted since loadscribe started, <time dateTime={answer.started}>{when(Date.parse(answer.started), view.now, site.timezone)}</time>
            {old && <>; as of <time dateTime={answer.time}>{when(Date.parse(answer.time), view.now, site.timezone)}</time>, not live</>}.</p>
          {lines.length === 0 && <p class="aside">{device ? `${device} is on no line that is opened: what it recorded is imported.` : 'No line is opened: what the devices recorded is imported.'}</p>}
          {lines.map(({ l, at }) => <Line key={l.line} l={l} at={at} device={device} now={view.now} timeZone={site.timezone} />)}
        </div>
      )}
    </section>
  );
}

function Line({ l, at, device, now, timeZone }: { l: LineHealth; at: string; device: string; now: number; timeZone: string }) {
  const devices = l.devices.map((d, i) => ({ d, at: `${at}/devices/${i}` })).filter((x) => !device || x.d.device === device);
  return (
    <article class="line" aria-label={`Line ${l.line}`} data-line={l.line}>
      <h3><Mark up={l.up} /> {l.line}<span class="aside"> {l.up ? 'open' : 'down'}{l.listen && ', only listened to'}</span></h3>
      <p><span data-words>{l.detail}</span>{l.changed && <span class="aside"> since <time dateTime={l.changed}>{when(Date.parse(l.changed), now, timeZone)}</time></span>}.</p>
      {l.advice && <p class="warn"><span data-words>{l.advice}</span>.</p>}
      <Settings l={l} at={at} />
      {devices.some((x) => x.d.replies) && <ReplyPicture devices={devices.map((x) => x.d)} timeoutMs={l.timeout_ms} line={l.line} />}
      <DeviceTable devices={devices} line={l.line} listens={l.listen} now={now} />
      {devices.map(({ d }) => (d.detail || d.hint) && (
        <p key={d.device} class={d.detail ? 'warn' : 'aside'}><strong>{d.device}</strong>: <span data-words>{d.detail || d.hint}</span>.</p>
      ))}
    </article>
  );
}

/** A full square answers, an open one with a bar through it does not. */
function Mark({ up }: { up: boolean }) {
  return (
    <svg class="up-mark" width="14" height="14" viewBox="0 0 14 14" aria-hidden="true" focusable="false">
      {up ? <rect x="1" y="1" width="12" height="12" fill="currentColor" /> : <path d="M2 2h10v10h-10zM1 13L13 1" fill="none" stroke="currentColor" stroke-width="2" />}
    </svg>
  );
}

function Settings({ l, at }: { l: LineHealth; at: string }) {
  return (
    <dl class="settings">
      <Row term="Kind"><span data-words>{l.kind}</span></Row>
      <Row term="Where"><span data-words>{l.where}{l.serial && `, ${l.serial}`}</span></Row>
      <Row term="Timeout"><Num value={l.timeout_ms} at={`${at}/timeout_ms`}>{msText(l.timeout_ms)}</Num> ms</Row>
      {l.turnaround_ms > 0 && <Row term="Turnaround"><Num value={l.turnaround_ms} at={`${at}/turnaround_ms`}>{msText(l.turnaround_ms)}</Num> ms</Row>}
      {l.echo && <Row term="Echo">{l.echo}{l.echo_seen ? ': requests come back' : ''}</Row>}
      {l.busy_share !== undefined && (
        <Row term="Busy"><Num value={l.busy_share} at={`${at}/busy_share`}>{percentText(l.busy_share)}</Num> % of the last <Num value={l.busy_over_s} at={`${at}/busy_over_s`}>{l.busy_over_s}</Num> s
          {l.predicted_share !== undefined && <>; <Num value={l.predicted_share} at={`${at}/predicted_share`}>{percentText(l.predicted_share)}</Num> % was predicted</>}</Row>
      )}
      <Row term="Opened anew"><Num value={l.reopened} at={`${at}/reopened`}>{l.reopened === 0 ? 'never' : countText(l.reopened)}</Num></Row>
      <Row term="Passed over"><Num value={l.missed} at={`${at}/missed`}>{l.missed === 0 ? 'no' : countText(l.missed)}</Num> due times for want of time</Row>
      {l.stray_bytes !== undefined && <Row term="Unasked"><Num value={l.stray_bytes} at={`${at}/stray_bytes`}>{l.stray_bytes === 0 ? 'no' : countText(l.stray_bytes)}</Num> bytes</Row>}
      {l.heard && (
        <Row term="Heard">
          <Num value={l.heard.requests} at={`${at}/heard/requests`}>{countText(l.heard.requests)}</Num> requests of another master, <Num value={l.heard.answers} at={`${at}/heard/answers`}>{countText(l.heard.answers)}</Num> answers,{' '}
          <Num value={l.heard.skipped} at={`${at}/heard/skipped`}>{countText(l.heard.skipped)}</Num> bytes of no frame
          {l.heard.last_asked && <>; last: <span data-words>{l.heard.last_asked}</span></>}
        </Row>
      )}
    </dl>
  );
}

function Row({ term, children }: { term: string; children: preact.ComponentChildren }) {
  return <div><dt>{term}</dt><dd>{children}</dd></div>;
}

const picture = { row: 26, left: 108, right: 16, top: 20, bottom: 22 };

/** From the shortest answer to the longest, on one scale with the timeout. */
function replySummary(d: DeviceHealth): string {
  if (!d.replies) return `${d.device}: no answer`;
  const r = d.replies;
  return `${d.device}: half within ${msText(r.median_ms)} ms, 95 % within ${msText(r.p95_ms)} ms, longest ${msText(r.max_ms)} ms`;
}

function ReplyPicture({ devices, timeoutMs, line }: { devices: DeviceHealth[]; timeoutMs: number; line: string }) {
  const [ref, width] = useWidth<HTMLDivElement>();
  const inner = Math.max(60, width - picture.left - picture.right);
  const known = devices.flatMap((d) => (d.replies ? [d.replies.min_ms, d.replies.max_ms] : []));
  const scale = timeScale(Math.min(...known), Math.max(timeoutMs, ...known), inner);
  const height = picture.top + devices.length * picture.row + picture.bottom;
  const label = `How long answers take on line ${line}. ${devices.map(replySummary).join('; ')}. The timeout is ${msText(timeoutMs)} ms.`;
  return (
    <div class="replies" ref={ref}>
      <svg width={width} height={height} role="img" aria-label={label}>
        <g transform={`translate(${picture.left} ${picture.top})`} aria-hidden="true">
          {scale.ticks.map((t) => (
            <g key={t} class="tick" transform={`translate(${scale.x(t)} 0)`}>
              <line y2={devices.length * picture.row} class="grid" />
              <text y={devices.length * picture.row + 16} text-anchor={t === scale.ticks[scale.ticks.length - 1] ? 'end' : 'middle'}>{t < 1000 ? `${t} ms` : `${t / 1000} s`}</text>
            </g>
          ))}
          <g transform={`translate(${scale.x(timeoutMs)} 0)`}><line y1={-4} y2={devices.length * picture.row} class="timeout" /><text y={-7} class="timeout-name" text-anchor="end">timeout</text></g>
          {devices.map((d, i) => <Replies key={d.device} d={d} y={(i + 0.5) * picture.row} x={scale.x} />)}
        </g>
      </svg>
      <p class="aside picture-key">The line reaches from the shortest answer to the longest; half of the answers are within the thick part, all but the slowest twentieth before the bar.</p>
    </div>
  );
}

function Replies({ d, y, x }: { d: DeviceHealth; y: number; x: (ms: number) => number }) {
  const r = d.replies;
  return (
    <g transform={`translate(0 ${y})`} data-replies={d.device}>
      <text x={-10} y={4} text-anchor="end" class="name">{d.device.length > 13 ? `${d.device.slice(0, 12)}…` : d.device}</text>
      {r ? (
        <>
          <line x1={x(r.min_ms)} x2={x(r.max_ms)} class="whole" />
          <line x1={x(r.min_ms)} x2={Math.max(x(r.median_ms), x(r.min_ms) + 1)} class="half" />
          <line x1={x(r.p95_ms)} x2={x(r.p95_ms)} y1={-7} y2={7} class="most" />
        </>
      ) : <text y={4} class="none">no answer yet</text>}
    </g>
  );
}

function DeviceTable({ devices, line, listens, now }: { devices: { d: DeviceHealth; at: string }[]; line: string; listens: boolean; now: number }) {
  return (
    <div class="scroll wide-table" tabIndex={0} role="region" aria-label={`Devices of line ${line}`}>
      <table>
        <thead><tr>
          <th scope="col">Device</th><th scope="col">It answers</th>{!listens && <><th scope="col" class="num">Requests</th><th scope="col" class="num">Answered</th><th scope="col">Without</th></>}
          <th scope="col" class="num">Again</th><th scope="col" class="num">Late</th>
          <th scope="col" class="num">Half within</th><th scope="col" class="num"><span class="tick">95 %</span> within</th><th scope="col" class="num">Longest</th><th scope="col" class="num">Fit timeout</th><th scope="col">Scans</th>
        </tr></thead>
        <tbody>
          {devices.map(({ d, at }) => (
            <tr key={d.device} data-device={d.device}>
              <th scope="row">{d.device}{d.unit_id > 0 && <span class="aside"> unit <Num value={d.unit_id} at={`${at}/unit_id`}>{d.unit_id}</Num></span>}</th>
              <td>{d.up ? 'yes' : <span class="must">no{d.reason && `: ${reasonWords(d.reason)}`}</span>}{d.last_scan && <>, <time dateTime={d.last_scan}>{age(now - Date.parse(d.last_scan))}</time> ago</>}</td>
              {!listens && (
                <>
                  <td class="num"><Num value={d.requests} at={`${at}/requests`}>{countText(d.requests)}</Num></td>
                  <td class="num"><Num value={d.answers} at={`${at}/answers`}>{countText(d.answers)}</Num></td>
                  <td><Reasons of={d.failures} at={`${at}/failures`} /></td>
                </>
              )}
              <td class="num"><Num value={d.retries} at={`${at}/retries`}>{countText(d.retries)}</Num></td>
              <td class="num">{d.late === undefined ? '–' : <Num value={d.late} at={`${at}/late`}>{countText(d.late)}</Num>}</td>
              {(['median_ms', 'p95_ms', 'max_ms', 'suggested_timeout_ms'] as const).map((k) => (
                <td key={k} class="num">{d.replies ? <><Num value={d.replies[k]} at={`${at}/replies/${k}`}>{msText(d.replies[k])}</Num> ms</> : '–'}</td>
              ))}
              <td><Num value={d.scans} at={`${at}/scans`}>{countText(d.scans)}</Num> good, <Reasons of={d.errors} at={`${at}/errors`} /> bad</td>
            </tr>
          ))}
        </tbody>
      </table>
    </div>
  );
}

function Reasons({ of, at }: { of: Record<string, number>; at: string }) {
  const all = Object.entries(of).filter(([, n]) => n > 0);
  if (all.length === 0) return <>none</>;
  return <>{all.map(([reason, n], i) => <span key={reason}>{i > 0 && ', '}<Num value={n} at={`${at}/${reason}`}>{countText(n)}</Num> {reasonWords(reason)}</span>)}</>;
}
