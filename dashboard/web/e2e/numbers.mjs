// Holds every number of a page to the API, in both unit systems: numbers(page, name).
//
// A number that comes from the API is a <data value data-at> below an element
// with data-answer. The answer is asked for again; the value must be what the
// pointer names, and what is shown must be that value in the shown unit, rounded
// (e2e/convert.mjs). Below data-moves is an answer that changes by the second: there
// the pointer must lead to a number, and what is shown must be what the page says
// that it was given. data-count is a count of what the page itself lists. Digits that
// are in no such element are listed: there must be none.
//
// Live readings come by the socket and are soon over. hold(page) asks /api/v1/state
// five times a second until the page stands still; given what it gives, each reading
// of the page must be one that a state had with the same time, or, where a state was
// missed on a busy machine, the one that the store has at that time (/api/v1/moments).
// data-from names the channel from whose reading a distance is taken to what data-at
// names; the words of a drawing may have the readings and the site's limits only.
import assert from 'node:assert/strict';
import { unitOf, volumeHalf, walk, wrong } from './convert.mjs';
import { api, base } from './harness.mjs';

/** Every tagged number of the page, and every text with a digit that is not tagged. */
const gather = (page) => page.evaluate(() => {
  const main = document.querySelector('main');
  const tagged = [...main.querySelectorAll('[data-at]')].map((e) => ({
    text: e.textContent, value: e.getAttribute('value') ?? e.dataset.value, from: e.dataset.from, at: e.dataset.at, less: e.dataset.less, plus: e.dataset.plus, unit: e.dataset.unit ?? '',
    answer: e.closest('[data-answer]')?.dataset.answer ?? '', moves: e.closest('[data-moves]') !== null, near: e.parentElement.textContent.slice(0, 80),
  }));
  const readings = [...main.querySelectorAll('[data-reading][data-value]')].map((e) => ({
    channel: e.dataset.reading, value: e.dataset.value, at: e.dataset.time, text: e.textContent,
  }));
  const descriptions = [...main.querySelectorAll('svg > desc')].map((e) => e.textContent);
  const skipped = '[data-at], [data-count], time, [data-words], [data-reading], svg > desc, input, select, option, textarea, code, kbd, .tick, .window, [aria-hidden=true], script, style';
  const loose = [];
  const texts = document.createTreeWalker(main, NodeFilter.SHOW_TEXT);
  for (let n = texts.nextNode(); n; n = texts.nextNode()) {
    const e = n.parentElement;
    if (!/\d/.test(n.data) || e.closest(skipped)) continue;
    const path = [];
    for (let up = e; up && up !== main && path.length < 4; up = up.parentElement) path.unshift(up.tagName.toLowerCase() + (up.getAttribute('class') ? `.${up.getAttribute('class').trim().split(/\s+/).join('.')}` : ''));
    loose.push({ text: n.data, path: path.join(' > ') });
  }
  return { tagged, readings, descriptions, loose };
});

/** "GMT+13": a zone that has no name of its own. */
const zoneName = (site) => new Intl.DateTimeFormat('en-US', { timeZone: site.timezone, timeZoneName: 'short' }).formatToParts().find((p) => p.type === 'timeZoneName').value;

/** Names that have digits of their own: of the site (comp1) and its zone, of units (kW/100 cfm) and of figures (5 % level of pressure). */
function namesOf(site, groups) {
  const names = [site.name, zoneName(site), ...site.machines.map((m) => m.name), ...site.systems.flatMap((s) => [s.name, ...s.parts.map((p) => p.name)]), ...site.channels.flatMap((c) => [c.id, c.device, c.name]),
    '100 cfm', '1000 ft³', 'ressure it was above for 95 % of the time', ...groups.flatMap((g) => g.figures.map((f) => f.title))];
  return [...new Set(names)].filter((n) => /\d/.test(n)).sort((a, b) => b.length - a.length);
}

const clockOnly = /^\d\d:\d\d(:\d\d)?$/;
/** A window that ended a moment ago may have got a scan since: it is asked for with that in mind. */
const fresh = (answer) => {
  const to = new URL(answer, base).searchParams.get('to');
  return !to || !(Date.parse(to) < Date.now() - 60_000);
};

/** Why a live reading is not the API's; empty where it is. */
async function held(reading, states) {
  const at = Date.parse(reading.at);
  const same = (r) => r && Date.parse(r.time) === at && r.value === Number(reading.value);
  if (states.some((s) => same(s.channels[reading.channel]))) return '';
  const { channels: [found] } = await api('moments', { channel: reading.channel, at: new Date(at).toISOString() });
  const [stored] = found.readings;
  return same(stored) ? '' : `no state had it, and the store has ${JSON.stringify(stored)}`;
}

/** Why a distance of a reading to a limit is not so; empty where it is. */
function apart(t, limit, readings, site, system) {
  const channel = site.channels.find((c) => c.id === t.from);
  const reading = readings.find((r) => r.channel === t.from);
  if (!channel || !reading) return `no reading of ${t.from} is shown`;
  const pa = Math.abs(Number(reading.value) * channel.si_scale + channel.si_offset - limit);
  return wrong(t.text, pa, { unit: 'Pa', share: false, key: '' }, system);
}

/** What the words of a drawing say that no reading and no limit of the site file is. */
function said(text, readings, site, system) {
  const limits = [...site.machines.flatMap((m) => [m.cut_in_pa, m.cut_out_pa]), ...site.systems.map((s) => s.minimum_pressure_pa)].filter((v) => v !== undefined);
  const known = [...limits.map((value) => ({ value, unit: 'Pa' })), ...readings.map((r) => ({ value: Number(r.value), unit: site.channels.find((c) => c.id === r.channel)?.unit }))];
  return [...text.matchAll(/[−-]?\d+(?:\.\d+)?(?: (?:psi|bar))?/g)].map(([m]) => m).filter((m) => !known.some((k) => wrong(m, k.value, { unit: k.unit, share: false, key: '' }, system) === ''));
}

async function check(page, system, { names, site, answers, except, states }) {
  const { tagged, readings, descriptions, loose } = await gather(page);
  const faults = [];
  const clean = (text) => names.reduce((t, n) => t.replaceAll(n, '').replaceAll(n.charAt(0).toUpperCase() + n.slice(1), ''), text);
  for (const t of tagged) {
    if (!t.answer) {
      faults.push(`“${t.text}” in “${t.near}”: no data-answer around it`);
      continue;
    }
    if (!answers.has(t.answer)) answers.set(t.answer, fetch(new URL(t.answer, base)).then(async (r) => (r.ok ? r.json() : { refused: await r.text() })));
    const answer = await answers.get(t.answer);
    if (answer.refused) {
      faults.push(`${t.answer}: ${answer.refused}`);
      continue;
    }
    const { value } = walk(answer, t.at);
    if (typeof value !== 'number') {
      faults.push(`“${t.text}” in “${t.near}”: ${t.answer} has no number at ${t.at}`);
      continue;
    }
    if (t.from !== undefined) {
      const why = apart(t, value, readings, site, system);
      if (why) faults.push(`“${t.near}” (${t.at}, ${system}): ${why}`);
      continue;
    }
    const told = Number(t.value);
    const moves = t.moves && t.answer !== '/api/v1/site'; // what the site file says stays
    if (moves && states && t.answer === '/api/v1/state' && !states.some((s) => walk(s, t.at).value === told)) faults.push(`“${t.text}” in “${t.near}”: no state had ${told} at ${t.at}`);
    const near = moves ? Infinity : fresh(t.answer) ? Math.max(0.02 * Math.abs(value), 0.02) : 0;
    if (!(Math.abs(told - value) <= near)) faults.push(`“${t.text}” in “${t.near}”: the page has ${told}, ${t.answer} at ${t.at} ${value}`);
    let whole = told;
    if (t.less) whole -= walk(answer, t.less).value;
    if (t.plus) whole += walk(answer, t.plus).value;
    if (near > 0 && (t.less || t.plus)) continue; // both may have moved
    const unit = unitOf(answer, t.at, site);
    const why = wrong(t.text, whole, unit, system, t.unit, volumeHalf(answer, t, unit));
    if (why) faults.push(`“${t.text}” in “${t.near}” (${t.at}, ${system}): ${why}`);
  }
  for (const r of readings) {
    const channel = site.channels.find((c) => c.id === r.channel);
    const why = channel && !channel.bit ? wrong(r.text.replace(/[()]/g, ''), Number(r.value), { unit: channel.unit, share: channel.quantity === 'ratio', key: '' }, system) : '';
    if (why) faults.push(`reading ${r.channel} “${r.text}”: ${why}`);
    const not = states && await held(r, states);
    if (not) faults.push(`reading ${r.channel} “${r.text}” of ${r.at}: ${not}`);
  }
  for (const d of descriptions) for (const m of said(clean(d), readings, site, system)) faults.push(`the drawing's words have “${m}”, which is no reading and no limit`);
  for (const l of loose) {
    let text = clean(l.text);
    for (const [pattern] of except) text = text.replace(pattern, '');
    if (/\d/.test(text) && !clockOnly.test(text.trim())) faults.push(`not from the API by any tag: “${l.text.trim().slice(0, 90)}” in ${l.path}`);
  }
  return { faults, tagged: tagged.length };
}

/** Holds the page still; gives the states that the API had until then, see above. */
export async function hold(page) {
  const states = [];
  let going = true;
  const asking = (async () => {
    while (going) {
      states.push(await api('state'));
      await page.waitForTimeout(200);
    }
  })();
  await page.waitForTimeout(1_500); // a scan of each group that is read often
  await page.click('button:has-text("Hold still")');
  await page.waitForTimeout(400); // what was under way has come
  going = false;
  await asking;
  return states;
}

/**
 * Holds every number in the content to the API, in the units shown and in the
 * other ones. least: so many tagged numbers must be there, or the page was not
 * ready. except: [pattern, reason] of digits that are no figures; the reason is
 * for who reads the test. The page should be still: held, or of a window that is over.
 * states: what hold gave.
 */
export async function numbers(page, least, except = [], states = undefined) {
  for (const [, reason] of except) assert.ok(reason, 'an exception wants its reason');
  const site = await api('site');
  const names = namesOf(site, (await api('figure-names')).groups);
  const answers = new Map();
  for (let round = 0; round < 2; round++) {
    const button = page.locator('header button', { hasText: /^(psi|bar)\b|psi|bar/ }).first();
    const system = await page.evaluate(() => document.documentElement.dataset.units);
    const { faults, tagged } = await check(page, system, { names, site, answers, except, states });
    assert.deepEqual([...new Set(faults)], [], `${new Set(faults).size} numbers are not as the API has them (${system})`);
    assert.ok(tagged >= least, `${tagged} numbers from the API, want ${least} at least (${system})`);
    if (round === 0) {
      await button.evaluate((b) => b.click()); // on a phone it lies in the menu
      await page.waitForFunction((old) => document.documentElement.dataset.units !== old, system);
    }
  }
}
