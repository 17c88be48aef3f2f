// Alarms: the page beside the API, acknowledging and shelving by the keyboard alone.
import assert from 'node:assert/strict';
import { api, axeFinds, check, close, fits, looksRight, openAll, openAt, patience, tolerating } from './harness.mjs';
import { numbers } from './numbers.mjs';

const open = async (how) => {
  const page = await openAt('#/alarms', how);
  await page.waitForSelector('.alarms[aria-busy=false]', patience);
  await page.waitForFunction(() => ![...document.querySelectorAll('main .standing')].some((e) => /^Fetching/.test(e.textContent)), undefined, patience);
  return page;
};

/** Waits until the page and the API say the same of what stands and of the rules. */
async function agree(page) {
  for (let i = 0; ; i++) {
    const answer = await api('alarms');
    const shown = await page.evaluate(() => ({
      standing: [...document.querySelectorAll('[data-alarm]')].map((e) => ({ id: e.dataset.alarm, text: e.querySelector('h3').textContent })).sort((a, b) => a.id.localeCompare(b.id)),
      rules: [...document.querySelectorAll('[data-rule]')].map((e) => ({ rule: e.dataset.rule, state: e.dataset.state, text: e.textContent })),
    }));
    try {
      assert.deepEqual(shown.standing, answer.standing.map((a) => ({ id: a.id, text: a.text })).sort((a, b) => a.id.localeCompare(b.id)));
      assert.deepEqual(shown.rules.map((r) => [r.rule, r.state]), answer.rules.map((r) => [r.rule, r.state]));
      for (const [n, r] of answer.rules.entries()) {
        for (const part of [r.text, ...r.subjects, ...r.tell, ...(r.state === 'blind' ? [r.why] : [])]) assert.ok(shown.rules[n].text.includes(part), `${r.rule} lacks “${part}”`);
      }
      return answer;
    } catch (e) {
      if (i === 40) throw e;
      await page.waitForTimeout(250);
    }
  }
}

/** An alarm that waits for somebody; where none comes to stand, the check fails. */
async function stands() {
  for (let i = 0; ; i++) {
    const one = (await api('alarms')).standing.find((a) => !a.acknowledged && !a.shelved_until);
    if (one) return one;
    assert.ok(i < 80, 'no alarm came to stand');
    await new Promise((r) => setTimeout(r, 500));
  }
}

check('shows what the API has, the caution first, and the same in the head of every page', async () => {
  await stands();
  const page = await open();
  const answer = await agree(page);
  assert.ok(answer.rules.length > 0, 'the shop has no alarms set');
  assert.equal(await page.textContent('.alarms .caution'), answer.caution);
  assert.match(answer.caution, /^Not a safety device/);
  const asking = answer.standing.filter((a) => !a.shelved_until);
  const line = (await page.textContent('.alarm-line')) ?? '';
  assert.ok(line.startsWith(asking.length === 1 ? '1 alarm: ' : `${asking.length} alarms: `), line);
  await page.goto(page.url().replace('#/alarms', '#/trace'));
  assert.equal(await page.textContent('.alarm-line'), line);
  await page.press('.alarm-line a', 'Enter');
  await page.waitForSelector('.alarms', patience);
  await numbers(page, 2 * answer.standing.filter((a) => a.value !== null).length);
  await close(page);
});

check('shelves a rule and takes it off again by the keyboard alone, and the history says so', async () => {
  const page = await open();
  const { rules } = await api('alarms');
  const { rule } = rules.find((r) => r.shelved.length === 0);
  const at = `[data-rule="${rule}"]`;
  await page.press(`${at} > button`, 'Enter');
  await tolerating(/status of 400/, async () => { // the refusal is what is looked for
    await page.fill(`${at} [name=who]`, '');
    await page.press(`${at} form [type=submit]`, 'Enter');
    await page.waitForSelector(`${at} [aria-invalid]`);
  });
  await page.focus(`${at} [name=for]`);
  await page.keyboard.type('four');
  await page.focus(`${at} [name=why]`);
  const why = `the sensor is changed, ${Date.now()}`;
  await page.keyboard.type(why);
  await page.focus(`${at} [name=who]`);
  await page.keyboard.type('R. Vale');
  await page.keyboard.press('Enter');
  await page.waitForSelector(`${at} .shelves:has-text("${why}")`);
  const shelf = (await api('alarms')).rules.find((r) => r.rule === rule).shelved[0];
  assert.equal(shelf.who, 'R. Vale');
  const left = Date.parse(shelf.until) - Date.now();
  assert.ok(left > 3.9 * 3_600_000 && left <= 4 * 3_600_000, `shelved for ${left} ms`);
  await page.waitForSelector(`.history li[data-state=shelved]:has-text("${why}")`);
  await page.press(`${at} .shelves button`, 'Enter');
  await page.press(`${at} .shelves [name=who]`, 'Enter');
  await page.waitForSelector(`${at} .shelves`, { state: 'detached' });
  await page.waitForSelector('.history li[data-state=unshelved]');
  assert.deepEqual((await api('alarms')).rules.find((r) => r.rule === rule).shelved, []);
  await agree(page);
  await close(page);
});

check('acknowledges what stands by the keyboard alone', async () => {
  const one = await stands();
  const page = await open();
  const at = `[data-alarm="${one.id}"]`;
  await page.press(`${at} .acts button`, 'Enter');
  assert.deepEqual(await axeFinds(page), []); // also the form that has opened
  await page.focus(`${at} [name=why]`);
  await page.keyboard.type('seen, it is looked after');
  await page.focus(`${at} [name=who]`);
  await page.fill(`${at} [name=who]`, '');
  await page.keyboard.type('R. Vale');
  await page.keyboard.press('Enter');
  await page.waitForFunction((a) => { const e = document.querySelector(a); return !e || e.textContent.includes('by R. Vale: seen, it is looked after'); }, at);
  const now = (await api('alarms')).standing.find((a) => a.id === one.id);
  if (now) assert.equal(now.acknowledged.who, 'R. Vale');
  await page.waitForSelector('.history li[data-state=acknowledged]:has-text("R. Vale")');
  await page.waitForFunction(() => document.activeElement?.closest('main') && document.activeElement.matches('button')); // the keyboard goes on from there
  await close(page);
});

fits(open);
looksRight('alarms', open, async (page) => {
  await page.click('[data-rule] > button');
  await openAll(page);
});
