// Audit desk.
import assert from 'node:assert/strict';
import { api, check, close, fits, localDay, looksRight, openAll, openAt, patience, tabThrough, tolerating } from './harness.mjs';

const open = async (how) => {
  const page = await openAt('#/audit-desk', how);
  await page.waitForSelector('.step', patience);
  return page;
};

check('an audit is begun and a step accepted by the keyboard alone, and the record says so', async () => {
  const page = await open();
  const before = await api('audit');
  assert.equal(await page.textContent('h1'), before.sentence);
  if (before.begun) await page.press('button:has-text("Begin another")', 'Enter');
  await page.focus('.begin [name=who]');
  await page.fill('.begin [name=who]', '');
  await tolerating(/status of 400/, async () => { // the refusal is what is looked for
    await page.keyboard.press('Enter');
    await page.waitForSelector('.begin [name=who][aria-invalid]');
  });
  await page.keyboard.type('R. Vale');
  await page.keyboard.press('Enter');
  await page.waitForSelector('.begin', { state: 'detached' });
  const { begun } = await api('audit');
  assert.equal(begun.who, 'R. Vale');
  const site = await api('site');
  assert.equal(new Intl.DateTimeFormat('en-CA', { timeZone: site.timezone }).format(new Date(Date.parse(begun.ends) - 1000)), localDay(site, -7));
  await page.press('[data-step=instruments] .say summary', 'Enter');
  await page.focus('[data-step=instruments] textarea');
  const text = `certificates seen, ${Date.now()}`;
  await page.keyboard.type(text);
  await page.press('[data-step=instruments] [name=who]', 'Enter');
  await page.waitForSelector(`[data-step=instruments] .said:has-text("${text}")`);
  // Each step stands on the page as the API has it.
  const audit = await api('audit');
  const shown = await page.$$eval('.step', (all) => all.map((e) => ({ step: e.dataset.step, state: e.dataset.state, text: e.textContent })));
  assert.deepEqual(shown.map((s) => [s.step, s.state]), audit.steps.map((s) => [s.step, s.state]));
  for (const [i, s] of audit.steps.entries()) {
    for (const part of [s.title, s.why, s.sentence, ...(s.state === 'missing' ? [...s.missing, ...s.cautions, s.command] : [])]) assert.ok(shown[i].text.includes(part), `${s.step} lacks “${part}”`);
  }
  assert.equal(audit.steps.find((s) => s.step === 'instruments').marks.at(-1).text, text);
  assert.equal(audit.steps.find((s) => s.step === 'first_hour').state, 'waits');
  const stops = await tabThrough(page, 30);
  assert.ok(stops.some((s) => s.tag === 'summary'), 'the forms are not reached by Tab');
  // A link leads to where the work is done.
  const link = page.locator('.step .where a').first();
  const title = await link.textContent();
  await link.press('Enter');
  await page.waitForFunction((t) => document.title === t, title);
  await close(page);
});

fits(open);
looksRight('audit-desk', open, openAll);
