// Today in figures, each with its uncertainty and how it is known. A figure
// that is not there says why.
import type { ComponentChildren } from 'preact';
import type { Site } from '../api';
import { atLeast, FigureEntry } from '../figure/figure';
import { lookAt } from '../figure/look';
import { Num } from '../figure/number';
import type { Today, TodayFigures } from '../live/figures';
import { href } from '../route';
import type { UnitSystem } from '../units/units';
import { clock, localDate } from '../units/words';

interface Wanted {
  title: string;
  /** the first that is present, else the first, absent */
  names: string[];
  /** said beside it: another figure in words */
  beside?: (today: Today) => ComponentChildren;
}

export function wanted(startsLimit: number | undefined): Wanted[] {
  return [
    { title: 'Duty cycle', names: ['duty_cycle', 'mean_load_fraction'] },
    {
      title: 'Starts per hour', names: ['starts_per_hour_mean'],
      beside: (today) => {
        const found = today.figures.get('starts_per_hour_max');
        const max = found?.figure;
        if (!found || max?.value === undefined) return '';
        const most = Math.round(max.value);
        const limit = startsLimit !== undefined && max.limit === startsLimit ? <Num value={startsLimit} at={`${found.at}/limit`}>{startsLimit}</Num> : startsLimit;
        return (
          <>
            {most === 0 ? 'none' : <>{atLeast(max)}<Num value={max.value} at={`${found.at}/value`}>{most}</Num></>} in the busiest <time dateTime="PT60M">60 minutes</time>
            {limit !== undefined && <>; the motor’s limit is{'\u00a0'}{limit}</>}
          </>
        );
      },
    },
    { title: 'Specific power', names: ['specific_power'] },
  ];
}

export function Figures({ source, site, machine, limit, system }: { source: TodayFigures; site: Site; machine: string; limit: number | undefined; system: UnitSystem }) {
  const timeZone = site.timezone;
  const today = source.today.value;
  const error = source.error.value;
  return (
    <section class="figures" aria-labelledby="figures-title" data-answer={today?.address}>
      <h2 id="figures-title">Today</h2>
      <p class="aside">
        {today ? `From ${clock(today.from, timeZone)} to ${clock(today.to, timeZone)}` : error ? '' : 'Fetching today’s figures …'}
        {error && <span class="warn">{today ? ' – older than it should be: ' : 'No figures: '}{error}. Trying again.</span>}
      </p>
      {today?.notes.map((n) => <p key={n} class="aside">{n.charAt(0).toUpperCase() + n.slice(1).replace(/\.$/, '')}.</p>)}
      {today && wanted(limit).map((w) => <Entry key={w.title} want={w} today={today} site={site} machine={machine} system={system} />)}
      {today && <p><a href={href('figures', { from: localDate(today.from, timeZone), to: localDate(today.to, timeZone), machine })}>Every figure of today</a></p>}
    </section>
  );
}

function Entry({ want, today, site, machine, system }: { want: Wanted; today: Today; site: Site; machine: string; system: UnitSystem }) {
  const candidates = want.names.map((n) => today.figures.get(n));
  const found = candidates.find((f) => f?.figure.value !== undefined) ?? candidates.find((f) => f !== undefined);
  const title = found?.figure.name === 'mean_load_fraction' && found.figure.value !== undefined ? 'Mean load' : want.title;
  return (
    <FigureEntry
      title={title} found={found} instruments={today.instruments} system={system} beside={want.beside?.(today)}
      look={found ? lookAt(site, { machine }, found.figure, today.from, today.to) : ''}
    />
  );
}
