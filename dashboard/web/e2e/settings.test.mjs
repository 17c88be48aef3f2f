// Same air, other settings.
import assert from 'node:assert/strict';
import { api, check, close, fits, localDay, looksRight, openAll, openAt, patience, tabThrough, tolerating } from './harness.mjs';
import { hold, numbers } from './numbers.mjs';

/** The latest whole day on which somebody worked: one day is quick to replay. */
const day = async (more = '') => {
  const site = await api('site');
  const { days } = await api('days', { from: localDay(site, 4), to: localDay(site, 1), system: site.systems[0].name });
  const energy = (d) => d.figures.find((f) => f.name === 'energy')?.value ?? 0;
  const { date } = days.findLast((d) => d.share > 0.99 && energy(d) > 50);
  return `#/other-settings?from=${date}&to=${date}${more}`;
};
const narrow = '&alt=Narrow|comp1.cut_in%3D97%20psi|comp1.cut_out%3D110%20psi&alt=Receiver|volume_add%3D400%20gal';
const ready = (page) => page.waitForSelector('.replayed[data-replayed=true]', patience);
const open = async (how, more = narrow) => {
  const page = await openAt(await day(more), how);
  await ready(page);
  await page.waitForSelector(more.includes('sheet') ? '.sheet' : '.replay-plot[data-fresh=true] canvas', patience);
  return page;
};
const shown = async (page, selector) => {
  const [path, query] = (await page.getAttribute(selector, 'data-answer')).split('?');
  return (await api(path.replace('/api/v1/', ''), query)).answer;
};
const focused = (page, selector) => page.waitForFunction((s) => document.activeElement?.matches(s), selector, patience);
const named = [[/\b(comp1\.)?cut.(in|out) \d+( psi)?/gi, 'a setting as a person wrote it']];

check('shows first how well the replay meets the days, then tries what is filled in, by keyboard alone', async () => {
  const page = await open({}, '');
  const before = await shown(page, '.replayed');
  assert.equal(await page.getAttribute('.fit [data-at="/answer/fit/energy_off_share"]', 'value'), String(before.fit.energy_off_share));
  assert.equal(await page.evaluate(() => document.querySelector('.fit').compareDocumentPosition(document.querySelector('.drawn')) & Node.DOCUMENT_POSITION_FOLLOWING), 4, 'the calibration stands first');
  await page.focus('button.try');
  await page.keyboard.press('Enter');
  await page.waitForSelector('.try-form:not(.search-form)');
  await focused(page, '.try-form [name=name]');
  await page.focus('[name="comp1.cut_out"]');
  await page.keyboard.type('110');
  // The server says what is wrong, at its field; the browser reports the 400 itself.
  await tolerating(/status of 400/, async () => {
    await page.keyboard.press('Enter');
    await page.waitForSelector('[name="comp1.cut_out"][aria-invalid]', patience);
  });
  await page.keyboard.type(' psi');
  await page.keyboard.press('Enter');
  await page.waitForSelector('.option', patience);
  await focused(page, '[data-option="0"] .change');
  const answer = await shown(page, '.replayed');
  assert.deepEqual(answer.alternatives[0].set, [{ key: 'comp1.cut_out', value: '110 psi' }]);
  assert.equal(Number(await page.getAttribute('.saving data', 'value')), answer.alternatives[0].saved_kwh.value);
  assert.match(await page.textContent('.changes li'), new RegExp(`110 psi; now ${answer.settings.find((s) => s.key === 'comp1.cut_out').text.replace('.0', '')}`));
  // The address alone gives it again.
  const again = await openAt(new URL(page.url()).hash);
  await again.waitForSelector('.option', patience);
  assert.equal(Number(await again.getAttribute('.saving data', 'value')), answer.alternatives[0].saved_kwh.value);
  await close(again);
  await page.focus('#main');
  const stops = await tabThrough(page, 40);
  assert.ok(stops.some((s) => s.text.startsWith('Take these settings')), 'the sheet is no stop');
  // Opening and closing the sheet keeps the keyboard's place.
  await page.focus('[data-option="0"] .to-sheet');
  await page.keyboard.press('Enter');
  await focused(page, '#sheet-title');
  await page.focus('.sheet .acts a');
  await page.keyboard.press('Enter');
  await focused(page, '[data-option="0"] .to-sheet');
  await page.focus('[data-option="0"] .change');
  await page.keyboard.press('Enter');
  await focused(page, '.try-form [name=name]');
  await page.focus('.try-form:not(.search-form) button[type=button]');
  await page.keyboard.press('Enter');
  await focused(page, '[data-option="0"] .change');
  await close(page);
});

check('searches, and opens a point as a replay', async () => {
  const page = await open({}, '&vary=comp1.cut_out|105%20psi;110%20psi;as%20is&vary=comp1.no_load_stop|2%20min;6%20min&starts_per_hour=12&below_minimum=24%20h&short=1000%20m3');
  await page.waitForSelector('[data-searched=true] .point', { timeout: 60_000 });
  const { search } = await shown(page, '[data-searched]');
  assert.equal(search.tried, 6);
  assert.equal((await page.$$('.point')).length, search.points.length);
  const last = search.points.length - 1;
  await page.focus(`.point >> nth=${last}`);
  await page.keyboard.press('Enter');
  const saved = await page.getAttribute('.explained data[data-at$="saved_kwh/value"]', 'value');
  assert.equal(Number(saved), search.points[last].result.saved_kwh.value);
  const opens = search.points.findIndex((p) => p.result.set.length > 0);
  await page.focus(`.point >> nth=${opens}`);
  await page.keyboard.press('Enter');
  await page.click('.explained button');
  await page.waitForSelector('.option', patience);
  const answer = await shown(page, '.replayed');
  assert.deepEqual(answer.alternatives[0].set, search.points[opens].result.set);
  await close(page);
});

check('writes a sheet for the machine that can be printed: what is now, what is to be set, and what to beware of', async () => {
  const page = await open({}, `${narrow}&sheet=1`);
  const answer = await shown(page, '.replayed');
  const lines = await page.$$eval('.sheet-lines li', (all) => all.map((e) => ({ key: e.dataset.setting, text: e.textContent })));
  assert.equal(lines.length, 2);
  for (const [i, c] of answer.alternatives[0].changes.entries()) {
    assert.equal(lines[i].key, c.key);
    assert.ok(lines[i].text.includes(c.becomes) && lines[i].text.includes(c.was), `${c.key} without its old and new value`);
    for (const t of c.cautions) assert.ok(lines[i].text.includes(t.slice(1, 40)), `${c.key} without a caution`);
  }
  const words = await page.textContent('.sheet');
  for (const must of ['writes nothing', 'without warning', 'licensed people', 'Set by', 'locked out']) assert.ok(words.includes(must), `the sheet lacks “${must}”`);
  await page.emulateMedia({ media: 'print' });
  assert.equal(await page.isVisible('header'), false, 'the head of the page is printed');
  assert.equal(await page.isVisible('.sheet button'), false);
  assert.equal(await page.isVisible('.signed'), true);
  assert.equal(await page.evaluate(() => getComputedStyle(document.querySelector('.sheet')).color), 'rgb(0, 0, 0)');
  await close(page);
});

check('has every number as the API has it', async () => {
  const page = await open({}, `${narrow}&vary=comp1.cut_out|105%20psi;110%20psi&below_minimum=24%20h&short=1000%20m3`);
  await page.waitForSelector('[data-searched=true] .point', { timeout: 60_000 });
  await openAll(page);
  const states = await hold(page);
  await numbers(page, 90, named, states);
  await close(page);
});

fits(open);
looksRight('other-settings', open);
