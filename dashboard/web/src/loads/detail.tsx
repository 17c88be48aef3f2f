// What is known of the one that is picked, and the way to its trace.
import type { ComponentChildren } from 'preact';
import type { CyclesAnswer, Site, SiteMachine } from '../api';
import { Num } from '../figure/number';
import { mainPressure, powerChannel } from '../machine/taps';
import { traceHref } from '../trace/address';
import { convert, figureDisplay, fixed, type UnitSystem } from '../units/units';
import { Lasted, Moment } from './list';
import { endAt, loadAt, unloadAt, type Picked } from './pick';

/** So much of the time around it is shown with it. */
const marginMs = 60_000;

/** The address of what is picked in Trace, with the cursors at its load and its unload. */
function traceOf(site: Site, machine: SiteMachine, answer: CyclesAnswer, picked: Picked): string {
  const cycle = answer.cycles[picked.cycle];
  const start = answer.starts.list[picked.start];
  const channels = [mainPressure(site, machine)?.id, powerChannel(site, machine)?.id, machine.channels['sump_pressure']].filter((id) => id !== undefined);
  const begin = start ? Date.parse(start.at) : cycle ? loadAt(cycle) : picked.at;
  const end = cycle ? endAt(cycle) : begin;
  const margin = Math.max(marginMs, (end - begin) / 4);
  return traceHref({
    channels: [...new Set(channels)], machines: [machine.name], from: begin - margin, to: Math.min(end, begin + 6 * 3_600_000) + margin,
    a: cycle ? loadAt(cycle) : begin, b: cycle ? unloadAt(cycle) : undefined,
  });
}

function Row({ term, children }: { term: string; children: ComponentChildren }) {
  return <div><dt>{term}</dt><dd>{children}</dd></div>;
}

export function Detail({ site, machine, answer, picked, system }: { site: Site; machine: SiteMachine; answer: CyclesAnswer; picked: Picked; system: UnitSystem }) {
  const [c, s] = [answer.cycles[picked.cycle], answer.starts.list[picked.start]];
  const at = `/cycles/${picked.cycle}`;
  const d = figureDisplay('', 'kPa', system);
  const pressure = (v: number | undefined, key: string) => (v === undefined ? null : <Num value={v} at={`${at}/${key}`}>{fixed(convert(d, v), d.decimals)}</Num>);
  return (
    <div class="detail">
      <dl>
        {s && <Row term="Started"><Moment iso={s.at} timeZone={site.timezone} />, <Num value={s.in_hour} at={`/starts/list/${picked.start}/in_hour`}>{s.in_hour}</Num> within an hour{s.rest_s !== undefined && <>, after <Lasted s={s.rest_s} at={`/starts/list/${picked.start}/rest_s`} /> of rest</>}{s.after_power_failure ? '; by itself after a power failure' : ''}</Row>}
        {c && <Row term="Loaded"><Moment iso={c.start} timeZone={site.timezone} />, for <Lasted s={c.loaded_s} at={`${at}/loaded_s`} />{c.cut_in_kpa !== undefined && <>, at {pressure(c.cut_in_kpa, 'cut_in_kpa')} {d.unit}</>}</Row>}
        {c && <Row term="Unloaded">{c.unloaded_s > 0 ? <>for <Lasted s={c.unloaded_s} at={`${at}/unloaded_s`} /></> : 'not at all'}{c.cut_out_kpa !== undefined && <>, {c.unloaded_s > 0 ? 'from' : 'it stopped at'} {pressure(c.cut_out_kpa, 'cut_out_kpa')} {d.unit}</>}{c.ended === 'stop' && c.unloaded_s > 0 ? ', then it stopped' : ''}</Row>}
        {c?.cycle_s !== undefined && <Row term="To the next load"><Lasted s={c.cycle_s} at={`${at}/cycle_s`} /></Row>}
        {c?.low_kpa !== undefined && c.high_kpa !== undefined && <Row term="Pressure">between {pressure(c.low_kpa, 'low_kpa')} and {pressure(c.high_kpa, 'high_kpa')} {d.unit}</Row>}
        {c && <Row term="Drawn from it">{c.demand === undefined ? 'cannot be said' : <><Num value={c.demand} at={`${at}/demand`}>{`${fixed(c.demand * 100, 0)} %`}</Num> of its full flow</>}</Row>}
      </dl>
      <p><a class="trace-link" href={traceOf(site, machine, answer, picked)}>See its trace</a></p>
    </div>
  );
}
