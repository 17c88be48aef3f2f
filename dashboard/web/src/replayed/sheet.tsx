// "Take these settings to the machine": one page to print, with what is set now,
// what is to be set, why, and what to beware of. The program writes to no machine.
import { useState } from 'preact/hooks';
import type { ReplayAnswer, ReplayChange, ReplayResult, Site } from '../api';
import { sentence } from '../look/words';
import { storedAuthor } from '../settings';
import type { UnitSystem } from '../units/units';
import { clockMinute, day, localDate, zoneName } from '../units/words';
import { isShort, Saving } from './options';
import { told } from './show';

interface SheetProps {
  answer: ReplayAnswer;
  index: number;
  site: Site;
  now: number;
  system: UnitSystem;
  back: string;
}

export function Sheet(props: SheetProps) {
  const r = props.answer.alternatives[props.index];
  if (!r) return <p class="absent">There is no such alternative any more. <a href={props.back}>Back to what was tried</a></p>;
  return <Written {...props} r={r} />;
}

/** What is no setting of a controller: it is work, or an assumption of the replay. */
const isWork = (c: ReplayChange): boolean => (c.machine ? /\.(replace|remove|rated_\w+|unloaded_power|control)$/.test(c.key) : !/^(order|first|rotate_every|band_step|base|trim)$/.test(c.key));

function Written({ answer, index, r, site, now, system, back }: SheetProps & { r: ReplayResult }) {
  const [author, setAuthor] = useState(storedAuthor);
  const short = isShort(r);
  const doubt = answer.fit.poor || short !== undefined || !told(r.saved_kwh) || (r.saved_kwh.value ?? 0) <= 0;
  const settings = r.changes.filter((c) => !isWork(c));
  const work = r.changes.filter(isWork);
  const general = r.cautions.filter((c) => !r.changes.some((l) => l.cautions.includes(c)));
  return (
    <article class="sheet" aria-labelledby="sheet-title">
      <p class="acts no-print">
        <button type="button" onClick={() => window.print()}>Print this sheet</button>
        <a href={back}>Back to what was tried</a>
      </p>
      <h2 id="sheet-title" tabIndex={-1}>Settings to take to the machine: <span data-words>{r.name}</span></h2>
      <p><span data-words>{site.name}</span>, system {answer.system}. Written <time dateTime={new Date(now).toISOString()}>{localDate(now, site.timezone)}, {clockMinute(now, site.timezone)} {zoneName(now, site.timezone)}</time>.</p>
      <p class="nothing-written"><strong>loadscribe writes nothing to any machine.</strong> A person who may set this machine sets it, at its own panel, and signs below.</p>
      {doubt && (
        <div class="poor">
          <p><strong>Think twice.</strong>{' '}
            {answer.fit.poor && 'The replay meets these days poorly. '}
            {short && <span data-words>{sentence(short)} </span>}
            {!told(r.saved_kwh) ? 'The saving is not told from nothing. ' : (r.saved_kwh.value ?? 0) <= 0 && 'It would take more energy than now. '}
          </p>
        </div>
      )}
      <h3>Why</h3>
      <Saving r={r} at={`/answer/alternatives/${index}`} answer={answer} system={system} />
      <p>By the replay of <Time at={answer.from} site={site} /> to <Time at={answer.to} site={site} />. <span data-words>{sentence(answer.fit.words)}</span></p>
      <Lines title="To be set" lines={settings} />
      <Lines title="Work, not a setting" lines={work} />
      <h3>Before and while it is done</h3>
      <ul class="beware">
        {general.map((c) => <li key={c} data-words>{sentence(c)}</li>)}
        <li>Hot oil and air under pressure: never open a machine or a line before it is without pressure, switched off at the mains and locked out.</li>
        <li>A machine in automatic may start at any moment without warning, after a power failure too.</li>
        <li>Nothing beyond the machine’s plate: higher pressures, other protections, wiring and drives are for its maker and for licensed people. Local codes decide.</li>
        <li>If the panel shows another value than “Now” says, stop: the replay rests on a value that is not so. Note what it shows and replay again.</li>
        <li>Stay for some cycles; set the old values again where pressure falls short or a motor starts too often.</li>
      </ul>
      <h3>Signed</h3>
      <div class="signed">
        <p><label for="sheet-author">Written by</label> <input id="sheet-author" name="sheet-author" maxLength={60} value={author} onInput={(e) => setAuthor(e.currentTarget.value)} autoComplete="name" /></p>
        <p>Set by <span class="blank" /></p>
        <p>On (date, time) <span class="blank" /></p>
        <p>Agreed with the plant <span class="blank" /></p>
      </div>
      <p class="aside no-print">When it is done, write a note in the Service book: days before and after it can then be compared (Seven days, or <code>loadscribe compare</code>), and the saving is measured.</p>
    </article>
  );
}

function Lines({ title, lines }: { title: string; lines: ReplayChange[] }) {
  if (lines.length === 0) return null;
  return (
    <>
      <h3>{title}</h3>
      <ul class="sheet-lines">
        {lines.map((c) => (
          <li key={c.key} data-setting={c.key}>
            <p class="line-name" data-words><b>{c.machine ? `${c.machine}, ` : ''}{c.name}</b>{c.does ? `: ${c.does}` : ''}</p>
            <dl>
              <div><dt>Now</dt><dd data-words>{c.was || 'not known: read it at the machine'}{c.basis && <span class="aside"> ({c.basis})</span>}</dd></div>
              <div class="becomes"><dt>Set to</dt><dd data-words>{c.becomes}</dd></div>
              <div><dt>Found at the panel</dt><dd><span class="blank" /></dd></div>
              <div><dt>Read back after</dt><dd><span class="blank" /></dd></div>
            </dl>
            {c.cautions.map((t) => <p key={t} class="line-caution" data-words>⚠ {sentence(t)}</p>)}
          </li>
        ))}
      </ul>
    </>
  );
}

function Time({ at, site }: { at: string; site: Site }) {
  const ms = Date.parse(at);
  return <time dateTime={at}>{`${day(ms, site.timezone)}, ${clockMinute(ms, site.timezone)}`}</time>;
}
