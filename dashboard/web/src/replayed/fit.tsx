// How well the replay meets what was measured: shown before anything is tried.
import type { ReplayAnswer, ReplayCalibrated } from '../api';
import { Known } from '../figure/known';
import { Twin, type TwinRow } from '../look/twin';
import { sentence } from '../look/words';
import type { UnitSystem } from '../units/units';
import { Amount, Plain } from './show';

export function Fit({ answer, system, look }: { answer: ReplayAnswer; system: UnitSystem; look: string }) {
  const { fit, measured } = answer;
  return (
    <section class="fit" aria-labelledby="fit-title">
      <h2 id="fit-title">First: does the replay meet these days?</h2>
      {fit.poor ? (
        <div class="poor" role="note">
          <p><strong>Poor.</strong> <span data-words>{sentence(fit.words)}</span></p>
          <p>Do not decide on this window alone: what is told of other settings below rests on a replay that misses what was measured.</p>
        </div>
      ) : <p class="fit-words"><strong>It does.</strong> <span data-words>{sentence(fit.words)}</span></p>}
      <dl class="met">
        <div>
          <dt>Energy, measured</dt>
          <dd><Amount a={measured.energy_kwh} at="/answer/measured/energy_kwh" unit="kWh" system={system} />; the replay has <Plain value={fit.energy_off_share} at="/answer/fit/energy_off_share" unit="share" system={system} sign /></dd>
        </div>
        <div>
          <dt>Load cycles, counted</dt>
          <dd><Amount a={measured.load_cycles} at="/answer/measured/load_cycles" unit="1" system={system} />; the replay has <Plain value={fit.load_cycles_off_share} at="/answer/fit/load_cycles_off_share" unit="share" system={system} sign /></dd>
        </div>
        <div>
          <dt>Starts, counted</dt>
          <dd><Amount a={measured.starts} at="/answer/measured/starts" unit="1" system={system} />; the replay has {fit.starts_off === 0 ? 'as many' : <><Plain value={fit.starts_off} at="/answer/fit/starts_off" unit="1" system={system} sign /></>}</dd>
        </div>
        <div>
          <dt>Pressure at the minutes’ ends</dt>
          <dd>usually apart by <Plain value={fit.pressure_rms_pa} at="/answer/fit/pressure_rms_pa" unit="Pa" system={system} /></dd>
        </div>
        <div>
          <dt>Lowest pressure</dt>
          <dd>apart by <Plain value={fit.lowest_pressure_off_pa} at="/answer/fit/lowest_pressure_off_pa" unit="Pa" system={system} sign /></dd>
        </div>
      </dl>
      <Known title="the replay" facts={{ method: answer.method, inputs: answer.inputs, coverage: { value: answer.coverage, at: '/answer/coverage' }, note: answer.remarks.map(sentence).join(' ') || undefined }} look={look} />
      <Twin
        title="What the replay rests on"
        columns={[{ title: 'Of' }, { title: 'Value' }, { title: 'Value found', number: true }, { title: 'Where it comes from' }]}
        rows={() => answer.calibration.map((c, i) => restsOn(c, i, system))}
      />
    </section>
  );
}

function restsOn(c: ReplayCalibrated, i: number, system: UnitSystem): TwinRow {
  const unit = c.unit === '1' ? 'share' : c.unit === 'm³' ? 'm³ stored' : c.unit;
  return {
    key: String(i),
    cells: [
      <span>{c.machine ?? 'the plant'}</span>,
      <span data-words>{c.name}</span>,
      <Amount a={{ value: c.value, uncertainty: c.uncertainty }} at={`/answer/calibration/${i}`} unit={unit} system={system} />,
      <span class="basis" data-words>{c.basis}</span>,
    ],
  };
}
