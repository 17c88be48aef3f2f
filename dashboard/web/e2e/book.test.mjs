// Service book.
import assert from 'node:assert/strict';
import { api, check, close, fits, localDay, looksRight, openAll, openAt, patience, settled, wantsShots } from './harness.mjs';
import { numbers } from './numbers.mjs';

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

check('has each number as the API has it, and counts what the picture shows', async () => {
  const page = await open();
  const from = localDay(await api('site'), 6);
  const [{ faults }, { machines }] = [await api('faults', { from }), await api('service')];
  const within = async (query) => (await api('events', { from, limit: 5000, ...query })).events.length;
  const counts = {
    fault: faults.reduce((n, f) => n + f.times, 0), start: await within({ kind: 'state', change: 'start' }), note: await within({ kind: 'note' }),
    'line trouble': (await within({ kind: 'line_down' })) + (await within({ kind: 'device_down' })),
  };
  const told = await page.textContent('.note-line');
  assert.match(told, /\bIn 7 days\b/);
  assert.equal(await page.textContent('.ruled-page h2'), '7 days, a line each');
  for (const [what, n] of Object.entries(counts)) assert.match(told, new RegExp(`\\b${n || 'no'} ${what}${n === 1 ? '' : 's'}\\b`));
  assert.deepEqual(await page.$$eval('.fault-list > li', (all) => all.map((e) => e.dataset.fault)), [...faults].sort((a, b) => b.times - a.times).map((f) => f.code), 'faults are not in the order of how often they came');
  assert.equal(await page.locator('.service-list > li').count(), machines.flatMap((m) => m.items).length);
  await openAll(page);
  await settled(page);
  await page.click('button:has-text("Hold still")');
  await numbers(page, 12);
  await close(page);
});

check('asks what was found, and compares the days before and after by keyboard', async () => {
  const site = await api('site');
  const page = await open();
  const item = (await api('service')).machines[0].items.at(-1).item;
  await page.focus(`.service-list li[data-item="${item}"] button:has-text("Mark as done")`);
  await page.keyboard.press('Enter');
  await page.waitForFunction(() => document.activeElement?.getAttribute('name') === 'text');
  assert.equal(await page.inputValue('.note-form [name=service]'), item);
  await page.keyboard.type(`changed, check ${Date.now()}`);
  await page.fill('.note-form [name=time]', `${localDay(site, 3)}T10:00`);
  await page.fill('.note-form [name=found]', 'grey with dust, no holes');
  await page.focus('.note-form button[type=submit]');
  await page.keyboard.press('Enter');
  await page.waitForSelector('.note-form [role=status]:has-text("Kept as note")');
  const mark = (await api('service')).machines[0].items.at(-1).marks.find((m) => m.found === 'grey with dust, no holes');
  await page.waitForSelector(`.service-list [data-note="${mark.note}"]`, { ...patience, state: 'attached' });
  await page.focus(`.service-list li[data-item="${item}"] summary`);
  await page.keyboard.press('Enter');
  assert.match(await page.textContent(`[data-note="${mark.note}"]`), /Found: grey with dust, no holes/);
  await page.focus(`[data-note="${mark.note}"] a`);
  await page.keyboard.press('Enter');
  await page.waitForSelector('.effect .side, .effect .verdict', patience);
  assert.match(page.url(), new RegExp(`effect=${mark.note}`));
  const effect = await api('service/effect', { note: mark.note, days: 7 });
  assert.equal(await page.textContent('.effect .verdict'), effect.sentence);
  // The two weeks are the whole days on either side, and the differences are those of /periods.
  const span = (p) => `${p.from}/${p.to}`;
  const periods = await api('periods', { first: span(effect.periods.first), second: span(effect.periods.second), machine: effect.machine });
  const power = (p) => p.rows.find((r) => r.name === 'power_loaded').difference.value;
  assert.equal(power(effect.periods), power(periods));
  assert.equal(await page.locator('.effect .side').count(), effect.moves.filter((m) => m.row !== undefined).length);
  await openAll(page, '.effect');
  await numbers(page, 20);
  await page.focus('.effect button:has-text("Close")');
  await page.keyboard.press('Enter');
  await page.waitForFunction((note) => document.activeElement?.matches(`[data-effect="${note}"]`), mark.note);
  await close(page);
});

check('draws what was read around a fault, and leads to that place in Trace', async () => {
  const { faults } = await api('faults', { from: localDay(await api('site'), 6) });
  const fault = faults.find((f) => f.came.length > 0);
  const page = await open();
  await page.focus(`.fault-list > li[data-fault="${fault.code}"] .came summary`);
  await page.keyboard.press('Enter');
  await page.waitForSelector('.around-picture canvas', patience);
  const label = await page.getAttribute('.around-picture', 'aria-label');
  assert.match(label, /shaded\. Plot from .* between /);
  await page.click('.around a:has-text("Trace")');
  await page.waitForSelector('main[data-page=trace]');
  const query = new URLSearchParams(new URL(page.url()).hash.split('?')[1]);
  assert.equal(Date.parse(query.get('a')), Date.parse(fault.came[0].from));
  assert.equal(Date.parse(query.get('b')), Date.parse(fault.came[0].to));
  await close(page);
});

fits(open);
// axe-core looks at every cell of the tables: a day with a fault is enough for it, the pictures are of a week.
const aDay = async (how) => {
  if (wantsShots) return open(how);
  const site = await api('site');
  const { faults } = await api('faults', { from: localDay(site, 6) });
  const date = localDay(site, 0, Date.parse(faults[0].came[0].from));
  return bookReady(await openAt(`#/service-book?from=${date}&to=${date}`, how));
};
looksRight('service-book', aDay, async (page) => {
  await page.click('.filters button:has-text("Set-up")');
  await page.waitForSelector('.day li[data-sort=setup] summary');
  // Of the plots around faults one is enough for axe-core, which looks at each cell.
  await page.$$eval('main details:not(.came details), .fault-list > li:first-child .came > li:first-child > details', (all) => { for (const d of all) d.open = true; });
  await page.waitForSelector('.around-picture canvas', patience);
  await page.click('.note-form button[type=submit]');
  await page.waitForSelector('.note-form [aria-invalid]');
});
