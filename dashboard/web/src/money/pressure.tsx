// What a little more or less pressure costs each machine here, beside the rule of
// thumb.
import type { MoneyAnswer, PressureStep } from '../api';
import { foundIn } from '../days/view';
import { HowWeKnow, Value } from '../figure/figure';
import { lookAt } from '../figure/look';
import { Num } from '../figure/number';
import { href } from '../route';
import { convert, figureDisplay, fixed, type UnitSystem } from '../units/units';
import type { PartProps } from './page';

/** The step that people of these units set a control by: two psi, a tenth of a bar. */
function stepOf(steps: PressureStep[], system: UnitSystem): number {
  return steps.length < 2 ? 0 : system === 'us' ? 1 : 0;
}

const titles: [string, string][] = [
  ['pressure_step_power', 'Power under load'], ['pressure_step_energy', 'Energy, these days'], ['pressure_step_cost', 'Cost, these days'], ['pressure_step_cost_year', 'Cost, a year'],
];

export function Pressure(props: PartProps) {
  const { answer } = props;
  return (
    <section class="money-part" aria-labelledby="pressure-title">
      <h2 id="pressure-title">What pressure costs here</h2>
      {answer.pressure.map((p, i) => <One key={p.machine} {...props} cost={p} at={`/pressure/${i}`} alone={answer.pressure.length === 1} />)}
      {answer.pressure.length > 0 && (
        <p class="aside small">
          For the same air: leaks and users without a regulator take more at more pressure, which is not in it.{' '}
          <a href={href('settings', { machine: answer.kind === 'machine' ? answer.subject : undefined })}>Same air, other settings</a> plays it through. Nothing is set from here: pressure is set at the machine, within its plate and what the plant needs, by who is allowed to.
        </p>
      )}
      {answer.pressure[0] && <p class="aside small">For comparison: <span data-words>{answer.pressure[0].handbook}</span>.</p>}
    </section>
  );
}

function One({ answer, site, system, cost, at, alone }: PartProps & { cost: MoneyAnswer['pressure'][number]; at: string; alone: boolean }) {
  const pressure = figureDisplay('', 'kPa', system);
  const k = stepOf(cost.steps, system);
  const step = cost.steps[k];
  if (cost.absent || !step) return <p class="absent">{alone ? 'Not known' : `${cost.machine}: not known`}: <span data-words>{cost.absent || 'no step was given'}</span>.</p>;
  const all = foundIn(step.figures, `${at}/steps/${k}`);
  const [from, to] = [Date.parse(answer.from), Date.parse(answer.to)];
  return (
    <>
      <p class="said">
        {alone ? '' : `${cost.machine}: `}<strong><Num value={step.step_kpa} at={`${at}/steps/${k}/step_kpa`}>{fixed(convert(pressure, step.step_kpa), pressure.decimals)}</Num> {pressure.unit}</strong> more, or less, around{' '}
        <Num value={cost.pressure_kpa} at={`${at}/pressure_kpa`}>{fixed(convert(pressure, cost.pressure_kpa), pressure.decimals)}</Num> {pressure.unit} at its outlet:
      </p>
      <div class="money-entries">
        {titles.map(([name, title]) => {
          const found = all.get(name);
          if (found?.figure.value === undefined) return null;
          const full = alone ? title : `${title}, ${cost.machine}`;
          return (
            <article key={name} class="figure">
              <h3>{title}</h3>
              <Value figure={found.figure} value={found.figure.value} at={found.at} system={system} />
              <HowWeKnow title={full} figure={found.figure} instruments={answer.instruments} system={system} at={found.at} look={lookAt(site, { machine: cost.machine }, { unit: 'kW', inputs: found.figure.inputs }, from, to)} />
            </article>
          );
        })}
      </div>
    </>
  );
}
