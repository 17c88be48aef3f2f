// What was tried: each alternative's saving with its interval against nothing
// saved, then all of them side by side.
import type { ReplayAmount, ReplayAnswer, ReplayOutcome, ReplayResult } from '../api';
import { Known } from '../figure/known';
import { Num } from '../figure/number';
import { sentence } from '../look/words';
import type { UnitSystem } from '../units/units';
import { Amount, Plain, shownAs, told } from './show';
import { Whiskers } from './whiskers';

interface OptionsProps {
  answer: ReplayAnswer;
  system: UnitSystem;
  look: string;
  /** whether the answer is of what the address asks for now */
  fresh: boolean;
  change: (index: number) => void;
  remove: (index: number) => void;
  sheet: (index: number) => string;
}

/** The remark that users would go without air stands before any saving. */
export const isShort = (r: ReplayResult): string | undefined => r.remarks.find((m) => m.startsWith('SHORT OF AIR'));

export function Options(props: OptionsProps) {
  const { answer, system } = props;
  if (answer.alternatives.length === 0) return null;
  return (
    <section class="tried" aria-labelledby="tried-title">
      <h2 id="tried-title">What the same air would have taken</h2>
      <Whiskers results={answer.alternatives} system={system} />
      <SideBySide answer={answer} system={system} />
      {answer.alternatives.map((r, i) => <Option key={`${i} ${r.name}`} {...props} result={r} index={i} />)}
    </section>
  );
}

interface Row {
  title: string;
  unit: string;
  of: (o: ReplayOutcome) => ReplayAmount;
  key: keyof ReplayOutcome;
}

const rows: Row[] = [
  { title: 'Energy', unit: 'kWh', of: (o) => o.energy_kwh, key: 'energy_kwh' },
  { title: 'Starts', unit: '1', of: (o) => o.starts, key: 'starts' },
  { title: 'Starts in an hour, most', unit: '1', of: (o) => o.starts_per_hour_max, key: 'starts_per_hour_max' },
  { title: 'Load cycles', unit: '1', of: (o) => o.load_cycles, key: 'load_cycles' },
  { title: 'Lowest pressure', unit: 'Pa', of: (o) => o.lowest_pressure_pa, key: 'lowest_pressure_pa' },
  { title: 'Mean pressure', unit: 'Pa', of: (o) => o.mean_pressure_pa, key: 'mean_pressure_pa' },
  { title: 'Below the minimum', unit: 's', of: (o) => o.below_minimum_s, key: 'below_minimum_s' },
  { title: 'Power for air', unit: 'W/(m³/s)', of: (o) => o.specific_power_w_per_m3s, key: 'specific_power_w_per_m3s' },
];

function SideBySide({ answer, system }: { answer: ReplayAnswer; system: UnitSystem }) {
  const all = answer.alternatives.map((r, i) => ({ r, at: `/answer/alternatives/${i}/outcome` })).filter((a) => !a.r.absent);
  if (all.length === 0) return null;
  return (
    <div class="scroll beside" tabIndex={0} role="region" aria-label="Side by side">
      <table>
        <thead><tr><th scope="col">Over these days</th><th scope="col" class="num">As it is, replayed</th>{all.map((a, i) => <th key={i} scope="col" class="num" data-words>{a.r.name}</th>)}</tr></thead>
        <tbody>
          {rows.map((row) => (
            <tr key={row.title}>
              <th scope="row">{row.title}</th>
              <td class="num"><Amount a={row.of(answer.present)} at={`/answer/present/${row.key}`} unit={row.unit} system={system} /></td>
              {all.map((a, i) => <td key={i} class="num"><Amount a={row.of(a.r.outcome)} at={`${a.at}/${row.key}`} unit={row.unit} system={system} /></td>)}
            </tr>
          ))}
          {answer.currency && (
            <tr>
              <th scope="row">Cost, {answer.currency}</th>
              <td class="num"><Amount a={answer.present.cost} at="/answer/present/cost" unit="1" system={system} /></td>
              {all.map((a, i) => <td key={i} class="num"><Amount a={a.r.outcome.cost} at={`${a.at}/cost`} unit="1" system={system} /></td>)}
            </tr>
          )}
          <tr>
            <th scope="row">Short of air</th>
            <td class="num"><Seconds value={answer.present.short_s} at="/answer/present/short_s" system={system} /></td>
            {all.map((a, i) => <td key={i} class="num"><Seconds value={a.r.outcome.short_s} at={`${a.at}/short_s`} system={system} /></td>)}
          </tr>
        </tbody>
      </table>
    </div>
  );
}

function Seconds({ value, at, system }: { value: number; at: string; system: UnitSystem }) {
  return <Num value={value} at={at}>{shownAs(value, 's', undefined, system).value}</Num>;
}

/** "saves 41 ± 12 kWh of these days" in words that say the sign and whether it is told. */
export function Saving({ r, at, answer, system }: { r: ReplayResult; at: string; answer: ReplayAnswer; system: UnitSystem }) {
  if (r.absent) return <p class="absent" data-words>{sentence(r.absent)}</p>;
  const saved = r.saved_kwh;
  const year = r.saved_cost_year.value !== null && answer.currency ? <>, and <Amount a={r.saved_cost_year} at={`${at}/saved_cost_year`} unit="1" system={system} /> {answer.currency} in a year</> : null;
  return (
    <>
      <p class="saving">
        Saved: <Amount a={saved} at={`${at}/saved_kwh`} unit="kWh" system={system} /> over these days, <Amount a={r.saved_share} at={`${at}/saved_share`} unit="share" system={system} /> of what was measured{year}.{' '}
        {told(saved) ? (saved.value ?? 0) < 0 && 'Less than nothing: it would take more.' : 'That is not told from nothing.'}
      </p>
      {r.assumes_year && year && <p class="aside" data-words>A year is {r.assumes_year}.</p>}
    </>
  );
}

function Option({ result: r, index, answer, system, look, fresh, change, remove, sheet }: OptionsProps & { result: ReplayResult; index: number }) {
  const at = `/answer/alternatives/${index}`;
  const short = isShort(r);
  return (
    <article class="option" data-alternative={r.name} data-option={index}>
      <h3 data-words>{r.name}</h3>
      {short && <p class="poor" data-words>{sentence(short)}</p>}
      <Saving r={r} at={at} answer={answer} system={system} />
      <ul class="changes">
        {r.changes.map((c) => <li key={c.key}><span data-words>{c.machine ? `${c.machine}, ` : ''}{c.name}: <b>{c.becomes}</b>{c.was ? `; now ${c.was}` : '; what it is now is not known'}</span></li>)}
      </ul>
      {r.cautions.length > 0 && (
        <div class="cautions">
          <p><strong>Before anybody turns a screw</strong></p>
          <ul>{r.cautions.map((c) => <li key={c} data-words>{sentence(c)}</li>)}</ul>
        </div>
      )}
      <Known
        title={`the saving of ${r.name}`} look={look}
        facts={{
          note: r.remarks.filter((m) => m !== short).map(sentence).join(' ') || undefined, method: answer.method,
          parts: r.budget && r.budget.length > 0 ? <ul class="parts">{r.budget.map((b, k) => <li key={b.input}><span data-words>{b.input}</span>: <Plain value={b.share} at={`${at}/budget/${k}/share`} unit="share" system={system} /></li>)}</ul> : undefined,
        }}
      />
      <p class="by-command aside">The same by command: <code>loadscribe replay --site FILE --from {answer.from} --to {answer.to} {r.flags}</code></p>
      <p class="acts">
        <button type="button" class="change" disabled={!fresh} onClick={() => change(index)}>Change it<span class="visually-hidden">: {r.name}</span></button>
        <button type="button" disabled={!fresh} onClick={() => remove(index)}>Leave it out<span class="visually-hidden">: {r.name}</span></button>
        {!r.absent && fresh && <a class="to-sheet" href={sheet(index)}>Take these settings to the machine<span class="visually-hidden">: {r.name}</span></a>}
      </p>
    </article>
  );
}
