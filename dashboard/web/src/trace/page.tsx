// Trace: any channels over any time, with what happened, and two cursors that
// ask what was between them.
import { useEffect, useMemo, useState } from 'preact/hooks';
import type { FiguresAnswer, Site } from '../api';
import { useAsked, type Asked, type Pace } from '../api/asked';
import { figuresAddress, systemFigures } from '../figure/answer';
import type { View } from '../live/live';
import '../look/book.css';
import { useWidth } from '../look/measure';
import { Standing } from '../look/standing';
import type { PageProps } from '../pages';
import { Plot, PlotKeys } from '../plot/plot';
import type { PlotMark } from '../plot/types';
import { colours, units } from '../settings';
import { localDate } from '../units/words';
import { askBelow, askEvents, askFigures, askMoments } from './ask';
import { happenings, within } from './happened';
import { firstChannels, knownChannels, lanesOf } from './lanes';
import { PlotKnown } from './known';
import { HappenedList } from './list';
import { TraceModel } from './model';
import { Chosen, Picker } from './picker';
import { Moment, Readings } from './readings';
import { useSettled } from './settled';
import { linkOf, NoteAt, Share } from './share';
import { TraceSource } from './source';
import { BelowList, DurationNum, StateTimes, Stretch } from './stretch';
import { PlotTable } from './table';
import { Toolbar } from './toolbar';
import './trace.css';
import { about, follows, moved, slowly, spans, tells, wanted, windowOf, type Span } from './window';

/** All lanes together are about so high. */
const lanesPx = { wide: 520, narrow: 420 };
const settleMs = 500;
/** Machines whose states are shown where the address names none. */
const mostBands = 6;

export default function Trace({ live, site, view }: PageProps) {
  const [model] = useState(() => new TraceModel());
  useEffect(() => () => model.stop(), []);
  const least = view.store?.record_from ? Date.parse(view.store.record_from) : undefined;
  if (least === undefined || site.channels.length === 0) return <Nothing site={site} view={view} />;
  return <Traced key={site.site_hash} live={live} site={site} view={view} model={model} least={Math.min(least, view.now - 60_000)} />;
}

function Nothing({ site, view }: { site: Site; view: View }) {
  return (
    <div class="sentence">
      <div>
        <h1>{site.channels.length === 0 ? 'There is nothing to trace.' : 'Nothing has been recorded yet.'}</h1>
        <p class="note-line">{site.channels.length === 0 ? 'The site file has no device with a register map.' : view.connection === 'live' ? 'The first readings are drawn here as they come.' : 'loadscribe cannot be reached.'}</p>
      </div>
    </div>
  );
}

function Traced({ live, site, view, model, least }: PageProps & { model: TraceModel; least: number }) {
  const source = useMemo(() => new TraceSource(live, site), []);
  useEffect(() => () => source.stop(), []);
  const [ref, width] = useWidth<HTMLDivElement>();
  const asked = model.view.value;
  const system = units.value;
  const now = view.now;
  const follow = follows(asked) && model.moving.value === undefined;
  const shown = model.moving.value ?? windowOf(asked, now);
  const machines = useMemo(() => {
    const named = site.machines.map((m) => m.name).filter((m) => asked.machines.includes(m));
    return named.length > 0 ? named : site.machines.map((m) => m.name).slice(0, mostBands);
  }, [asked.machines.join()]);
  const gone = asked.machines.filter((name) => !site.machines.some((m) => m.name === name));
  const ids = useMemo(() => (asked.channels.length > 0 ? asked.channels : firstChannels(site, machines)), [asked.channels.join(), machines]);
  const channels = useMemo(() => knownChannels(site, ids), [ids]);

  const rest = slowly(useSettled(shown, `${shown.from} ${shown.to}`, settleMs), follow);
  const pace: Pace = { held: live.held };
  const open = follow || rest.to >= now - 120_000;
  const range = wanted(rest, Math.max(1_000, (rest.to - rest.from) / 500), least, Math.floor(now / 60_000) * 60_000 + 60_000);
  const eventsQ = askEvents(range, open);
  const events = useAsked(pace, eventsQ);
  const happened = useMemo(() => happenings(events.value.value?.events ?? []), [events.value.value]);
  const marks = useMemo(() => happened.map((h) => h.mark), [happened]);
  const inView = within(happened, rest, follow);

  const put = (change: Parameters<TraceModel['set']>[0], step = true) => model.set(change, step);
  const goTo = (key: string, all: PlotMark[]) => {
    model.chosen.value = key;
    const mark = all.find((m) => m.key === key);
    if (!mark || (mark.from >= shown.from && (follow || (mark.to ?? mark.from) <= shown.to))) return;
    const span = Math.max(shown.to - shown.from, 1.5 * ((mark.to ?? mark.from) - mark.from));
    put({ ...about((mark.from + (mark.to ?? mark.from)) / 2, span, least, now), span: undefined });
  };
  const showStretch = (from: number, to: number) => put({ ...about((from + to) / 2, Math.max(2 * (to - from), 60_000), least, now), span: undefined, a: from, b: to });

  const { a, b } = asked;
  const both = a !== undefined && b !== undefined && a !== b;
  const stretch = useSettled(both ? { from: Math.min(a, b), to: Math.max(a, b) } : rest, both ? `${a} ${b}` : `${rest.from} ${rest.to}`, settleMs);
  const figuresQ = askFigures(stretch);
  const figures = useAsked(pace, figuresQ);
  const at = a === undefined && b === undefined ? [rest.from, rest.to] : [...new Set([a, b].filter((t): t is number => t !== undefined))];
  const settledAt = useSettled(at, at.join(), settleMs / 2);
  const momentsQ = askMoments(channels.map((c) => c.id), settledAt);
  const moments = useAsked(pace, momentsQ);
  const told = stretchTold(both, a, b, stretch);

  return (
    <>
      <Sentence site={site} now={now} shown={shown} follow={follow} machines={machines} asked={figures} told={both ? { from: Math.min(a, b), to: Math.max(a, b) } : shown} whole={!both} live={view.connection === 'live'} />
      <Toolbar
        window={shown} follows={follow} least={least} now={now} timeZone={site.timezone}
        choose={(w) => put('span' in w ? { from: undefined, to: undefined, span: w.span } : { from: w.from, to: w.to, span: undefined })}
      />
      <div class="trace-what">
        <Chosen site={site} channels={ids} choose={put} />
        {gone.length > 0 && <p class="warn">The address asks for machines that this site has not: <span data-words>{gone.join(', ')}</span>.</p>}
        <Picker site={site} channels={ids} machines={machines} choose={put} />
      </div>
      <Drawing
        {...{ site, source, model, shown, follow, least, now, width, channels, machines, marks, put }} host={ref}
        go={(key) => goTo(key, marks)}
      />
      <div class="below-plot">
        <PlotKeys />
        <PlotTable site={site} channels={channels} window={rest} system={system} pace={pace} now={now} />
        <PlotKnown site={site} channels={channels} />
      </div>
      <div class="trace-parts">
        <div>
          <Readings site={site} channels={channels} asked={moments} question={momentsQ.key} address={momentsQ.address} a={a} b={b} system={system} />
          <Stretch site={site} machines={machines} asked={figures} question={figuresQ.key} between={told} system={system} />
          <Belows site={site} machines={machines} rest={rest} pace={pace} show={showStretch} />
        </div>
        <div>
          <Standing asked={events} what="what happened" question={eventsQ.key} />
          <HappenedList site={site} happened={inView} known={events.answered.value === eventsQ.key} more={Boolean(events.value.value?.next)} chosen={model.chosen.value} go={(key) => goTo(key, marks)} />
          <NoteAt site={site} now={now} at={a} kept={() => events.again()} />
          <Share link={linkOf(location, asked, shown, ids, asked.machines)} window={rest} channels={channels.map((c) => c.id)} />
        </div>
      </div>
    </>
  );
}

/** Whether what is told is of the time between the cursors already. */
function stretchTold(both: boolean, a: number | undefined, b: number | undefined, stretch: Span): boolean {
  return both && a !== undefined && b !== undefined && stretch.from === Math.min(a, b) && stretch.to === Math.max(a, b);
}

interface DrawingProps {
  site: Site;
  source: TraceSource;
  model: TraceModel;
  shown: Span;
  follow: boolean;
  least: number;
  now: number;
  width: number;
  host: preact.RefObject<HTMLDivElement | null>;
  channels: ReturnType<typeof knownChannels>;
  machines: string[];
  marks: PlotMark[];
  put: (change: Parameters<TraceModel['set']>[0], step?: boolean) => void;
  go: (key: string) => void;
}

function Drawing({ site, source, model, shown, follow, least, now, width, host, channels, machines, marks, put, go }: DrawingProps) {
  const system = units.value;
  const ids = useMemo(() => channels.map((c) => c.id), [channels]);
  const serving = source.look({ channels: ids, machines, window: shown, width, least });
  useEffect(() => source.seek(), [ids, machines, shown.from, shown.to, width, least]);
  const fresh = source.fresh.value;
  // Live readings are drawn as the view moves on, or once a second where it holds the present still.
  const beat = !follow && shown.to >= now - 2_000 ? Math.floor(now / 1_000) : follow ? shown.to : 0;
  const height = width < 600 ? lanesPx.narrow : lanesPx.wide;
  const lanes = useMemo(
    () => lanesOf({ site, channels, machines, system, height }, (id) => source.of(id)),
    [channels, machines, system, height, fresh, beat, serving],
  );
  const states = useMemo(
    () => machines.map((m) => ({ machine: m, runs: source.band(m)?.runs ?? [] })),
    [machines, fresh, beat, serving],
  );
  const coarse = machines.some((m) => (source.band(m)?.stepMs ?? 0) > 0);
  return (
    <div class="trace-plot" ref={host} data-waiting={source.waiting.value} data-fresh={fresh > 0}>
      {source.error.value && <p class="standing warn" role="status">The readings could not be fetched: {source.error.value}. Trying again. <button type="button" class="plain" onClick={() => source.again()}>Try now</button></p>}
      {fresh === 0 && !source.error.value && <p class="standing" role="status">Fetching readings …</p>}
      {channels.length === 0 && <p class="absent">No channel is chosen: choose some above.</p>}
      {width > 0 && (
        <Plot
          from={shown.from} to={shown.to} least={least} most={now} lanes={lanes} states={states} marks={marks} chosen={model.chosen.value}
          a={model.view.value.a} b={model.view.value.b} width={width} timeZone={site.timezone} colours={colours.value}
          onView={(from, to, done) => {
            if (done) put(moved(model.view.peek(), { from, to }, now));
            else model.moving.value = { from, to };
          }}
          onCursor={(which, at) => put({ [which]: at === undefined ? undefined : Math.round(at) }, false)}
          onMark={go} onPoint={() => undefined}
        />
      )}
      {coarse && <p class="aside">The states change more often here than can be drawn: shown is what each machine did most of in each part.</p>}
      {source.rawDropped.value && <p class="aside">Single readings of a part of this time are no longer kept (keep_raw): it is drawn in minutes, with their lowest and highest readings.</p>}
    </div>
  );
}

/** told: what the sentence is about; the figures of another time are not told as of it. */
function Sentence({ site, now, shown, follow, machines, asked, told, whole, live }: {
  site: Site; now: number; shown: Span; follow: boolean; machines: string[]; asked: Asked<FiguresAnswer>; told: Span; whole: boolean; live: boolean;
}) {
  const last = asked.value.value;
  const answer = last && tells({ from: Date.parse(last.from), to: Date.parse(last.to) }, told) ? last : undefined;
  const years = [shown.from, shown.to].some((ms) => localDate(ms, site.timezone).slice(0, 4) !== localDate(now, site.timezone).slice(0, 4));
  const preset = spans.find((s) => Math.abs(shown.to - shown.from - s.ms) < s.ms / 200);
  const systems = site.systems.filter((s) => s.minimum_pressure_pa !== undefined && s.machines.some((m) => machines.includes(m)));
  return (
    <div class={live || !follow ? 'sentence' : 'sentence not-live'}>
      <div data-answer={answer && figuresAddress(answer)}>
        <h1>{follow && preset ? `The last ${preset.title.toLowerCase()}, up to now.` : <><Moment ms={shown.from} timeZone={site.timezone} year={years} /> to {follow ? 'now' : <Moment ms={shown.to} timeZone={site.timezone} year={years} />}.</>}</h1>
        {!answer && <p class="note-line aside">{asked.error.value ? 'What was done then could not be fetched.' : 'Looking up what was done then …'}</p>}
        {answer && (
          <p class="note-line">
            {!whole && 'Between the cursors: '}
            {machines.slice(0, 3).map((m) => <span key={m}>{m} <StateTimes answer={answer} machine={m} />. </span>)}
            {systems.map((s) => {
              const found = systemFigures(answer, s.name).get('time_below_minimum');
              if (found?.figure.value === undefined) return null;
              const whose = site.systems.length > 1 ? `Pressure of ${s.name}` : 'Pressure';
              return (
                <span key={s.name} class="must">
                  {found.figure.value === 0
                    ? `${whose} was never seen below the minimum while a machine ran. `
                    : <>{whose} was below the minimum for <DurationNum found={found} /> while a machine ran. </>}
                </span>
              );
            })}
          </p>
        )}
      </div>
    </div>
  );
}

function Belows({ site, machines, rest, pace, show }: { site: Site; machines: string[]; rest: Span; pace: Pace; show: (from: number, to: number) => void }) {
  const systems = site.systems.filter((s) => s.minimum_pressure_pa !== undefined && s.machines.some((m) => machines.includes(m)));
  return <>{systems.map((s) => <BelowOf key={s.name} site={site} system={s.name} rest={rest} pace={pace} show={show} />)}</>;
}

function BelowOf({ site, system, rest, pace, show }: { site: Site; system: string; rest: Span; pace: Pace; show: (from: number, to: number) => void }) {
  const q = askBelow(system, rest);
  const asked = useAsked(pace, q);
  return <BelowList site={site} asked={asked} question={q.key} address={q.address} show={show} />;
}
