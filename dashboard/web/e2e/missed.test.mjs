// What we missed.
import assert from 'node:assert/strict';
import { statSync } from 'node:fs';
import { api, base, check, close, fits, localDay, looksRight, openAll, openAt, patience, settled, tabThrough } from './harness.mjs';
import { hold, numbers } from './numbers.mjs';

const open = async (how, query = '') => {
  const page = await openAt(`#/what-we-missed${query}`, how);
  await page.waitForSelector('.bands svg[role=img]', patience);
  await settled(page);
  return page;
};

check('shows what was read of each device as the readings have it, and every number as the API has it', async () => {
  const site = await api('site');
  const page = await open({}, `?from=${localDay(site, 3)}&to=${localDay(site, 1)}`);
  const answer = await api('missed', { from: localDay(site, 3), to: localDay(site, 1) });
  assert.equal((await page.$$('.bands svg[role=img]')).length, answer.devices.length + 1, 'a band for each device, and one for the computer');
  // Counted anew from the channel's own cells: the share is of readings, not of time.
  const device = answer.devices[0];
  const channel = site.channels.find((c) => c.device === device.device && c.period_ms === device.period_ms);
  const { series: [cells] } = await api('series', { channel: channel.id, from: answer.from, to: answer.to, points: 200 });
  const read = cells.cells.reduce((n, c) => n + c.count, 0);
  assert.ok(Math.abs(device.read - read) <= 0.02 * read, `the page has ${device.read} readings, the channel ${read}`);
  await openAll(page);
  const states = await hold(page);
  await numbers(page, 15, [], states);
  await close(page);
});

check('cuts no name of a day off at the edge of its picture', async () => {
  for (const size of ['wide', 'phone']) {
    const page = await open({ size });
    const ends = await page.$$eval('.bands .tick', (all) => all.map((t) => ({ name: t.textContent, over: t.getBoundingClientRect().right - t.ownerSVGElement.getBoundingClientRect().right })));
    assert.ok(ends.length > 1, 'no day has its name');
    for (const { name, over } of ends) assert.ok(over <= 0, `${name} reaches ${over.toFixed(1)} px over the edge, ${size}`);
    await close(page);
  }
});

check('checks the log, takes a backup and makes the report of the days shown', async () => {
  const page = await open();
  await page.click('button:has-text("Check the whole log now")');
  await page.waitForSelector('.verdict', patience);
  const { size } = await api('evidence');
  const leaves = Number(/(\d+) leaves/.exec(await page.textContent('.verdict'))[1]);
  assert.ok(/^The log is sound/.test(await page.textContent('.verdict')) && Math.abs(leaves - size) < 5, `${leaves} leaves, the log has ${size}`);
  const [copy] = await Promise.all([page.waitForEvent('download'), page.click('button:has-text("Take a backup now")')]);
  assert.match(copy.suggestedFilename(), /\.backup$/);
  const arrived = await copy.path(); // it waits for the end, and throws where it did not come whole
  assert.ok(statSync(arrived).size > 100_000, 'the copy is no record');
  await page.waitForSelector('.deed-says:has-text("is on its way")');
  await page.click('button:has-text("Make the report of these days")');
  await page.waitForSelector('[data-report=done]', { timeout: 60_000 });
  const id = new URLSearchParams(new URL(page.url()).hash.split('?')[1]).get('report');
  const { answer } = await api('report', { id });
  const links = await page.$$eval('.files a', (all) => all.map((a) => a.getAttribute('href')));
  assert.deepEqual(links.length, answer.files.length);
  const first = await fetch(new URL(links[0], base));
  assert.equal(Number(first.headers.get('content-length')), answer.files[0].bytes);
  await close(page);
});

check('can be used by keyboard alone', async () => {
  const page = await open();
  await page.focus('#main');
  const stops = await tabThrough(page, 30);
  for (const name of ['Earlier', 'Take a backup now', 'Check the whole log now', 'Make the report of these days']) {
    assert.ok(stops.some((s) => s.text.startsWith(name)), `no stop at ${name}`);
  }
  await close(page);
});

fits(open, openAll);
looksRight('what-we-missed', open, openAll);
