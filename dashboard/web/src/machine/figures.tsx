// Today in figures, each with its uncertainty and how it is known. A figure
// that is not there says why.
import type { ComponentChildren } from 'preact';
import type { Site } from '../api';
import { atLeast, FigureEntry } from '../figure/figure';
import { lookAt } from '../figure/look';
import { Num } from '../figure/number';
import type { Today, TodayFigures } from '../live/figures';
import { sentence } from '../look/words';
import { href } from '../route';
import type { UnitSystem } from '../units/units';
import { clock, localDate } from '../units/words';

interface Wanted {
  title: string;
  /** the first that is present, else the first, absent */
  names: string[];
  /** said beside it: another figure in words */
  beside?: (today: Today, system: UnitSystem) => ComponentChildren;
}

/** place: where the site's answer has the machine */
export function wanted(startsLimit: number | undefined, place: number): Wanted[] {
  return [
    { title: 'Duty cycle', names: ['duty_cycle', 'mean_load_fraction'] },
    {
      title: 'Starts per hour', names: ['starts_per_hour_mean'],
      beside: (today) => {
        const max = today.figures.get('starts_per_hour_max');
        if (max?.figure.value === undefined) return '';
        const most = Math.round(max.figure.value);
        return (
          <>
            {most === 0 ? 'none' : <>{atLeast(max.figure)}<Num value={max.figure.value} at={`${max.at}/value`}>{most}</Num></>} in the busiest <time>60 minutes</time>
            {startsLimit !== undefined && <>; the motor’s limit is{'\u00a0'}<span data-answer="/api/v1/site"><Num value={startsLimit} at={`/machines/${place}/motor_starts_per_hour`}>{startsLimit}</Num></span></>}
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
        {today ? <>From <time>{clock(today.from, timeZone)}</time> to <time>{clock(today.to, timeZone)}</time></> : error ? '' : 'Fetching today’s figures …'}
        {error && <span class="warn">{today ? ' – older than it should be: ' : 'No figures: '}{error}. Trying again.</span>}
      </p>
      {today?.notes.map((n) => <p key={n} class="aside" data-words>{sentence(n)}</p>)}
      {today && wanted(limit, site.machines.findIndex((m) => m.name === machine)).map((w) => <Entry key={w.title} want={w} today={today} site={site} machine={machine} system={system} />)}
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
      title={title} found={found} instruments={today.instruments} system={system} beside={want.beside?.(today, system)}
      look={found ? lookAt(site, { machine }, found.figure, today.from, today.to) : ''}
    />
  );
}
