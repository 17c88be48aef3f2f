// A whole audit from an empty folder, in a week that goes by at once. Run by TestAudit:
//   BASE_URL  loadscribe new, and from then on the agent of the site that it wrote
//   PLANT     address of the simulated plant, for the site file
//   RIG_URL   steers the plant's time and knows what really happened: cmd/loadscribe/auditrig_test.go
//   BEGIN     when the agent's time begins, a Monday at 07:10
// Each step needs what the one before left: after one that failed none is begun.
import assert from 'node:assert/strict';
import { readFileSync } from 'node:fs';
import { api, base, begin, check, close, endChecks, openAt, patience, settled, tolerating } from './harness.mjs';
import { numbers } from './numbers.mjs';

const rig = process.env.RIG_URL;
const zone = 'America/Chicago';
const from = Date.parse(process.env.BEGIN);
begin('audit');

let broken = '';
const step = (name, f) => check(name, async () => {
  if (broken) throw new Error(`not begun: the audit stopped at “${broken}”`);
  broken = name;
  await f();
  broken = '';
}, 120_000, false);

/** Asks the rig for something; what it says is wrong fails. */
async function steer(method, path, query = {}) {
  const answer = await fetch(`${rig}${path}?${new URLSearchParams(query)}`, { method });
  const text = await answer.text();
  assert.equal(answer.status, 200, `${path}: ${text}`);
  return JSON.parse(text);
}

/** Local date so many days after the beginning; in it the moment of an hour. No week of the audit has a change of the clocks between 07:10 on Monday and Saturday night. */
const date = (day) => new Intl.DateTimeFormat('en-CA', { timeZone: zone }).format(new Date(from + day * 86_400_000));
function onDay(day, clock) {
  const guess = Date.parse(`${date(day)}T${clock}:00Z`);
  const shown = new Intl.DateTimeFormat('sv-SE', { timeZone: zone, dateStyle: 'short', timeStyle: 'medium' }).format(guess);
  return new Date(2 * guess - Date.parse(`${shown.replace(' ', 'T')}Z`)).toISOString();
}
/** The days that are told: all of them whole. */
const week = { from: date(1), to: date(6) };
const inWeek = new URLSearchParams(week);
const inTruth = { from: onDay(1, '00:00'), to: onDay(7, '00:00') };

/** Whether an interval of 95 % holds what happened: half as wide again is allowed, so that a sound figure fails once in 300 times. */
const holds = (what, value, u, truth) => assert.ok(Math.abs(value - truth) <= 1.5 * u, `${what}: ${value} ± ${u}, truly ${truth}`);

let page;
const at = (field) => page.locator(`[id="f-${field}"]`);
const fill = async (all) => { for (const [field, value] of Object.entries(all)) await at(field).fill(value); };

step('the site file is made with the page’s help, and the same page goes on with what is read', async () => {
  page = await openAt('', { timezoneId: zone, locale: 'en-US', ready: '.main-button' });
  await fill({ 'site.name': 'Weir Street Frames', 'site.barometer': '98.8 kPa', 'site.shifts': 'Mon-Fri 07:00-16:00', 'site.weeks_per_year': '50' });
  await at('line.0.kind').selectOption('modbus-tcp');
  await at('line.0.address').fill(process.env.PLANT);
  await at('device.0.map').selectOption('maps/screw-controller.toml');
  await page.click('button:has-text("Another device")');
  await fill({ 'device.1.name': 'meter', 'device.1.unit': '2' });
  await at('device.1.map').selectOption('maps/power-meter.toml');
  await page.getByLabel('Readings of meter are this compressor’s').check();
  await fill({
    'machine.0.rated_flow': '185 cfm', 'machine.0.rated_pressure': '125 psi', 'machine.0.rated_power': '37 kW', 'machine.0.cut_in': '95 psi', 'machine.0.cut_out': '120 psi',
    'machine.0.no_load_stop': '4 min', 'machine.0.least_between_starts': '6 min', 'system.0.minimum_pressure': '90 psi',
    'system.0.parts.0.volume': '660 gal', 'tariff.currency': 'USD', 'tariff.energy.0.price': '0.118',
  });
  await page.click('button:has-text("A place that is measured")');
  await at('system.0.taps.0.at').selectOption('receiver');
  await page.waitForFunction(() => document.querySelector('[id="f-system.0.taps.0.pressure"]').options.length > 1, null, patience);
  await at('system.0.taps.0.pressure').selectOption('controller.receiver_pressure');
  await page.waitForFunction(() => /^This site can be recorded/.test(document.querySelector('h1').textContent), null, patience);
  await tolerating(/ERR_CONNECTION|Failed to load resource|WebSocket/, async () => {
    await page.click('.main-button');
    await page.waitForURL(/#\/hook-up/, { timeout: 40_000 });
    await page.waitForSelector('html[data-connection=live]', { timeout: 40_000, state: 'attached' });
    await close(page);
    await steer('POST', '/begin'); // from here on time is the rig's
  });
});

step('the hook-up check finds the wiring right', async () => {
  page = await openAt('#/hook-up');
  await page.click('button:has-text("Begin the check of comp1")');
  await steer('POST', '/to', { time: onDay(0, '07:21'), each: '1' });
  for (const [name, state] of [['stopped', 'off standby stopped'], ['unloaded', 'unloaded'], ['loaded', 'loaded'], ['unloaded_again', 'unloaded']]) {
    const here = `[data-step=${name}]`;
    // A step in which the machine went on by itself is asked for again: then once more.
    for (let tries = 0, over = false; tries < 4 && !over; tries++) {
      await page.waitForSelector(`${here}[aria-current=step] .now-step button.main:enabled`, patience);
      await steer('POST', '/state', { is: state, most: '1h' });
      await steer('POST', '/for', { span: '3s' });
      await Promise.all([page.waitForResponse((r) => r.url().endsWith('/hookup/step'), patience), page.click('.now-step button.main')]);
      await steer('POST', '/for', { span: '45s' });
      // The agent first, then the page: before it has heard, it shows what was.
      let seen = await api('hookup');
      for (const end = Date.now() + patience.timeout; seen.phase === 'collecting' && Date.now() < end; seen = await api('hookup')) await page.waitForTimeout(100);
      over = seen.steps.find((s) => s.step === name).state === 'done';
      await page.waitForSelector(over ? `${here}[data-state=done]` : `${here} .now-step .warn`, patience);
    }
    assert.equal(await page.getAttribute(here, 'data-state'), 'done', await page.textContent('.walk'));
  }
  await page.waitForSelector('.found[data-verdict]', patience);
  assert.equal(await page.getAttribute('.found', 'data-verdict'), 'well', await page.textContent('.found'));
  assert.deepEqual((await api('hookup')).findings, []);
  await close(page);
});

/** A guided test, begun with the page's form by a person who has read the cautions, until the page has its result. */
async function guided(test, time, most) {
  await steer('POST', '/to', { time });
  page = await openAt('#/after-hours');
  await page.click(`[data-test=${test}]`);
  await page.fill('.night-form [name=who]', 'R. Vale');
  await page.check('.night-form [name=confirmed]');
  await page.click('.night-form button[type=submit]');
  await page.waitForSelector(`.running[data-test=${test}]`, patience);
  await steer('POST', '/test', { phase: 'done', most });
  await page.waitForSelector(`.running[data-test=${test}][data-phase=done]`, patience);
  let found;
  for (const end = Date.now() + 10_000; !found && Date.now() < end; await page.waitForTimeout(100)) found = (await api('tests')).results.find((r) => r.test === test);
  assert.ok(found, `no result of the ${test} test`);
  await page.waitForSelector(`.result-list [data-seq="${found.seq}"]`, patience);
  assert.equal(Number(await page.getAttribute(`[data-seq="${found.seq}"] [data-at$="/flow_m3s"]`, 'value')), found.flow_m3s);
  await close(page);
  return found;
}

step('the pump-up test finds what the machine truly delivers', async () => {
  const found = await guided('pump-up', onDay(5, '08:58'), '1h');
  const { true_flow_m3s: flow } = await steer('GET', '/truth', { from: found.from, to: found.to });
  holds('full-load flow', found.flow_m3s, found.flow_uncertainty_m3s, flow);
});

step('the leak test finds what the plant truly leaks', async () => {
  const found = await guided('leak', onDay(6, '10:00'), '4h');
  const { plant } = await steer('GET', '/truth', { from: found.from, to: found.to });
  holds('leaks', found.flow_m3s, found.flow_uncertainty_m3s, (plant.LeakedM3 + plant.UsedM3) / ((Date.parse(found.to) - Date.parse(found.from)) / 1000));
});

step('two alternatives are replayed, the calibration first', async () => {
  await steer('POST', '/to', { time: onDay(7, '07:20') });
  page = await openAt(`#/other-settings?${new URLSearchParams({ from: date(1), to: date(2) })}`);
  await page.waitForSelector('.replayed[data-replayed=true]', patience);
  for (const [i, alternative] of [{ 'name': 'lower band', 'comp1.cut_in': '92 psi', 'comp1.cut_out': '117 psi' }, { 'name': 'shorter rest', 'comp1.no_load_stop': '2 min' }].entries()) {
    await page.click('button.try');
    for (const [field, value] of Object.entries(alternative)) await page.fill(`.try-form [name="${field}"]`, value);
    await page.click('.try-form button[type=submit]');
    await page.waitForFunction((n) => document.querySelectorAll('.option').length === n && document.querySelector('.replayed[data-replayed=true]'), i + 1, patience);
  }
  const [path, query] = (await page.getAttribute('.replayed', 'data-answer')).split('?');
  const { answer } = await api(path.replace('/api/v1/', ''), query);
  assert.deepEqual(answer.alternatives.map((a) => a.name), ['lower band', 'shorter rest']);
  assert.deepEqual(await page.$$eval('.option .saving data', (all) => all.map((e) => Number(e.value)).slice(0, 1)), [answer.alternatives[0].saved_kwh.value]);
  // Air pressed less high and a motor that idles less take less.
  for (const a of answer.alternatives) assert.ok(a.saved_kwh.value > 0, `${a.name} saves ${a.saved_kwh.value} kWh`);
  assert.equal(answer.fit.poor ?? false, false, 'a steady week is met poorly');
  await close(page);
});

/** The measured figures that the answer tells, each with whom it is about: a year's numbers, which are computed from these, are no figures of these days. */
const told = new Map();
step('the report’s answer says what its data say, and what happened', async () => {
  page = await openAt(`#/what-we-missed?${inWeek}`);
  await page.click('button:has-text("Make the report of these days")');
  await page.waitForSelector('[data-report=done]', { timeout: 40_000 });
  const file = async (name) => {
    const [download] = await Promise.all([page.waitForEvent('download'), page.click(`a[download="${name}"]`)]);
    return readFileSync(await download.path(), 'utf8');
  };
  const report = JSON.parse(await file('report.json'));
  const html = await file('report.html');
  const [answer] = html.slice(html.indexOf('<section id="answer">')).split('</section>');
  const shown = [...answer.matchAll(/<data value="([^"]+)" data-at="([^"]+)">/g)].map(([, value, at]) => ({ at, value: Number(value) }));
  const follow = (at) => at.slice(1).split('/').reduce((v, key) => v?.[key], report);
  assert.ok(shown.length >= 8, `the answer has ${shown.length} numbers`);
  for (const n of shown) {
    assert.equal(follow(n.at), n.value, n.at);
    const [of] = /^\/data\/figures\/(machines|systems)\/0/.exec(n.at) ?? [];
    const figure = follow(n.at.replace(/\/[^/]*$/, ''));
    if (of) told.set(figure.name, { figure, subject: of.includes('systems') ? { system: 'main' } : {} });
  }
  const { machine } = await steer('GET', '/truth', inTruth);
  const [, , starting, unloaded, loaded] = machine.States.map((ns) => ns / 1e9);
  const energy = machine.EnergyJ / 3.6e6;
  const truth = {
    energy, energy_cost: energy * 0.118, air_cost: (energy * 0.118) / machine.DeliveredM3, starts: machine.Starts,
    running_time: starting + unloaded + loaded, unloaded_time: unloaded, duty_cycle: loaded / (starting + unloaded + loaded),
  };
  const all = [...report.data.figures.machines[0].figures, ...report.data.figures.systems[0].figures];
  for (const [name, really] of Object.entries(truth)) {
    const f = all.find((x) => x.name === name);
    holds(name, f.value, f.uncertainty ?? 0, really);
  }
  await close(page);
});

/** What Trace shows in its table is what the API has at the address of each cell. */
async function readingsAreTheApis(name) {
  await page.waitForSelector('.trace-plot[data-fresh=true][data-waiting=false]', patience);
  await page.waitForFunction(() => document.querySelector('.readings tbody tr') && !document.querySelector('.trace-parts .standing'), null, patience);
  const cells = await page.$$eval('.readings data[data-at]', (all) => all.map((e) => ({ at: e.dataset.at, value: Number(e.value), of: e.closest('[data-answer]').dataset.answer })));
  assert.ok(cells.length > 0, `${name}: Trace shows no reading`);
  const answers = new Map();
  for (const c of cells) {
    if (!answers.has(c.of)) answers.set(c.of, await (await fetch(base + c.of)).json());
    assert.equal(c.at.slice(1).split('/').reduce((v, key) => v?.[key], answers.get(c.of)), c.value, `${name}: ${c.at} of ${c.of}`);
  }
}

/** From a figure of the page Every figure by how we know to Trace; what Trace was asked for. */
async function toTrace(subject, name, value) {
  await page.goto(`${base}/#/every-figure?${new URLSearchParams({ ...week, ...subject })}`);
  const entry = page.locator('.figure', { has: page.locator(`[data-figure="${name}"]`) }).first();
  await entry.locator('summary').first().click();
  assert.equal(Number(await entry.locator('.value data').first().getAttribute('value')), value, name);
  await entry.locator('details a[href^="#/trace?"]').first().click();
  await page.waitForFunction(() => location.hash.startsWith('#/trace?'));
  await readingsAreTheApis(name);
  return new URLSearchParams(new URL(page.url()).hash.split('?')[1]);
}

step('each measured number of the answer is followed to its readings', async () => {
  page = await openAt(`#/every-figure?${inWeek}`);
  await page.waitForSelector('.figure .value', patience);
  await settled(page);
  await numbers(page, 30);
  assert.ok(told.size >= 5, `the answer rests on ${told.size} figures of these days`);
  for (const { figure, subject } of told.values()) await toTrace(subject, figure.name, figure.value);
  // A lowest pressure is the lowest of the readings themselves.
  const lowest = (await api('figures', week)).machines[0].figures.find((f) => f.name === 'pressure_min');
  const q = await toTrace({}, lowest.name, lowest.value);
  const channel = (await api('site')).channels.find((c) => c.id === q.get('ch').split(',')[0]);
  const csv = await (await fetch(`${base}/api/v1/export?${new URLSearchParams({ layout: 'wide', from: q.get('from'), to: q.get('to'), channel: channel.id })}`)).text();
  const read = csv.trim().split(/\r?\n/).slice(1).map((l) => l.split(',')[1]).filter((v) => v).map(Number);
  const inUnit = (Math.min(...read) * channel.si_scale + channel.si_offset) / { bar: 1e5, kPa: 1e3, Pa: 1 }[lowest.unit];
  assert.ok(Math.abs(inUnit - lowest.value) <= 1e-6 * lowest.value, `the lowest reading is ${inUnit} ${lowest.unit}, the figure ${lowest.value}`);
  await close(page);
});
endChecks();
