// Money and air.
import assert from 'node:assert/strict';
import { api, check, close, fits, localDay, looksRight, openAll, openAt, patience, tabThrough } from './harness.mjs';
import { hold, numbers } from './numbers.mjs';

const open = async (how, query = '') => {
  const page = await openAt(`#/money-and-air${query}`, how);
  await page.waitForSelector('#pressure-title', patience);
  await page.waitForSelector('.money-days svg', patience);
  return page;
};

/** The answer that the page shows, asked for again. */
const shown = async (page) => api('money', (await page.getAttribute('.money', 'data-answer')).split('?')[1]);
const near = (a, b, slack, what) => assert.ok(Math.abs(a - b) <= slack, `${what}: ${a}, want ${b} ± ${slack}`);
/** The last day that was worked from end to end: a small window with all of it. */
const past = async () => {
  const site = await api('site');
  const { days } = await api('days', { from: localDay(site, 5), to: localDay(site, 1) });
  const worked = days.filter((d) => d.figures.find((f) => f.name === 'energy')?.value > 20).at(-1);
  return `?from=${worked.date}&to=${worked.date}`;
};
const openDay = async (how) => open(how, await past());

check('tells what the days cost, state by state and hour by hour, as figures, intervals and tariff have it', async () => {
  const page = await openDay({});
  const answer = await shown(page);
  const figures = (await api('figures', { from: answer.from, to: answer.to })).systems[0].figures;
  const of = (name) => figures.find((f) => f.name === name).value;
  assert.equal(Number(await page.getAttribute('h1 data >> nth=0', 'value')), of('energy_cost'));
  const money = (rows) => rows.reduce((s, r) => s + r.cost, 0);
  near(money(answer.hours.rows) + (answer.hours.gaps_cost ?? 0), of('energy_cost'), 1e-6, 'hours');
  near(money(answer.split.states) + answer.split.rest_cost, of('energy_cost'), 1e-6, 'states');
  near(answer.hours.rows.reduce((s, r) => s + r.energy_kwh, 0) + answer.hours.gaps_kwh, of('energy'), 1e-6, 'energy');
  // The dearest hour by other ways: the intervals of its quarter hours, at the price of the answer.
  const dear = answer.hours.rows[answer.hours.dearest[0]];
  const { intervals } = await api('intervals', { machine: (await api('site')).machines[0].name, from: dear.from, to: dear.to });
  const kWh = intervals.reduce((s, i) => s + i.energy_kwh, 0);
  near(dear.energy_kwh, kWh, 0.02 * kWh, 'energy of the dearest hour');
  near(dear.cost, kWh * answer.prices[dear.price].per_kwh, 0.02 * dear.cost, 'cost of the dearest hour');
  // Half: so many of the dearest make it, one fewer does not.
  const costs = answer.hours.rows.map((r) => r.cost).sort((a, b) => b - a);
  const sum = (n) => costs.slice(0, n).reduce((a, b) => a + b, 0);
  assert.ok(sum(answer.hours.half_hours) >= sum(costs.length) / 2 && sum(answer.hours.half_hours - 1) < sum(costs.length) / 2);
  assert.equal(Number(await page.getAttribute('[data-at="/hours/half_hours"]', 'value')), answer.hours.half_hours);
  // The nameplate, and the demand of the curve's highest step.
  const machine = (await api('site')).machines[0].name;
  const rated = answer.air.rated.find((r) => r.machine === machine);
  near(rated.value, rated.power_kw / rated.flow_m3_min, 1e-9, 'nameplate');
  // What was drawn at most, by the demand itself in steps of the same length.
  const { steps } = await api('demand', { from: answer.from, to: answer.to, step: `${answer.duration.step_s / 60}m` });
  const flows = steps.filter((s) => s.seen > 0.999).map((s) => s.demand_m3s * 60).sort((a, b) => b - a);
  for (const share of [0.05, 0.1, 0.2]) {
    const c = answer.duration.curve.find((x) => x.share === share);
    near(c.flow_m3_min, flows[Math.floor(share * flows.length)], 2 * c.uncertainty_m3_min, `drawn for ${share} of the time`);
  }
  // Every number, opened, is the API's in both units.
  await openAll(page);
  const states = await hold(page);
  await numbers(page, 120, [], states);
  await close(page);
});

check('goes from the demand charge and from a dear hour to their readings', async () => {
  const page = await openDay({});
  const answer = await shown(page);
  const query = async () => {
    await page.waitForFunction(() => location.hash.startsWith('#/trace'));
    return new URLSearchParams(new URL(page.url()).hash.split('?')[1]);
  };
  await page.click('.bills a');
  const peak = await query();
  assert.equal(Date.parse(peak.get('a')), Date.parse(answer.bills[0].peak_from));
  assert.equal(Date.parse(peak.get('b')), Date.parse(answer.bills[0].peak_to));
  // The quarter hour's mean power by its readings.
  const power = peak.get('ch').split(',').find((c) => c.endsWith('power'));
  const { series: [series] } = await api('series', { channel: power, from: answer.bills[0].peak_from, to: answer.bills[0].peak_to, points: 15 });
  const [sum, n] = series.cells.reduce(([s, k], c) => [s + (c.sum ?? 0), k + c.count], [0, 0]);
  near(sum / n, answer.bills[0].peak_kw, 0.02 * answer.bills[0].peak_kw, 'the peak by its readings');
  await page.goBack();
  await page.waitForSelector('.dearest a', patience);
  // By the keyboard alone, each stop to be seen.
  await page.focus('#main');
  const stops = await tabThrough(page, 40);
  assert.ok(stops.some((s) => / to \d\d:\d\d/.test(s.text)), 'no dear hour is reached');
  assert.ok(stops.some((s) => s.text.startsWith('Look at that quarter hour')));
  await page.focus('.dearest a');
  await page.keyboard.press('Enter');
  const dear = answer.hours.rows[answer.hours.dearest[0]];
  assert.equal(Date.parse((await query()).get('from')), Date.parse(dear.from));
  await close(page);
});

fits(open);
looksRight('money', openDay);
