// The gaps: when, how long, why, what the machine's own counters went on by
// meanwhile, and what to do about each.
import type { MissedAnswer, MissedCounter, Site } from '../api';
import { Known, Span } from '../figure/known';
import { Num } from '../figure/number';
import { Twin } from '../look/twin';
import { listed, reasonWords } from '../look/words';
import { traceHref } from '../trace/address';
import { duration } from '../units/words';
import { byLength, counted, holesOf, type Hole } from './words';

/** Shown at first; the table has all. */
const firstHoles = 6;

export function Gaps({ answer, site }: { answer: MissedAnswer; site: Site }) {
  const holes = holesOf(answer.gaps);
  return (
    <section class="gaps" aria-labelledby="gaps-title">
      <h2 id="gaps-title">When nothing was read</h2>
      {holes.length === 0 && <p>There is no gap of a minute or more in these days.</p>}
      <ol class="holes">{holes.slice(0, firstHoles).map((h) => <OneHole key={`${h.from} ${h.gaps[0]?.gap.device}`} hole={h} site={site} />)}</ol>
      {holes.length > firstHoles && <p class="aside">The longest <span data-count>{firstHoles}</span> of <span data-count>{holes.length}</span>; the table has all of them.</p>}
      {answer.gaps_more > 0 && <p class="aside"><Num value={answer.gaps_more} at="/gaps_more">{answer.gaps_more}</Num> shorter ones are left out: choose fewer days.</p>}
      {answer.gaps.length > 0 && <GapsTwin answer={answer} site={site} />}
      <Known
        title="the gaps"
        facts={{
          method: 'A gap is a stretch of a minute and more, and of more than three periods of the device, in which none of its channels had a good reading. The reason is the one that the machine’s states have for most of it. Nothing is filled in: figures leave it out and say what they cover. A counter before and after bounds what happened meanwhile; a maximum over a window with gaps reads “at least”.',
          inputs: answer.devices.map((d) => d.device), instruments: [],
        }}
        look={traceHref({ from: Date.parse(answer.from ?? ''), to: Date.parse(answer.to ?? '') })}
      />
    </section>
  );
}

function OneHole({ hole, site }: { hole: Hole; site: Site }) {
  const first = hole.gaps[0];
  if (!first) return null;
  const around = Math.max(600_000, Math.min(3_600_000, hole.to - hole.from));
  const counters = hole.gaps.flatMap(({ gap, at }) => gap.counters.map((c, i) => ({ c, at: `${at}/counters/${i}` })));
  return (
    <li class="hole">
      <h3><a href={traceHref({ from: hole.from - around, to: hole.to + around })}><Span from={hole.from} to={hole.to} timeZone={site.timezone} /><span class="visually-hidden"> in Trace</span></a></h3>
      <p>
        {byLength(hole).map((same, i) => same[0] && (
          <span key={same[0].at}>{i > 0 && '; '}<strong><Num value={same[0].gap.for_s} at={`${same[0].at}/for_s`}>{duration(same[0].gap.for_s * 1000)}</Num></strong>, <span data-words>{listed(same.map((g) => g.gap.device))}</span></span>
        ))}: <span data-words>{reasonWords(first.gap.reason)}</span>{hole.gaps.some((g) => g.gap.open) && ', to the end of these days'}.
      </p>
      {counters.length > 0 && <Counters all={counters} />}
      {counters.length === 0 && !first.gap.open && <p class="aside">No counter was read before and after it, so that what happened meanwhile is not known.</p>}
      <p class="aside" data-words>{first.gap.mend}</p>
    </li>
  );
}

/** What machines counted meanwhile, by machine. */
function Counters({ all }: { all: { c: MissedCounter; at: string }[] }) {
  const machines = [...new Set(all.map((x) => x.c.machine))];
  return (
    <p>
      {machines.map((m) => (
        <span key={m} class="bound">By its own counters <span data-words>{m}</span> meanwhile{' '}
          {all.filter((x) => x.c.machine === m).map((x, i, of) => {
            const says = counted(x.c);
            const sep = i === 0 ? '' : i === of.length - 1 ? ' and ' : ', ';
            return x.c.role === 'start_count'
              ? <span key={x.at}>{sep}made <Num value={x.c.change} at={`${x.at}/change`}>{says.value}</Num> starts</span>
              : <span key={x.at}>{sep}{says.word} <Num value={x.c.change} at={`${x.at}/change`}>{says.value}</Num> {says.unit}{x.c.role === 'loaded_hours' && ' under load'}</span>;
          })}.{' '}
        </span>
      ))}
    </p>
  );
}

function GapsTwin({ answer, site }: { answer: MissedAnswer; site: Site }) {
  return (
    <Twin
      title="The gaps"
      columns={[{ title: 'When' }, { title: 'Device' }, { title: 'For', number: true }, { title: 'Reason' }, { title: 'Counted meanwhile' }]}
      rows={() => answer.gaps.map((g, i) => ({
        key: `${g.device} ${g.from}`,
        cells: [
          <Span from={Date.parse(g.from)} to={Date.parse(g.to)} timeZone={site.timezone} />, <span data-words>{g.device}</span>,
          <Num value={g.for_s} at={`/gaps/${i}/for_s`}>{duration(g.for_s * 1000)}</Num>, <span data-words>{reasonWords(g.reason)}</span>,
          g.counters.length === 0 ? 'not known' : g.counters.map((c, k) => {
            const says = counted(c);
            return <span key={c.channel}>{k > 0 && ', '}{says.word} <Num value={c.change} at={`/gaps/${i}/counters/${k}/change`}>{says.value}</Num> {says.unit}</span>;
          }),
        ],
      }))}
    />
  );
}
