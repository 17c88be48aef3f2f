// Service book.
import assert from 'node:assert/strict';
import { wrong } from './convert.mjs';
import { api, axeFinds, check, close, fits, localDay, looksRight, openAll, openAt, patience } from './harness.mjs';

async function bookReady(page) {
  await page.waitForSelector('.ruled-page svg .rule', { ...patience, state: 'attached' });
  await page.waitForSelector('.day li', patience);
  return page;
}

/** The service book, open. */
const open = async (how) => bookReady(await openAt('#/service-book', how));

check('keeps notes, as they are sent, and corrects without deleting', async () => {
  const page = await openAt(''); // the book is turned to from another page
  await page.click('.pages a:has-text("Service book")');
  await bookReady(page);
  assert.equal(await page.title(), 'Service book');
  assert.match(await page.textContent('h1'), /fault/i);
  const other = await open(); // another reader sees what the first one writes
  await page.click('.note-form button[type=submit]');
  await page.waitForSelector('.note-form [aria-invalid]');
  assert.match(await page.textContent('.note-form .warn'), /empty/);
  const text = `oil changed, check ${Date.now()}`;
  await page.fill('.note-form textarea', text);
  await page.fill('.note-form [name=author]', 'R. Vale');
  await page.click('.note-form button[type=submit]');
  for (const reader of [page, other]) await reader.waitForSelector(`.day li[data-sort=note]:has-text("${text.slice(1)}")`);
  const entry = page.locator(`.day li[data-sort=note]:has-text("${text.slice(1)}")`).first();
  const seq = await entry.getAttribute('data-seq');
  await entry.locator('button:has-text("Correct")').click();
  await page.fill('.note-form textarea', 'it was the filter');
  await page.click('.note-form button[type=submit]');
  for (const reader of [page, other]) {
    await reader.waitForSelector(`.day li[data-seq="${seq}"] s`);
    assert.match(await reader.textContent(`.day li[data-seq="${seq}"]`), /corrected by note \d+/);
  }
  const stored = await api('events', { kind: 'note', from: '-1h' });
  assert.equal(stored.events.find((e) => String(e.seq) === seq)?.text, text, 'the corrected note is not kept as it was');
  await close(page);
  await close(other);
});

check('shows the entries that a filter asks for', async () => {
  const page = await open();
  for (const [title, wanted] of [['Every load and unload', ['load', 'motor', 'trip', 'gap']], ['Notes', ['note']], ['Set-up', ['setup', 'counter']]]) {
    await page.click(`.filters button:has-text("${title}")`);
    await page.waitForSelector(`.filters button[aria-pressed=true]:has-text("${title}")`);
    await page.waitForFunction((sorts) => {
      const all = [...document.querySelectorAll('.day li')].map((e) => e.dataset.sort);
      return all.length > 0 && all.every((s) => sorts.includes(s));
    }, wanted);
  }
  await close(page);
});

check('has each number of its sentences as the API has it', async () => {
  const page = await open();
  const site = await api('site');
  const [{ faults }, { machines }] = [await api('faults', { from: '-7d' }), await api('service')];
  const within = async (query) => (await api('events', { from: '-7d', limit: 5000, ...query })).events.length;
  const counts = {
    fault: faults.reduce((n, f) => n + f.times, 0), start: await within({ kind: 'state', change: 'start' }), note: await within({ kind: 'note' }),
    'line trouble': (await within({ kind: 'line_down' })) + (await within({ kind: 'device_down' })),
  };
  const told = await page.textContent('.note-line');
  for (const [what, n] of Object.entries(counts)) assert.match(told, new RegExp(`\\b${n || 'no'} ${what}${n === 1 ? '' : 's'}\\b`));
  assert.equal(await page.locator('.fault-list > li').count(), faults.length);
  for (const f of faults) {
    const text = await page.textContent(`.fault-list > li[data-fault="${f.code}"]`);
    if (f.text) assert.ok(text.includes(`code ${f.code}`), text);
    assert.match(text, new RegExp({ 1: 'Once', 2: 'Twice' }[f.times] ?? `${f.times} times`));
    const on = /on for ((?:\d+\u00a0(?:d|h|min|s)\u00a0?)+)/.exec(text);
    if (on && !f.on) assert.equal(wrong(on[1].trim(), f.on_s, { unit: 's', share: false, key: '' }, site.units), '', text);
  }
  const items = machines.flatMap((m) => m.items);
  assert.equal(await page.locator('.service-list > li').count(), items.length);
  const rows = await page.$$eval('.service-list > li', (all) => all.map((e) => e.textContent));
  for (const [i, item] of items.entries()) {
    const [left, since] = [/ in (\d+)\u00a0h of running/.exec(rows[i])?.[1], /ran (?:at least )?(\d+)\u00a0h since/.exec(rows[i])?.[1]];
    assert.equal(since !== undefined, item.hours_since !== undefined, rows[i]);
    if (since) assert.ok(Math.abs(Number(since) - item.hours_since) < 1, `${rows[i]}, the API says ${item.hours_since} h`);
    if (left) assert.ok(Math.abs(Number(left) - item.hours_left) < 1, `${rows[i]}, the API says ${item.hours_left} h`);
    for (const at of [item.done, item.due].filter(Boolean)) assert.ok(rows[i].includes(localDay(site, (Date.now() - Date.parse(at)) / 86_400_000)), `${rows[i]} lacks ${at}`);
  }
  await close(page);
});

fits(open);
looksRight('service-book', open, async (page) => {
  assert.deepEqual(await axeFinds(page), []);
  await page.click('.filters button:has-text("Set-up")');
  await page.waitForSelector('.day li[data-sort=setup] summary');
  await openAll(page);
  await page.click('.note-form button[type=submit]');
  await page.waitForSelector('.note-form [aria-invalid]');
});
