// Where the money went: by what the machines did and by the tariff's prices.
import type { MoneyState, StateName } from '../api';
import { SkylineKey } from '../chart/skyline';
import { Known } from '../figure/known';
import { Num } from '../figure/number';
import { useWidth } from '../look/measure';
import { fixed } from '../units/units';
import { duration } from '../units/words';
import type { PartProps } from './page';
import { amount, countedOf, makesAir, stateWords, stretchHref, valueOf, type Counted } from './view';

const barHeight = 34;
const rowHeight = 62;

interface BarRow { name: string; parts: { state: StateName; value: number }[]; sum: number }

/** A bar for each price, or one of all where there is none. */
function rowsOf({ answer }: Pick<PartProps, 'answer'>, counted: Counted): BarRow[] {
  const { states } = answer.split;
  const row = (name: string, of: (s: MoneyState) => number): BarRow => {
    const parts = states.map((s) => ({ state: s.state as StateName, value: Math.max(0, of(s)) }));
    return { name, parts, sum: parts.reduce((a, p) => a + p.value, 0) };
  };
  if (!counted.isMoney || answer.prices.length < 2) return [row(counted.isMoney ? answer.prices[0]?.name ?? 'all' : 'all', (s) => valueOf(s, counted).value)];
  return answer.prices.map((p, i) => row(p.name, (s) => s.by_price[i]?.cost ?? 0)).filter((r) => r.sum > 0);
}

export function Split({ answer, site }: PartProps) {
  const [host, width] = useWidth<HTMLDivElement>();
  const counted = countedOf(answer);
  const { split } = answer;
  const rows = rowsOf({ answer }, counted);
  const title = counted.isMoney ? 'Where the money went' : 'Where the energy went';
  return (
    <section class="money-part" aria-labelledby="split-title">
      <h2 id="split-title">{title}</h2>
      {split.absent ? <p class="absent">Not known by what the machines did: <span data-words>{split.absent}</span>.</p> : split.states.length === 0 ? <p class="absent">Nothing was observed in these days.</p> : (
        <>
          <div ref={host} style={{ minHeight: `${rows.length * rowHeight}px` }}>{width > 0 && <Bars rows={rows} counted={counted} width={width} />}</div>
          <SkylineKey runs={split.states.map((s) => ({ state: s.state as StateName, from: 0, to: 0, reason: '' }))} words={stateWords} />
          <StateTable answer={answer} counted={counted} />
          <Known title={title} facts={{ method: split.method, over: counted.isMoney ? 'each quarter hour at the price that holds then, without demand charges' : undefined, uncertainty: <>the half widths stand in the table; all rows share the meter’s error</> }}
            look={stretchHref(site, answer, Date.parse(answer.from), Date.parse(answer.to))} />
        </>
      )}
    </section>
  );
}

function Bars({ rows, counted, width }: { rows: BarRow[]; counted: Counted; width: number }) {
  const most = Math.max(...rows.map((r) => r.sum), 1e-9);
  const words = rows.map((r) => `${r.name}: ${r.parts.filter((p) => p.value > 0.005 * r.sum).map((p) => `${stateWords[p.state]} ${amount(p.value, counted.isMoney)} ${counted.unit}`).join(', ')}`);
  return (
    <svg class="money-svg" role="img" width={width} height={rows.length * rowHeight} aria-label={`Bars of what went where. ${words.join('; ')}. The table below has every part.`}>
      {rows.map((r, i) => {
        let x = 0;
        return (
          <g key={r.name} transform={`translate(0 ${i * rowHeight})`}>
            <text class="tick strong" x="0" y="15">{r.name}</text>
            {r.parts.map((p) => {
              const w = (p.value / most) * (width - 2);
              const at = x;
              x += w;
              return w < 0.5 ? null : <rect key={p.state} class={`run run-${p.state}`} x={at + 1} y="22" width={w} height={barHeight} />;
            })}
          </g>
        );
      })}
    </svg>
  );
}

/** The bars' numbers; it stands open, for it is short. */
function StateTable({ answer, counted }: { answer: PartProps['answer']; counted: Counted }) {
  const { split, prices } = answer;
  const by = counted.isMoney && prices.length > 1;
  const money = counted.isMoney;
  return (
    <div class="scroll money-table" tabIndex={0} role="region" aria-label="What went where, as a table">
      <table>
        <thead>
          <tr>
            <th scope="col">What the {answer.kind === 'system' ? 'machines' : 'machine'} did</th><th scope="col" class="num">Time</th><th scope="col" class="num">Energy, kWh</th>
            {by && prices.map((p, i) => <th key={p.name} scope="col" class="num"><span data-words>{p.name}</span>, <Num value={p.per_kwh} at={`/prices/${i}/per_kwh`}>{fixed(p.per_kwh, 3)}</Num></th>)}
            {money && <th scope="col" class="num">Cost, {counted.unit}</th>}<th scope="col" class="num">Share</th>
          </tr>
        </thead>
        <tbody>
          {split.states.map((s, i) => {
            const at = `/split/states/${i}`;
            const [share, key] = money && s.cost_share !== undefined ? [s.cost_share, 'cost_share'] : [s.energy_share, 'energy_share'];
            return (
              <tr key={s.state}>
                <th scope="row">{stateWords[s.state as StateName] ?? s.state}{!makesAir(s.state) && <span class="visually-hidden"> (makes no air)</span>}</th>
                <td class="num"><Num value={s.time_s} at={`${at}/time_s`}>{duration(s.time_s * 1000)}</Num></td>
                <td class="num"><Num value={s.energy_kwh} at={`${at}/energy_kwh`}>{fixed(s.energy_kwh, 1)}</Num> ± <Num value={s.uncertainty_kwh} at={`${at}/uncertainty_kwh`}>{spread(s.uncertainty_kwh, 1)}</Num></td>
                {by && s.by_price.map((p, k) => <td key={k} class="num"><Num value={p.cost} at={`${at}/by_price/${k}/cost`}>{fixed(p.cost, 2)}</Num></td>)}
                {money && <td class="num">{s.cost === undefined ? '–' : <><Num value={s.cost} at={`${at}/cost`}>{fixed(s.cost, 2)}</Num> ± <Num value={s.cost_uncertainty ?? 0} at={`${at}/cost_uncertainty`}>{spread(s.cost_uncertainty ?? 0, 2)}</Num></>}</td>}
                <td class="num"><Num value={share} at={`${at}/${key}`}>{`${fixed(share * 100, 1)} %`}</Num></td>
              </tr>
            );
          })}
          {Math.abs(split.rest_kwh) >= 0.05 && (
            <tr>
              <th scope="row">of no state</th><td class="num">–</td><td class="num"><Num value={split.rest_kwh} at="/split/rest_kwh">{fixed(split.rest_kwh, 1)}</Num></td>
              {by && prices.map((p) => <td key={p.name} class="num">–</td>)}
              {money && <td class="num">{split.rest_cost === undefined ? '–' : <Num value={split.rest_cost} at="/split/rest_cost">{fixed(split.rest_cost, 2)}</Num>}</td>}<td class="num">–</td>
            </tr>
          )}
        </tbody>
      </table>
      {Math.abs(split.rest_kwh) >= 0.05 && <p class="aside small">Of no state: what a counter went on counting over gaps, and by how much counter and power do not agree.</p>}
    </div>
  );
}

/** Half a width; one too small to show is said to be less than the last place. */
const spread = (value: number, decimals: number) => (Number(value.toFixed(decimals)) === 0 && value > 0 ? `<${(10 ** -decimals).toFixed(decimals)}` : fixed(value, decimals));
