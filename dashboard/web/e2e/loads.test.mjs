// Load and rest.
import assert from 'node:assert/strict';
import { api, check, close, fits, localDay, looksRight, openAt, patience, settled, wantsShots } from './harness.mjs';

async function loadsReady(page) {
  await settled(page);
  await page.waitForSelector('.curve-one', { ...patience, state: 'attached' });
  await page.waitForSelector('.load-entries .figure', patience);
  return page;
}

/** The page, with all its answers. */
const open = async (how = {}) => loadsReady(await openAt(how.hash ?? '#/load-and-rest', how));

/** What the page itself was answered. */
async function answered(page, path) {
  const address = await page.getAttribute(`[data-answer^="/api/v1/${path}?"]`, 'data-answer');
  return api(path, address.split('?')[1]);
}

check('finds how often the motor started at most within an hour, and walks from that start to its trace by keyboard', async () => {
  const page = await open();
  const seen = await answered(page, 'cycles');
  assert.match(await page.textContent('.said'), new RegExp(`at most ${seen.starts.most} times within 60 minutes; the limit is ${seen.starts.limit}`));
  await page.focus('.pick button:has-text("Starts")');
  await page.keyboard.press('Enter');
  await page.waitForSelector('[role=listbox][aria-label=Starts]');
  await page.focus('[role=listbox]');
  await page.keyboard.press('Home');
  const busiest = seen.starts.list.findIndex((s) => s.in_hour === seen.starts.most);
  const chosen = page.locator('[role=option][aria-selected=true]');
  let place = 0; // the window moves on with the present: the list may have lost its first start
  for (; place < busiest && await chosen.locator('time').getAttribute('datetime') !== seen.starts.list[busiest].at; place++) await page.keyboard.press('ArrowDown');
  assert.equal(await chosen.locator('time').getAttribute('datetime'), seen.starts.list[busiest].at);
  assert.match(await chosen.textContent(), new RegExp(`${seen.starts.most} in an hour`));
  assert.equal(await page.getAttribute('[role=listbox]', 'aria-activedescendant'), `pick-${place}`);
  await page.waitForFunction(() => location.hash.includes('pick='));
  assert.ok((await page.$$('.load-chart .lit-ring')).length >= 1, 'the start is lit in no drawing');
  await page.focus('.trace-link');
  await page.keyboard.press('Enter');
  await page.waitForSelector('main[data-page=trace]');
  const query = new URLSearchParams(new URL(page.url()).hash.split('?')[1]);
  const at = Date.parse(seen.starts.list[busiest].at);
  assert.ok(Date.parse(query.get('from')) < at && at < Date.parse(query.get('to')), `the trace from ${query.get('from')} does not hold the start`);
  await page.goBack();
  await page.waitForSelector('[role=option][aria-selected=true]'); // the address has kept it
  await close(page);
});

check('finds the longest cycle in the drawing, and lights it in all of them', async () => {
  const page = await open();
  const seen = await answered(page, 'cycles');
  const list = seen.cycles.filter((c) => c.demand !== undefined && c.cycle_s !== undefined);
  const longest = list.reduce((a, b) => (b.cycle_s > a.cycle_s ? b : a));
  const place = list.indexOf(longest);
  const dot = page.locator('section:has(#scatter-title) .dot').nth(place);
  await dot.scrollIntoViewIfNeeded();
  const box = await dot.boundingBox();
  await page.mouse.click(box.x + box.width / 2, box.y + box.height / 2);
  await page.waitForSelector('section:has(#scatter-title) .lit-ring', { state: 'attached' });
  const iso = await page.locator('.detail dl time').last().getAttribute('datetime');
  const got = seen.cycles.find((c) => c.start === iso);
  assert.ok(got && Math.abs(got.cycle_s - longest.cycle_s) < 0.1 * longest.cycle_s, `picked ${iso} of ${got?.cycle_s} s, the longest takes ${longest.cycle_s} s`);
  await page.waitForSelector('.curves-power .lit-curve', { ...patience, state: 'attached' }); // fetched by itself where it is not among the curves
  assert.ok((await page.$$('.lengths .lit-mark')).length >= 1, 'its lengths are not marked');
  await page.keyboard.press('Tab');
  await close(page);
});

check('shows the days that are asked for, and says where nothing was observed', async () => {
  const page = await openAt('#/load-and-rest?from=2020-01-06&to=2020-01-07');
  await page.waitForSelector('h1:has-text("Nothing was observed")');
  assert.match(await page.textContent('.pick'), /There was none/);
  await page.click('.window button:has-text("Today")');
  await page.waitForFunction(() => !document.querySelector('h1').textContent.includes('Nothing was observed'), null, patience);
  const today = await answered(page, 'cycles');
  assert.equal(await page.locator('#lengths-title ~ .lengths .length-row').count(), today.lengths.length);
  await close(page);
});

fits(open);
// axe-core looks at every cell of the tables: a day's are enough for it, the pictures are of a week.
const aDay = async (how) => {
  const today = localDay(await api('site'));
  return open(wantsShots ? how : { ...how, hash: `#/load-and-rest?from=${today}&to=${today}` });
};
looksRight('load-and-rest', aDay, async (page) => {
  await page.focus('[role=listbox]');
  await page.keyboard.press('Home');
  await page.waitForSelector('.trace-link');
});
