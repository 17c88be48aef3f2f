// Audit desk: a week's audit step by step, and what is still missing at each.
import { useSignal } from '@preact/signals';
import { answerOf, type Audit, type AuditStep } from '../api';
import { useAsked } from '../api/asked';
import { Operating } from '../door/operating';
import { mayOperate } from '../door/state';
import { Standing } from '../look/standing';
import { has, type PageProps } from '../pages';
import { pages } from '../route';
import { clockMinute, day } from '../units/words';
import './desk.css';
import { BeginForm, MarkForm } from './forms';
import { StepMark } from './mark';
import { stateWord } from './words';

const path = '/api/v1/audit';
const freshMs = 30_000;

export default function AuditDesk({ live, site, view }: PageProps) {
  const asked = useAsked<Audit>({ held: live.held }, { key: path, everyMs: freshMs, ask: (signal) => answerOf(path, new URLSearchParams(), signal) });
  const again = useSignal(false);
  const audit = asked.value.value;
  const told = () => { again.value = false; asked.again(); };
  return (
    <div class="desk" data-answer={path} data-moves aria-busy={!audit}>
      <div class={view.connection === 'live' ? 'sentence' : 'sentence not-live'}>
        <div>
          <h1 data-words aria-live="polite">{audit?.sentence ?? 'Laying out the audit.'}</h1>
          {audit?.begun && <p class="note-line" data-words>Begun <time dateTime={audit.begun.time ?? ''}>{moment(audit.begun.time, site.timezone)}</time> by {audit.begun.who}, planned until the end of <time dateTime={audit.begun.ends ?? ''}>{lastDay(audit.begun.ends, site.timezone)}</time>. {mayOperate.value && <button type="button" class="plain" aria-expanded={again.value} onClick={() => { again.value = !again.value; }}>Begin another</button>}</p>}
          <Standing asked={asked} what="the audit" question={path} />
        </div>
      </div>
      {audit && (!audit.begun || again.value) && <Operating what="begin an audit"><BeginForm zone={site.timezone} now={view.now} done={told} another={audit.begun !== undefined} /></Operating>}
      {audit?.begun && !mayOperate.value && <Operating what="accept steps">{null}</Operating>}
      {audit && (
        <ol class="walk">
          {audit.steps.map((s) => <Step key={s.step} step={s} zone={site.timezone} begun={audit.begun !== undefined} done={told} />)}
        </ol>
      )}
      <p class="aside">Each step is judged from the record; what you say of one is kept in it for good. Nothing here sets anything at a machine. Without a browser: <code>loadscribe audit --site FILE</code>.</p>
    </div>
  );
}

/** "Mon 30 Nov, 10:20": an audit lasts days. */
const moment = (t: string | null | undefined, zone: string) => (t ? `${day(Date.parse(t), zone)}, ${clockMinute(Date.parse(t), zone)}` : '');
/** The last day of a window that ends, not included, at a midnight. */
const lastDay = (t: string | null | undefined, zone: string) => (t ? day(Date.parse(t) - 1, zone) : '');

function Step({ step: s, zone, begun, done }: { step: AuditStep; zone: string; begun: boolean; done: () => void }) {
  const open = s.state === 'missing' || s.state === 'unseen';
  const page = pages.find((p) => p.path === s.page && has(p.name) && p.name !== 'desk');
  return (
    <li class="step" data-step={s.step} data-state={s.state}>
      <StepMark state={s.state} />
      <div>
        <h2>{s.title}<span class="state-word"> {stateWord(s.state)}</span></h2>
        <p class="aside" data-words>{s.why}</p>
        {s.sentence && <p data-words>{s.sentence}</p>}
        {(open || s.state === 'accepted') && s.missing.length > 0 && <ul class="lacks" data-words>{s.missing.map((m) => <li key={m}>{m}</li>)}</ul>}
        {open && s.cautions.length > 0 && <div class="cautions" data-words><strong>Before it</strong><ul>{s.cautions.map((c) => <li key={c}>{c}</li>)}</ul></div>}
        {open && <p class="where">{page && <a href={`#${page.path}`}>{page.title}</a>} <span class="aside">by command:</span> <code>{s.command}</code></p>}
        {s.marks.length > 0 && (
          <ul class="said" aria-label={`What was said of: ${s.title}`}>
            {s.marks.map((m) => <li key={m.seq} data-words><time dateTime={m.time ?? ''}>{moment(m.time, zone)}</time> {m.who}: {m.text}</li>)}
          </ul>
        )}
        {begun && mayOperate.value && <MarkForm step={s.step} title={s.title} open={open} done={done} />}
      </div>
    </li>
  );
}
