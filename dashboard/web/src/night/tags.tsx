// The person's own leak tags: found, guessed, mended, put right; and what they make
// of what is measured. Entries are kept one after another, none is deleted.
import { useSignal } from '@preact/signals';
import { answerOf, post, type LeakTag, type LeaksAnswer, type NewLeakTag, type Site } from '../api';
import { useAsked } from '../api/asked';
import { Operating } from '../door/operating';
import { mayOperate } from '../door/state';
import { Known } from '../figure/known';
import { answerAddress, Num } from '../figure/number';
import type { Live } from '../live/live';
import { Standing } from '../look/standing';
import { displayOf, showFigure, type UnitSystem } from '../units/units';
import { day as dayWords } from '../units/words';
import { useForm, Why } from './form';

const path = '/api/v1/leaks';
type Action = NonNullable<NewLeakTag['action']>;

interface Props { live: Live; site: Site; name: string; window: { from: string; to: string }; system: UnitSystem }

export function Tags({ live, site, name, window, system }: Props) {
  const query = new URLSearchParams({ ...window, system: name });
  const key = `${path}?${query}`;
  const asked = useAsked<LeaksAnswer>({ held: live.held, tick: live.eventTick }, { key, everyMs: 300_000, ask: (signal) => answerOf(path, query, signal) });
  const adding = useSignal(false);
  const answer = asked.value.value;
  const again = () => asked.again();
  return (
    <section class="tags" aria-labelledby="tags-title" data-answer={answer && answerAddress(path, { from: answer.from, to: answer.to, system: answer.system })}>
      <h2 id="tags-title">Leaks you have tagged</h2>
      <Standing asked={asked} what="the leak tags" question={key} />
      {answer && (
        <>
          <p class="verdict"><span data-words>{answer.sentence}</span></p>
          <Sums answer={answer} system={system} />
          <Operating what="tag leaks"><button type="button" aria-expanded={adding.value} class="add-tag" onClick={() => { adding.value = !adding.value; }}>{adding.value ? 'Leave it' : 'Tag a leak …'}</button>
          {adding.value && <Entry action="found" name={name} tag={undefined} done={() => { adding.value = false; again(); }} />}</Operating>
          <ol class="tag-list">{answer.tags.map((t, i) => <Tag key={t.tag} t={t} at={`/tags/${i}`} site={site} system={system} again={again} />)}</ol>
          <Known title="the sum of the tags" facts={{ method: answer.method, inputs: [], instruments: [] }} look="" />
        </>
      )}
    </section>
  );
}

/** A flow with its half width, in the shown unit. */
function Flow({ m3s, u, at, uAt, system }: { m3s: number; u: number; at: string; uAt: string; system: UnitSystem }) {
  const shown = showFigure('', m3s * 60, 'm³/min', u * 60, system);
  return <><Num value={m3s} at={at}>{shown.value}</Num>{shown.uncertainty && <> ± <Num value={u} at={uAt}>{shown.uncertainty}</Num></>} {shown.unit}</>;
}

function Sums({ answer, system }: { answer: LeaksAnswer; system: UnitSystem }) {
  const row = (title: string, key: 'open' | 'mended' | 'measured' | 'untagged') => {
    const sum = answer[key];
    if (!sum || (sum.count === 0 && (key === 'open' || key === 'mended'))) return null;
    // No size was guessed: that is not a leak of nothing.
    const flow = sum.count > 0 && sum.unsized === sum.count ? 'no size guessed' : <Flow m3s={sum.flow_m3s} u={sum.uncertainty_m3s} at={`/${key}/flow_m3s`} uAt={`/${key}/uncertainty_m3s`} system={system} />;
    const without = sum.unsized > 0 && sum.unsized < sum.count && <span class="aside"> and <Num value={sum.unsized} at={`/${key}/unsized`}>{sum.unsized}</Num> without a size</span>;
    return <div key={key}><dt>{title}</dt><dd>{flow}{without}</dd></div>;
  };
  const cost = answer.open_cost !== null && answer.open.count > answer.open.unsized ? answer.open_cost : undefined;
  const pressure = displayOf('pressure', system);
  return (
    <>
      <dl class="tag-sums">
        {row('Tagged and open', 'open')}{row('Measured', 'measured')}{row('Measured less tagged', 'untagged')}{row('Mended', 'mended')}
        {cost !== undefined && <div><dt>The open ones cost in a year</dt><dd><Num value={cost} at="/open_cost">{cost.toFixed(0)}</Num> {answer.currency}</dd></div>}
      </dl>
      {answer.pressure_pa !== null && pressure && <p class="aside">Holes are reckoned at <Num value={answer.pressure_pa} at="/pressure_pa">{(answer.pressure_pa * pressure.scale).toFixed(pressure.decimals)}</Num> {pressure.unit}, the mean of the quiet hours.</p>}
    </>
  );
}

const stateWord: Record<LeakTag['state'], string> = { open: 'leaks', mended: 'mended', withdrawn: 'taken back' };
const actionWord: Record<string, string> = { found: 'found', mended: 'mended', again: 'leaks again', correct: 'put right', withdraw: 'taken back' };

function Tag({ t, at, site, system, again }: { t: LeakTag; at: string; site: Site; system: UnitSystem; again: () => void }) {
  const doing = useSignal<Action | ''>('');
  const choices: [Action, string][] = t.state === 'open' ? [['mended', 'It is mended …'], ['correct', 'Put right …'], ['withdraw', 'Take back …']] : t.state === 'mended' ? [['again', 'It leaks again …'], ['correct', 'Put right …']] : [];
  const flow = displayOf('flow', system);
  return (
    <li class={t.state === 'open' ? undefined : 'closed'} data-tag={t.tag}>
      <p>
        <strong>Tag <data data-count value={String(t.tag)}>{t.tag}</data>, {stateWord[t.state]}:</strong> <span data-words>{t.place}</span>
        {t.flow_m3s !== null && flow && <>, some <Num value={t.flow_m3s} at={`${at}/flow_m3s`}>{(t.flow_m3s * flow.scale).toFixed(flow.decimals)}</Num> {flow.unit}</>}
        {t.hole_m === null && <span class="aside">, no size guessed</span>}
      </p>
      <p class="aside">
        Found <Day ms={Date.parse(t.found ?? '')} site={site} /> by <span data-words>{t.found_by}</span>
        {t.state === 'mended' && t.mended !== null && <>; mended <Day ms={Date.parse(t.mended)} site={site} /> by <span data-words>{t.mended_by}</span></>}
      </p>
      {(t.entries.length > 1 || t.entries[0]?.what) && (
        <details>
          <summary>All that was said of it<span class="visually-hidden">: <span data-words>{t.place}</span></span></summary>
          <ul>{t.entries.map((e) => <li key={e.seq}><Day ms={Date.parse(e.time ?? '')} site={site} /> {actionWord[e.action] ?? e.action}, <span data-words>{e.who}{e.what && `: ${e.what}`}</span></li>)}</ul>
        </details>
      )}
      {choices.length > 0 && mayOperate.value && (
        <div class="choose" role="group" aria-label={`What is new of tag ${t.tag}`}>
          {choices.map(([a, word]) => <button key={a} type="button" data-action={a} aria-pressed={doing.value === a} onClick={() => { doing.value = doing.value === a ? '' : a; }}>{word}</button>)}
        </div>
      )}
      {doing.value !== '' && mayOperate.value && <Entry key={doing.value} action={doing.value} name={t.system} tag={t.tag} done={() => { doing.value = ''; again(); }} />}
    </li>
  );
}

function Day({ ms, site }: { ms: number; site: Site }) {
  return Number.isFinite(ms) ? <time dateTime={new Date(ms).toISOString()}>{dayWords(ms, site.timezone)}</time> : null;
}

const titles: Record<Action, string> = { found: 'Tag a leak', mended: 'It is mended', again: 'It leaks again', correct: 'Put the tag right', withdraw: 'Take the tag back' };

function Entry({ action, name, tag, done }: { action: Action; name: string; tag: number | undefined; done: () => void }) {
  const form = useForm(async (get) => {
    const entry: NewLeakTag = { action, who: get('who') };
    if (tag !== undefined) entry.tag = tag;
    else entry.system = name;
    if (get('place')) entry.place = get('place');
    if (get('hole')) entry.hole = get('hole');
    if (get('coefficient')) entry.coefficient = Number(get('coefficient'));
    if (get('what')) entry.what = get('what');
    if (get('time')) entry.time = get('time');
    await post(path, entry);
    done();
    return '';
  });
  const describes = action === 'found' || action === 'correct';
  return (
    <form class="night-form" onSubmit={form.submit} noValidate aria-label={titles[action]}>
      {action === 'mended' && <p class="aside">Work on air only after the part is shut off and vented by the rules of the place; never open a fitting under pressure.</p>}
      {describes && <><label>{action === 'found' ? 'Where, so that another finds it' : 'Where it really is'} <input name="place" maxLength={200} {...form.bad('place')} /></label><Why form={form} field="place" /></>}
      {describes && <><label>A round hole that would hiss as loud, such as 1/16 in or 2 mm; empty: not guessed <input name="hole" maxLength={20} {...form.bad('hole')} /></label><Why form={form} field="hole" /></>}
      {describes && <><label>Its edge <select name="coefficient" {...form.bad('coefficient')}><option value="">{action === 'found' ? 'sharp, as a crack or a loose thread' : 'as it was'}</option><option value="0.65">sharp: coefficient 0.65</option><option value="0.97">well rounded: coefficient 0.97</option><option value="1">as handbook tables: coefficient 1</option></select></label><Why form={form} field="coefficient" /></>}
      <label>{action === 'mended' ? 'What was done' : action === 'withdraw' ? 'Why' : 'What was seen'} <input name="what" maxLength={500} {...form.bad('what')} /></label><Why form={form} field="what" />
      <label>{action === 'correct' ? 'Found on; empty: as it was' : 'On; empty: today'} <input name="time" type="date" {...form.bad('time')} /></label><Why form={form} field="time" />
      <label>Your name <input name="who" maxLength={80} defaultValue={form.author} autocomplete="name" {...form.bad('who')} /></label><Why form={form} field="who" />
      <Why form={form} field="" />
      <div class="form-end"><button type="submit" disabled={form.busy.value}>Keep it</button></div>
    </form>
  );
}
