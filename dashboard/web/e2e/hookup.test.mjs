// Hook-up: the walk, the registers, the lines, the site file.
import assert from 'node:assert/strict';
import { api, axeFinds, changes, check, close, fits, openAll, openAt, patience, shot, tabThrough, wantsShots } from './harness.mjs';

const ready = { walk: '.live-readings [data-role]', registers: '[data-register]', lines: '[data-line] tbody tr', files: '.listing li' };
const address = (part) => `#/hook-up${part === 'walk' ? '' : `?part=${part}`}`;

/** A part of the page, with what it shows. answers, if given, gets each answer that the page was given, by path. */
async function open(part, { answers, ...how } = {}) {
  const page = await openAt(address(part), {
    ...how,
    prepare: (p) => answers && p.on('response', async (r) => {
      const url = new URL(r.url());
      if (url.pathname.startsWith('/api/v1/')) answers.set(url.pathname + url.search, [...(answers.get(url.pathname + url.search) ?? []), r]);
    }),
  });
  await page.waitForSelector(ready[part], patience);
  return page;
}

const turn = async (page, part) => {
  await page.evaluate((a) => { window.location.hash = a; }, address(part));
  await page.waitForSelector(ready[part], patience);
};

const valueAt = (answer, pointer) => pointer.split('/').slice(1).reduce((v, key) => v?.[key], answer);

/** Every number below data-answer, held to the page's own answers: one of the last must have all of them. */
async function heldToAnswers(page, answers) {
  await page.click('button:has-text("Hold still")');
  await page.waitForTimeout(600); // what was under way has come
  const shown = await page.$$eval('main [data-answer] data[data-at]', (all) => all.map((e) => ({ of: e.closest('[data-answer]').dataset.answer, at: e.dataset.at, value: Number(e.value), text: e.textContent })));
  const moving = shown.filter((s) => s.of !== '/api/v1/state'); // live readings come over the socket
  assert.ok(moving.length > 5, `${moving.length} numbers are tagged`);
  for (const of of new Set(moving.map((s) => s.of))) {
    const mine = moving.filter((s) => s.of === of);
    const had = await Promise.all((answers.get(of) ?? []).slice(-5).map((r) => r.json().catch(() => undefined)));
    const wrong = had.filter(Boolean).map((a) => mine.filter((s) => valueAt(a, s.at) !== s.value).map((s) => `${s.at}: ${s.text} is ${valueAt(a, s.at)}`));
    assert.ok(wrong.some((w) => w.length === 0), `${of}: ${JSON.stringify(wrong.at(-1)?.slice(0, 4))}`);
  }
  await page.click('button:has-text("Go on")');
}

check('tells in which register the receiver’s pressure stands, and what came off the line', async () => {
  const answers = new Map();
  const page = await open('registers', { answers });
  const { devices } = await api('registers');
  const wanted = devices.flatMap((d) => d.registers).find((r) => r.role.endsWith('pressure') && r.address !== undefined);
  await page.fill('input[type=search]', wanted.name);
  await page.waitForFunction((n) => document.querySelectorAll('[data-register]').length === n, devices.flatMap((d) => d.registers).filter((r) => r.id.includes(wanted.name)).length, patience);
  const row = page.locator(`[data-register="${wanted.id}"]`);
  const text = await row.innerText();
  assert.match(text, new RegExp(`${wanted.table}\\s+${wanted.address}\\s+function ${wanted.function}`));
  const [value, raw, words] = (await row.locator('td').allInnerTexts()).map((t) => t.trim());
  assert.equal(Number(raw), parseInt(words, 16), 'the words are not the count');
  assert.ok(Math.abs(parseFloat(value) - (Number(raw) * wanted.scale + wanted.offset)) < wanted.scale, `${value} of ${raw} counts of ${wanted.scale}`);
  await page.fill('input[type=search]', '');
  assert.ok(await changes(page, (p) => p.innerText('.registers table')), 'the table does not go on');
  await heldToAnswers(page, answers);
  await page.click('[aria-label="Which device"] button:nth-of-type(2)');
  const first = devices[0].device;
  await page.waitForFunction((d) => document.querySelectorAll('.device-registers').length === 1 && location.hash.endsWith(`device=${d}`), first, patience);
  await close(page);
});

check('tells how fast each device answers and whether the timeout leaves room', async () => {
  const answers = new Map();
  const page = await open('lines', { answers });
  const { lines } = await api('lines');
  assert.equal((await page.$$('[data-line]')).length, lines.length);
  for (const l of lines) {
    const label = await page.getAttribute(`[data-line="${l.line}"] svg[role=img]`, 'aria-label');
    assert.match(label, new RegExp(`line ${l.line}\\. ${l.devices[0].device}: half within .* ms, 95 % within .* ms, longest .* ms.*The timeout is`));
    assert.ok(l.devices.every((d) => d.requests > 0 && d.replies.suggested_timeout_ms >= 500 && d.replies.median_ms <= d.replies.p95_ms), JSON.stringify(l.devices));
    // What the page shows is asked for each two seconds, and reaches what was counted before.
    await page.waitForFunction(([line, n]) => Number(document.querySelector(`[data-line="${line}"] tbody tr td:nth-of-type(2) data`).value) >= n, [l.line, l.devices[0].requests], patience);
  }
  await heldToAnswers(page, answers);
  await close(page);
});

check('shows the site file that runs, and where a start with the file on disk would fail', async () => {
  const page = await open('files');
  const site = await api('sitefile');
  assert.equal(site.disk.state, 'same');
  const lines = await page.$$eval('.listing li code', (all) => all.map((e) => e.textContent.trimEnd()));
  assert.deepEqual(lines, site.files[0].text.trimEnd().split('\n').map((t) => t.trimEnd()));
  // The same answer as if a key had been mistyped on disk: what loadscribe check would say.
  const text = site.files[0].text.replace('altitude', 'altitud').replace('barometer', 'barometr');
  const line = text.split('\n').findIndex((t) => /^(altitud|barometr)\b/.test(t)) + 1;
  const disk = { ...site.disk, state: 'refused', sentence: 'With the files on disk loadscribe would not start: 1 mistake.', files: [{ ...site.files[0], text, hash: 'f'.repeat(64) }], problems: [{ file: site.files[0].name, line, col: 1, key: 'site', message: 'unknown key', mend: 'mend it' }] };
  await page.route('**/api/v1/sitefile', (r) => r.fulfill({ json: { ...site, disk } }));
  await page.click('text=Look again');
  await page.waitForSelector('.problems li', patience);
  await page.click('.problems button');
  const at = page.locator('.listing li.marked');
  assert.equal(await at.getAttribute('value'), String(line));
  assert.match(await at.innerText(), /Mistake: unknown key\. Mend it\./);
  await page.waitForFunction(() => document.activeElement?.matches('.listing li.marked'), undefined, patience);
  await page.click('button:has-text("As it runs")');
  assert.equal(await page.locator('.listing li.marked').count(), 0);
  await close(page);
});

check('leads through the walk by keyboard alone', async () => {
  const page = await open('walk');
  const seen = await tabThrough(page, 30);
  const to = async (text) => {
    const button = page.locator(`button:has-text("${text}")`).first();
    await button.waitFor(patience);
    for (let i = 0; i < 60 && !(await button.evaluate((e) => e === document.activeElement)); i++) await page.keyboard.press('Tab');
    await page.keyboard.press('Enter');
  };
  assert.ok(seen.some((s) => /^Begin/.test(s.text)), seen.map((s) => s.text).join(' | '));
  await to((await api('hookup')).phase === 'idle' ? 'Begin the check of' : 'Begin anew');
  await to('Leave this step out');
  await page.waitForSelector('[data-step=stopped][data-state=skipped]', patience);
  assert.equal((await api('hookup')).step, 'unloaded');
  assert.ok((await page.$$('.now-step .cautions li')).length > 0, 'no caution is shown');
  await to('It runs unloaded now');
  // The demo goes on loading and unloading: the step is read, or broken off with the reason.
  await page.waitForSelector('.now-step progress, .now-step .warn, [data-step=unloaded][data-state=done]', patience);
  const { phase, steps } = await api('hookup');
  assert.ok(phase === 'collecting' || phase === 'waiting', phase);
  assert.equal(steps[0].state, 'skipped');
  await to('Begin anew');
  await page.waitForSelector('[data-step=stopped][aria-current=step]', patience);
  await close(page);
});

check('keeps a spot reading, and says what is wrong with one', async () => {
  const page = await open('walk');
  await page.click('.spot summary');
  await page.click('.spot-form [type=submit]');
  await page.waitForSelector('.spot-form [name=who][aria-invalid]');
  const who = `R. Vale ${Date.now()}`;
  for (const [name, value] of Object.entries({ who, instrument: 'clamp meter', current: '44 45,2 44.6', power: '33.4' })) await page.fill(`.spot-form [name=${name}]`, value);
  await page.selectOption('.spot-form [name=step]', 'loaded');
  await page.click('.spot-form [type=submit]');
  await page.waitForSelector(`.kept li:has-text("${who}")`, patience);
  const { events } = await api('events', { kind: 'spot_reading', from: '-1h', to: 'now' });
  assert.deepEqual([events[0].data.who, events[0].data.current_a, events[0].data.power_w, events[0].data.step], [who, '44 45.2 44.6', '33400', 'loaded']);
  await close(page);
});

const small = { registers: '', files: '' };
for (const [size, scheme] of [['wide', 'light'], ['phone', 'dark'], ['wide', 'dark'], ['phone', 'light']]) {
  if (!wantsShots && (size === 'wide') === (scheme === 'dark')) continue;
  check(`has no axe violation and looks right: ${size}, ${scheme}`, async () => {
    const page = await open('walk', { size, scheme });
    const { devices } = await api('registers');
    small.registers = devices.reduce((a, b) => (b.registers.length < a.registers.length ? b : a)).device;
    small.files = (await api('sitefile')).files.reduce((a, b) => (b.text.length < a.text.length ? b : a)).name;
    // axe takes seconds a part: without pictures each part has one of the two pairs.
    const parts = Object.keys(ready).filter((p) => wantsShots || (size === 'wide') === (p === 'registers' || p === 'files'));
    for (const part of parts) {
      await turn(page, part);
      await shot(page, `hookup-${part}`);
      // One device's table and a small file have all that axe can find fault with.
      await page.evaluate(([change, of]) => { if (change) window.location.hash += change + of; }, [{ registers: '&device=', files: '&file=' }[part], small[part]]);
      await openAll(page);
      assert.deepEqual(await axeFinds(page), [], part);
    }
    await close(page);
  });
}

fits((how) => open('walk', how), async (page) => {
  for (const part of ['registers', 'lines', 'files', 'walk']) {
    await turn(page, part);
    await openAll(page);
    const needs = await page.evaluate(() => document.documentElement.scrollWidth);
    assert.ok(needs <= 640, `${part} needs ${needs} px of 640`);
    await page.setViewportSize({ width: 320, height: 800 });
    await page.waitForTimeout(150); // pictures follow by an observer
    const narrow = await page.evaluate(() => document.documentElement.scrollWidth);
    assert.ok(narrow <= 320, `${part} needs ${narrow} px of 320`);
    await page.setViewportSize({ width: 640, height: 800 });
  }
});
