// Beginning a guided test: which one, who, what is known of the volume, and the
// cautions, read and confirmed.
import { useSignal } from '@preact/signals';
import { post, type Site, type TestAsk, type TestCautions, type TestStatus } from '../api';
import { typedNumber } from '../units/typed';
import type { UnitSystem } from '../units/units';
import { testWord } from './course';
import { Mistake, useForm, Why, type Form } from './form';

/** A US gallon is 231 cubic inches by definition; else litres. */
const volumeM3 = (system: UnitSystem) => (system === 'us' ? 231 * 0.0254 ** 3 : 1e-3);

function numberOf(get: (name: string) => string, field: string): number | undefined {
  const text = get(field);
  if (text === '') return undefined;
  const value = typedNumber(text);
  if (!(value > 0)) throw new Mistake(field, `“${text}” is no number above zero, or can be meant in two ways: write it like 1250.5`);
  return value;
}

/** What the form asks for; throws a Mistake at a field that cannot be read. */
export function askOf(get: (name: string) => string, test: TestAsk['test'], name: string, system: UnitSystem): TestAsk {
  const volume = numberOf(get, 'volume_m3');
  const share = numberOf(get, 'volume_share');
  const space = numberOf(get, 'package_m3');
  const unit = volumeM3(system);
  if (share !== undefined && volume === undefined) throw new Mistake('volume_m3', 'the percent belong to a volume: write it, or leave both empty');
  return {
    test, who: get('who'), confirmed: get('confirmed') === 'on',
    ...(test === 'leak' ? { system: name } : { machine: get('machine') }),
    ...(volume === undefined ? {} : { volume_m3: volume * unit }),
    ...(share === undefined ? {} : { volume_share: share / 100 }),
    ...(space === undefined ? {} : { package_m3: space * unit }),
    ...(test === 'pump-up' && get('rises') ? { rises: Number(get('rises')) } : {}),
  };
}

export function BeginTest({ site, name, cautions, system, begun }: { site: Site; name: string; cautions: TestCautions; system: UnitSystem; begun: (s: TestStatus) => void }) {
  const test = useSignal<TestAsk['test'] | ''>('');
  return (
    <div class="begin">
      <div class="choose" role="group" aria-label="Which test">
        {(['leak', 'pump-up'] as const).map((t) => <button key={t} type="button" data-test={t} aria-pressed={test.value === t} aria-expanded={test.value === t} onClick={() => { test.value = test.value === t ? '' : t; }}>Begin a {testWord[t].toLowerCase()} …</button>)}
      </div>
      {test.value !== '' && <Ask key={test.value} test={test.value} site={site} name={name} cautions={test.value === 'leak' ? cautions.leak : cautions.pump_up} system={system} begun={(s) => { test.value = ''; begun(s); }} />}
    </div>
  );
}

const about: Record<TestAsk['test'], string> = {
  leak: 'After hours, with all users off: leave the machine in automatic. It loads and unloads by itself for five to ten cycles; or, with the volume known, it may be stopped, and the pressure falls for ten minutes.',
  'pump-up': 'The plant valve is shut behind the last receiver, the pressure let down, and the machine fills the known volume by itself, three times. It takes half an hour, in which nobody has air.',
};

function Ask({ test, site, name, cautions, system, begun }: { test: TestAsk['test']; site: Site; name: string; cautions: string[]; system: UnitSystem; begun: (s: TestStatus) => void }) {
  const form = useForm(async (get) => {
    begun((await post('/api/v1/tests/start', askOf(get, test, name, system))) as TestStatus);
    return '';
  });
  const machines = site.systems.find((s) => s.name === name)?.machines ?? [];
  return (
    <form class="night-form" onSubmit={form.submit} noValidate aria-label={`Begin a ${testWord[test].toLowerCase()}`}>
      <p>{about[test]}</p>
      <h3>Read this before</h3>
      <ul class="cautions">{cautions.map((c) => <li key={c}><span data-words>{c}</span></li>)}</ul>
      {test === 'pump-up' && <><label>Machine <select name="machine" {...form.bad('machine')}>{machines.map((m) => <option key={m} value={m}>{m}</option>)}</select></label><Why form={form} field="machine" /></>}
      <label>Your name <input name="who" maxLength={80} defaultValue={form.author} autocomplete="name" {...form.bad('who')} /></label><Why form={form} field="who" />
      <Volume form={form} test={test} system={system} />
      <label class="confirm"><input type="checkbox" name="confirmed" {...form.bad('confirmed')} /> I have read these, and told everybody who uses air</label><Why form={form} field="confirmed" />
      <Why form={form} field="" />
      <div class="form-end"><button type="submit" class="main" disabled={form.busy.value}>Begin the {testWord[test].toLowerCase()}</button></div>
    </form>
  );
}

function Volume({ form, test, system }: { form: Form; test: TestAsk['test']; system: UnitSystem }) {
  const unit = system === 'us' ? 'gallons' : 'litres';
  return (
    <details class="better">
      <summary>What is known better than in the site file</summary>
      <p class="aside">Left empty, the volumes of the site file are taken: receivers within 3&nbsp;%, pipes within 15&nbsp;%.</p>
      <label>{test === 'leak' ? 'All the volume that is fed' : 'Volume from the machine to the shut valve'}, {unit} <input name="volume_m3" inputMode="decimal" {...form.bad('volume_m3')} /></label><Why form={form} field="volume_m3" />
      <label>That may be off by, % <input name="volume_share" inputMode="decimal" {...form.bad('volume_share')} /></label><Why form={form} field="volume_share" />
      <label>Air space inside the machine, {unit} <input name="package_m3" inputMode="decimal" {...form.bad('package_m3')} /></label><Why form={form} field="package_m3" />
      {test === 'pump-up' && <><label>Rises <select name="rises" {...form.bad('rises')}>{['', '2', '3', '4', '5', '6'].map((n) => <option key={n} value={n}>{n || 'three, as usual'}</option>)}</select></label><Why form={form} field="rises" /></>}
    </details>
  );
}
