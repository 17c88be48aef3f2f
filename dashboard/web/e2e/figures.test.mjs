// Every figure.
import assert from 'node:assert/strict';
import { api, axeFinds, check, close, fits, localDay, openAll, openAt, patience, shot, tabThrough, wantsShots } from './harness.mjs';
import { numbers } from './numbers.mjs';

/** The page of a day that is over, ready. */
async function open(how, query = {}) {
  const day = localDay(await api('site'), 1);
  const page = await openAt(`#/every-figure?${new URLSearchParams({ from: day, to: day, ...query })}`, how);
  await page.waitForSelector('.figure .value', patience);
  return page;
}

check('finds when the pressure was lowest, and goes to the readings there', async () => {
  const page = await open();
  await page.fill('input[type=search]', 'lowest pressure');
  const entry = page.locator('.figure', { has: page.locator('[data-figure=pressure_min]') });
  await entry.locator('summary').click();
  const site = await api('site');
  const day = localDay(site, 1);
  const answer = await api('figures', { from: day, to: day, machine: site.machines[0].name });
  const figure = answer.machines[0].figures.find((f) => f.name === 'pressure_min');
  assert.ok(figure.at, 'the API says no moment');
  const when = await entry.locator('dd time').first().getAttribute('datetime');
  assert.equal(Date.parse(when), Date.parse(figure.at.from));
  const address = new URL((await entry.locator('details a').getAttribute('href')).slice(1), 'http://x').searchParams;
  assert.equal(Date.parse(address.get('a')), Date.parse(figure.at.from));
  assert.ok(Date.parse(address.get('from')) < Date.parse(figure.at.from) && Date.parse(address.get('to')) > Date.parse(figure.at.to));
  assert.ok(address.get('ch').split(',').some((c) => figure.inputs.some((i) => i.startsWith(c))), 'the readings behind it are not shown');
  await entry.locator('details a').click();
  await page.waitForFunction(() => location.hash.startsWith('#/trace?'));
  await close(page);
});

for (const of of ['machine', 'system']) {
  check(`has every number as the API has it, in both units, of a ${of}`, async () => {
    const site = await api('site');
    const page = await open({}, of === 'system' ? { system: site.systems[0].name } : {});
    await openAll(page);
    await page.waitForSelector('.table tbody td');
    await numbers(page, 200);
    const day = localDay(site, 1);
    const answer = await api('figures', { from: day, to: day });
    const figures = (of === 'system' ? answer.systems : answer.machines)[0].figures.filter((f) => f.value !== undefined).map((f) => f.name);
    const shown = await page.$$eval('[data-figure]', (all) => all.map((e) => e.dataset.figure));
    assert.deepEqual(shown.toSorted(), figures.toSorted(), 'not every figure is there');
    await close(page);
  });
}

check('is searched by keyboard alone, with a visible focus, and says what it cannot find', async () => {
  const page = await open();
  await page.focus('input[type=search]');
  await page.keyboard.type('starts');
  const seen = await tabThrough(page, 6);
  assert.ok(seen.some((s) => s.text.startsWith('How we know')), seen.map((s) => s.text).join(' | '));
  await page.fill('input[type=search]', 'no such figure');
  assert.match(await page.textContent('.find [role=status]'), /No figure/);
  await close(page);
});

fits(open, async () => undefined);

// All opened at once there are thousands of elements, and axe-core takes a minute:
// it looks at those of one search, which are of every kind, with all that is no figure.
for (const [size, scheme] of [['wide', 'light'], ['phone', 'dark'], ['wide', 'dark'], ['phone', 'light']]) {
  if (!wantsShots && (size === 'wide') === (scheme === 'dark')) continue;
  check(`has no axe violation and looks right: ${size}, ${scheme}`, async () => {
    const page = await open({ size, scheme });
    await shot(page, 'every-figure');
    await page.fill('input[type=search]', 'starts');
    await page.evaluate(() => { for (const d of [...document.querySelectorAll('.figure details, .unknown, .table')].slice(0, 6)) d.open = true; });
    await page.waitForSelector('.table[open] td, .figure details[open]');
    assert.deepEqual(await axeFinds(page), []);
    await close(page);
  });
}
