// Service book.
import assert from 'node:assert/strict';
import { api, axeFinds, check, close, fits, looksRight, openAll, openAt, patience } from './harness.mjs';

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

fits(open);
looksRight('service-book', open, async (page) => {
  assert.deepEqual(await axeFinds(page), []);
  await page.click('.filters button:has-text("Set-up")');
  await page.waitForSelector('.day li[data-sort=setup] summary');
  await openAll(page);
  await page.click('.note-form button[type=submit]');
  await page.waitForSelector('.note-form [aria-invalid]');
});
