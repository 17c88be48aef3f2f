// At the machine.
import assert from 'node:assert/strict';
import { api, changes, check, close, drawn, fits, hide, localDay, looksRight, openAt, patience, tabThrough } from './harness.mjs';

/** At the machine, ready: with figures and a drawn section. */
async function open(how) {
  const page = await openAt('', how);
  await page.waitForSelector('.section svg [data-reading]', patience);
  await page.waitForSelector('.figure .value, .figure .absent', patience);
  await page.waitForSelector('.hour canvas', patience);
  return page;
}

const readings = (page) => page.$$eval('[data-reading]', (all) => all.map((e) => `${e.dataset.reading}=${e.textContent}`).join(';'));

check('shows a sentence, live readings, and values that change', async () => {
  const page = await open();
  assert.match(await page.textContent('h1'), /^(Loaded|Part loaded|Running unloaded|Starting|On standby|Stopped|Off|Tripped|Not observed)/);
  assert.match(await page.textContent('.liveness'), /^Live; newest reading/);
  assert.ok(await page.$('[data-reading][data-fresh=true]'), 'no reading is fresh');
  assert.ok(await changes(page, readings), 'no reading changed in 20 s');
  await close(page);
});

check('shows today’s figures as the API gives them, and how they are known', async () => {
  const page = await open();
  const site = await api('site');
  const report = await api('figures', { from: localDay(site), to: 'now', machine: site.machines[0].name });
  const figures = new Map(report.machines[0].figures.map((f) => [f.name, f]));
  assert.equal((await page.$$('.figure')).length, 3);
  const duty = figures.get('duty_cycle');
  if (duty?.value !== undefined) {
    const shown = Number((await page.textContent('[data-figure=duty_cycle] strong')).replace('−', '-'));
    assert.ok(Math.abs(shown - duty.value * 100) < 1, `shown ${shown} %, the API says ${duty.value}`);
  }
  for (const figure of await page.$$('.figure')) {
    const text = await figure.textContent();
    assert.match(text, /\d|Not known: \S+/, text);
    const summary = await figure.$('summary');
    await summary.focus();
    await page.keyboard.press('Enter');
    assert.ok(await figure.$('details[open] dd'), 'how we know does not open by keyboard, or is empty');
  }
  await close(page);
});

check('draws the last hour, with a table of the same', async () => {
  const page = await open();
  await drawn(page, '.hour .lane-canvas');
  const inked = await page.$eval('.hour .states-canvas', (c) => {
    const above = c.getContext('2d').getImageData(0, 0, c.width, c.height - 4 * devicePixelRatio).data;
    return above.some((v, i) => i % 4 === 3 && v > 0);
  });
  assert.ok(inked, 'no state is drawn');
  await page.click('.hour summary');
  await page.waitForSelector('.hour tbody tr');
  const cells = await page.$$eval('.hour tbody td', (all) => all.map((e) => e.textContent));
  assert.ok(cells.some((c) => /^\d+(\.\d+)?$/.test(c)), 'the table holds no number');
  await close(page);
});

check('switches units and theme, and remembers both', async () => {
  const page = await open();
  const table = async () => {
    const rows = await page.$$eval('section .twin tbody tr', (all) => all.map((r) => r.innerText));
    return rows.join('\n');
  };
  await page.click('section[aria-label="Section drawing"] summary');
  const units = page.locator('button', { hasText: /psi|bar/ });
  const before = await units.textContent();
  await units.click();
  await page.waitForFunction((old) => ![...document.querySelectorAll('button')].some((b) => b.textContent === old), before);
  const wanted = /bar/.test(before) ? /psi/ : /\bbar\b/;
  assert.match(await table(), wanted);
  const theme = page.locator('button', { hasText: /Colours/ });
  const ground = () => page.evaluate(() => getComputedStyle(document.documentElement).backgroundColor);
  const light = await ground();
  await theme.click();
  await page.waitForSelector('html[data-theme=dark]', { state: 'attached' });
  assert.notEqual(await ground(), light);
  await page.reload();
  await page.waitForSelector('html[data-theme=dark][data-connection=live]', { ...patience, state: 'attached' });
  assert.match(await page.locator('button', { hasText: /psi|bar/ }).textContent(), wanted);
  await close(page);
});

check('works by keyboard alone, with a visible focus', async () => {
  const page = await open();
  const seen = (await tabThrough(page, 20)).map((s) => s.text);
  assert.equal(seen[0], 'To the content');
  assert.ok(seen.filter((s) => s.startsWith('How we know')).length === 3, seen.join(' | '));
  await close(page);
});

check('draws nothing while hidden or held, and catches up on return', async () => {
  const page = await open();
  const clock = (p) => p.textContent('.clock');
  await hide(page, true);
  await page.waitForTimeout(500);
  assert.equal(await changes(page, clock, 2_500), false, 'a hidden page goes on drawing');
  await hide(page, false);
  assert.ok(await changes(page, clock, 5_000), 'the page does not come back');
  await page.click('button:has-text("Hold still")');
  await page.waitForTimeout(500);
  assert.match(await page.textContent('.liveness'), /not live/);
  assert.equal(await changes(page, clock, 2_500), false, 'a held page goes on drawing');
  await page.click('button:has-text("Go on")');
  assert.ok(await changes(page, clock, 5_000), 'the page does not go on');
  await close(page);
});

fits(open);
looksRight('machine', open, (page) => page.waitForSelector('.hour tbody tr'));
