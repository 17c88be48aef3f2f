// Ways to measure the leak, side by side with their intervals, and what is no leak.
import type { NightsAnswer, Site, Table } from '../api';
import { cellText, columnUnit } from '../figure/cells';
import { Known } from '../figure/known';
import { lookAt } from '../figure/look';
import { Num } from '../figure/number';
import { Tables } from '../figure/told';
import { capital } from '../look/words';
import { showFigure, type UnitSystem } from '../units/units';

interface Props {
  answer: NightsAnswer;
  site: Site;
  system: UnitSystem;
}

export function Methods({ answer, site, system }: Props) {
  const of = (name: string) => answer.tables.findIndex((t) => t.name === name);
  const methods = answer.tables[of('leak_methods')];
  return (
    <section class="ways" aria-labelledby="ways-title">
      <h2 id="ways-title">What leaks, measured in different ways</h2>
      {methods ? (
        <>
          <p class="said"><span data-words>{capital(answer.agreement)}</span>. Leaks follow the absolute pressure, so each is brought to the mean pressure of the quiet hours; the line is its interval at 95&nbsp;%.</p>
          <Ways table={methods} at={`/tables/${of('leak_methods')}`} system={system} />
        </>
      ) : <p class="absent">No way to measure it gave anything{answer.absent && <>: <span data-words>{answer.absent}</span></>}.</p>}
      <Users answer={answer} at={of('quiet_users')} system={system} />
      <Tables tables={answer.tables} at="" system={system} />
      {methods && (
        <Known
          title="what leaks, by each way" facts={{ method: methods.method, inputs: answer.figures.find((f) => f.name === 'leak_flow')?.inputs ?? [], instruments: [] }}
          look={lookAt(site, { system: answer.system }, answer.figures.find((f) => f.name === 'leak_flow') ?? {}, Date.parse(answer.from), Date.parse(answer.to))}
        />
      )}
    </section>
  );
}

/** Each way as a dot on its interval, over one axis that begins at nothing. */
function Ways({ table, at, system }: { table: Table; at: string; system: UnitSystem }) {
  const unit = columnUnit(table, 0, system);
  const most = Math.max(...table.rows.map((r) => (r.values[0] ?? 0) + (r.values[1] ?? 0)), 0);
  const share = (v: number) => (most > 0 ? Math.min(100, Math.max(0, (v / most) * 100)) : 0);
  const combined = table.rows.find((r) => r.name === 'combined');
  return (
    <ul class="way-list">
      {table.rows.map((r, i) => {
        const [v, u] = r.values;
        const known = typeof v === 'number' && typeof u === 'number';
        const shown = known ? showFigure('leak_flow', v, table.columns[0]?.unit ?? '1', u, system) : undefined;
        return (
          <li key={r.name} class={r.name === 'combined' ? 'together' : undefined}>
            <h3><span data-words>{r.name === 'combined' ? 'Together' : capital(r.name)}</span></h3>
            {known ? (
              <>
                <svg class="way" viewBox="0 0 100 10" preserveAspectRatio="none" role="img" aria-label={`${r.name === 'combined' ? 'Together' : capital(r.name)}: ${shown?.value} plus or minus ${shown?.uncertainty} ${unit}`}>
                  {combined && typeof combined.values[0] === 'number' && typeof combined.values[1] === 'number' && (
                    <rect class="band" x={share(combined.values[0] - combined.values[1])} width={share(combined.values[0] + combined.values[1]) - share(combined.values[0] - combined.values[1])} y={0} height={10} />
                  )}
                  <line class="interval" x1={share(v - u)} x2={share(v + u)} y1={5} y2={5} />
                  <line class="middle" x1={share(v)} x2={share(v)} y1={1} y2={9} />
                </svg>
                <p class="way-value"><strong><Num value={v} at={`${at}/rows/${i}/values/0`}>{shown?.value}</Num></strong> ± <Num value={u} at={`${at}/rows/${i}/values/1`}>{shown?.uncertainty}</Num> {unit}</p>
              </>
            ) : <p class="absent none"><span data-words>{capital(r.note ?? 'it gives nothing')}</span>.</p>}
            {known && r.note && <p class="aside way-note"><span data-words>{capital(r.note)}</span>.</p>}
          </li>
        );
      })}
    </ul>
  );
}

/** What takes air at night on purpose, by the site file. */
function Users({ answer, at, system }: { answer: NightsAnswer; at: number; system: UnitSystem }) {
  const table = answer.tables[at];
  if (!table) return <p class="aside">The site file names no purge, drain or night user (<code>night_users</code>, <code>drains</code>, <code>purge</code> at its system), so all that flows at night counts as leak.</p>;
  const unit = columnUnit(table, 0, system);
  return (
    <>
      <h3 class="off-title">Taken off, since it is no leak</h3>
      <ul class="taken-off">
        {table.rows.map((r, i) => (
          <li key={r.name}>
            <span data-words>{r.name}</span>: {r.values[0] == null ? 'not separable, it counts as leak' : <><Num value={r.values[0]} at={`/tables/${at}/rows/${i}/values/0`}>{cellText(table, 0, r.values[0], system)}</Num> {unit}</>}
            {r.note && <span class="aside"> (<span data-words>{r.note}</span>)</span>}
          </li>
        ))}
      </ul>
    </>
  );
}
