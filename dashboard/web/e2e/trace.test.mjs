// Trace: tasks that a technician has, done through the page and held to the API.
import assert from 'node:assert/strict';
import { api, base, check, close, fits, localDay, looksRight, openAt, patience, tabThrough, tolerating } from './harness.mjs';

/** Trace, ready: readings are drawn, and what was asked is answered. */
async function open(how, query = '?span=86400') {
  const page = await openAt(`#/trace${query}`, how);
  await ready(page);
  return page;
}

async function ready(page) {
  await page.waitForSelector('.trace-plot[data-fresh=true][data-waiting=false]', patience);
  await page.waitForSelector('.readings tbody tr', patience);
  await page.waitForFunction(() => !document.querySelector('.trace-parts .standing'), null, patience);
}

const query = async (page) => Object.fromEntries(await page.evaluate(() => [...new URLSearchParams(location.hash.split('?')[1] ?? '')]));

/** Each number below a selector is the one that the API gives for the same question. */
async function sameAsTheApi(page, selector) {
  const shown = await page.$$eval(`${selector} data[data-at]`, (all) => all.map((e) => ({ at: e.dataset.at, value: e.value, text: e.textContent, from: e.closest('[data-answer]').dataset.answer })));
  assert.ok(shown.length > 0, `${selector} shows no number`);
  const answers = new Map();
  for (const { at, value, from } of shown) {
    if (!answers.has(from)) answers.set(from, await (await fetch(base + from)).json());
    const there = at.slice(1).split('/').reduce((v, key) => v?.[key], answers.get(from));
    assert.equal(Number(value), there, `${at} of ${from}`);
  }
  return shown;
}

/** The local date of the last whole Wednesday, and of the day after it. */
function wednesday(site) {
  for (let back = 1; back < 8; back++) {
    const date = localDay(site, back);
    if (new Date(`${date}T12:00:00Z`).getUTCDay() === 3) return [date, localDay(site, back - 1)];
  }
  throw new Error('a week without a Wednesday');
}

check('tells when pressure was below the minimum on Wednesday, and for how long', async () => {
  const site = await api('site');
  const [from, to] = wednesday(site);
  const page = await open();
  await page.click('.trace-between summary');
  await page.fill('.trace-between input >> nth=0', `${from}T00:00`);
  await page.fill('.trace-between input >> nth=1', `${to}T00:00`);
  await page.click('.trace-between button');
  await page.waitForFunction(() => /Wed /.test(document.querySelector('h1').textContent));
  await ready(page);
  const told = await api('below', { system: site.systems[0].name, from, to: from });
  await page.waitForFunction((n) => document.querySelectorAll('.below tbody tr').length === n, told.stretches.length, patience);
  await sameAsTheApi(page, '.below');
  const worst = told.stretches.reduce((a, b) => (b.running_seconds > a.running_seconds ? b : a));
  await page.locator('.below tbody tr', { has: page.locator(`data[value="${worst.running_seconds}"]`) }).first().locator('button').click();
  await page.waitForSelector('[data-cursor=a]', patience);
  await page.waitForFunction(() => document.querySelector('#stretch-title').textContent === 'What was done between the cursors', null, patience);
  await ready(page);
  const { a, b } = await query(page);
  assert.equal(Date.parse(a), Date.parse(worst.from));
  assert.equal(Date.parse(b), Date.parse(worst.to));
  const shown = await sameAsTheApi(page, '.stretch');
  const figures = await api('figures', { from: a, to: b });
  const low = figures.systems[0].figures.find((f) => f.name === 'time_below_minimum_all');
  assert.ok(shown.some((s) => Number(s.value) === low.value), `${low.value} s is not shown`);
  assert.ok(Math.abs(low.value - worst.seconds) <= 15, `${low.value} s between the cursors, the list says ${worst.seconds} s`);
  await close(page);
});

check('sets both cursors by keyboard, and says what was read there and between', async () => {
  const page = await open({}, '?from=-1&ch=controller.receiver_pressure,meter.power,controller.loaded&span=3600');
  await page.focus('.plot-surface');
  await page.keyboard.press('a');
  await page.waitForFunction(() => document.activeElement?.dataset.cursor === 'a', null, patience);
  for (let i = 0; i < 3; i++) await page.keyboard.press('ArrowLeft');
  await page.keyboard.press('Escape');
  await page.keyboard.press('b');
  await page.waitForFunction(() => document.activeElement?.dataset.cursor === 'b', null, patience);
  for (let i = 0; i < 6; i++) await page.keyboard.press('Shift+ArrowRight');
  await page.waitForFunction(() => document.querySelectorAll('.readings thead th').length === 7, null, patience);
  await page.waitForFunction(() => new URLSearchParams(location.hash.split('?')[1]).has('b'), null, patience);
  await ready(page);
  const at = await query(page);
  assert.ok(Date.parse(at.a) < Date.parse(at.b), `cursors ${at.a} and ${at.b}`);
  await sameAsTheApi(page, '.readings');
  // The pressure in the table, against the readings of the export, which come by another way.
  const csv = await (await fetch(`${base}/api/v1/export?layout=wide&from=${at.a}&to=${at.b}&channel=controller.receiver_pressure`)).text();
  const values = csv.trim().split(/\r?\n/).slice(1).map((line) => line.split(',')[1]).filter((v) => v !== '' && v !== undefined).map(Number);
  const cells = await page.$$eval('.readings tr[data-channel="controller.receiver_pressure"] td data', (all) => all.map((e) => Number(e.value)));
  const [low, mean, high] = cells.slice(-3);
  assert.equal(low, Math.min(...values));
  assert.equal(high, Math.max(...values));
  assert.ok(Math.abs(mean - values.reduce((s, v) => s + v, 0) / values.length) < 1e-6, `mean ${mean}`);
  await close(page);
});

check('pans and zooms by wheel, drag and keys; the address follows, and one can step back', async () => {
  const site = await api('site');
  const [day, next] = wednesday(site);
  const window = (await api('below', { system: site.systems[0].name, from: day, to: day }));
  const page = await open({}, `?from=${window.from}&to=${window.to}`);
  const span = async () => { const q = await query(page); return Date.parse(q.to) - Date.parse(q.from); };
  const before = await query(page);
  const box = await page.locator('.plot-surface').boundingBox();
  await page.mouse.move(box.x + box.width / 2, box.y + 120);
  await page.mouse.wheel(0, -300);
  await page.waitForFunction((old) => { const q = new URLSearchParams(location.hash.split('?')[1]); return q.get('from') !== old; }, before.from, patience);
  assert.ok((await span()) < 86_400_000 * 1.05, `a span of ${await span()} ms`);
  await page.waitForTimeout(2_100); // what follows at once is one step
  const near = await query(page);
  await page.mouse.move(box.x + box.width / 2, box.y + 120);
  await page.mouse.down();
  await page.mouse.move(box.x + box.width / 2 - 200, box.y + 120, { steps: 4 });
  await page.mouse.up();
  await page.waitForFunction((old) => new URLSearchParams(location.hash.split('?')[1]).get('from') !== old, near.from, patience);
  const dragged = await query(page);
  assert.ok(Date.parse(dragged.from) > Date.parse(near.from), 'dragging to the left does not go on in time');
  await page.goBack();
  await page.waitForFunction((old) => new URLSearchParams(location.hash.split('?')[1]).get('from') === old, near.from, patience);
  await page.focus('.plot-surface');
  await page.keyboard.press('-');
  await page.waitForFunction((old) => new URLSearchParams(location.hash.split('?')[1]).get('from') !== old, near.from, patience);
  assert.ok(next > day && (await span()) > Date.parse(near.to) - Date.parse(near.from), '− does not show more time');
  await close(page);
});

check('finds a channel, draws it, and gives its readings as a file', async () => {
  const page = await open({}, '?span=3600');
  await page.click('.picker summary');
  await page.fill('.picker input[type=search]', 'sump');
  await page.locator('.picker .box', { hasText: 'sump pressure' }).click();
  await page.waitForSelector('[data-lane*="controller.sump_pressure"]', patience);
  for (const name of ['discharge pressure', 'power']) await page.locator('.chosen button', { hasText: name }).click();
  await page.waitForFunction(() => /ch=[^&]*sump_pressure/.test(location.hash) && !/power/.test(location.hash), null, patience);
  await ready(page);
  const link = await page.getAttribute('.share a', 'href');
  const csv = (await (await fetch(base + link)).text()).trim().split(/\r?\n/);
  assert.match(csv[0], /^time,.*controller\.sump_pressure \[psi\]/);
  assert.ok(!csv[0].includes('power'), csv[0]);
  const given = new URLSearchParams(link.split('?')[1]);
  for (const line of [csv[1], csv.at(-1)]) {
    const at = Date.parse(line.split(',')[0]);
    assert.ok(at >= Date.parse(given.get('from')) && at < Date.parse(given.get('to')), `${line} lies outside`);
  }
  assert.ok(csv.length > 3_000, `${csv.length} lines of an hour`);
  const shared = await page.inputValue('.share-link input');
  assert.match(shared, /#\/trace\?ch=.*&from=.*Z&to=.*Z/);
  await close(page);
});

check('keeps a note at cursor A, and marks it', async () => {
  const at = new Date(Date.now() - 3_600_000).toISOString().replace(/\.\d+Z/, 'Z');
  const page = await open({}, `?span=86400&a=${at}`);
  const words = `Belt looked at, ${Date.now()}.`;
  await page.fill('.note-at textarea', words);
  await page.fill('.note-at input[name=author]', 'R. Vale');
  await page.click('.note-at button[type=submit]');
  await page.waitForFunction((w) => [...document.querySelectorAll('.happened li[data-sort=note]')].some((l) => l.textContent.includes(w)), words, patience);
  const { events } = await api('events', { kind: 'note', from: '-2h', limit: 5 });
  assert.equal(Date.parse(events.find((e) => e.text === words)?.time), Date.parse(at));
  await page.locator('.happened li', { hasText: words }).locator('button').click();
  await page.waitForSelector('.happened li[data-chosen=true]');
  await close(page);
});

check('lists a note of just now, in a week too', async () => {
  const page = await open({}, '?span=604800');
  const words = `Drain opened, ${Date.now()}.`;
  await page.fill('.note-at textarea', words);
  await page.fill('.note-at input[name=author]', 'R. Vale');
  await page.click('.note-at button[type=submit]');
  await page.waitForFunction((w) => [...document.querySelectorAll('.happened li[data-sort=note]')].some((l) => l.textContent.includes(w)), words, patience);
  await page.locator('.happened li', { hasText: words }).locator('button').click();
  await page.waitForSelector('.happened li[data-chosen=true]');
  assert.match(page.url(), /span=604800/); // it is in view: nothing moved
  await close(page);
});

check('says that readings cannot be had, and gets them when they can', () => tolerating(/Failed to load resource/, async () => {
  let fails = true;
  const page = await openAt('#/trace?span=3600', {
    prepare: (p) => p.route('**/api/v1/series?layout=columns*', (r) => (fails ? r.fulfill({ status: 503, contentType: 'application/json', body: '{"error":{"message":"the disk is away","field":""}}' }) : r.continue())),
  });
  await page.waitForSelector('.trace-plot .standing.warn', patience);
  assert.match(await page.textContent('.trace-plot .standing'), /could not be fetched: the disk is away/);
  fails = false;
  await page.click('.trace-plot .standing button');
  await ready(page);
  assert.equal(await page.$('.trace-plot .standing'), null);
  await close(page);
}));

check('can be walked through by keyboard, with a visible focus', async () => {
  const page = await open();
  const seen = await tabThrough(page, 40);
  const names = seen.map((s) => s.name || s.text);
  for (const wanted of ['Hour', 'Follow the present', 'Choose what is drawn', 'How to move in the plot', 'This view, as a table']) assert.ok(names.includes(wanted), `${wanted} is not reached: ${names.join(', ')}`);
  assert.ok(seen.some((s) => s.name.startsWith('Move through time')), 'the plot is not reached');
  await close(page);
});

check('draws a year as readily as an hour', async () => {
  const page = await open({}, '?span=31536000');
  const colours = await page.$eval('.trace-plot .lane-canvas', (c) => new Set(new Uint32Array(c.getContext('2d').getImageData(0, 0, c.width, c.height).data.buffer)).size);
  assert.ok(colours > 3, `a lane of ${colours} colours`);
  assert.match(await page.textContent('h1'), /to now/);
  await sameAsTheApi(page, '.readings');
  await close(page);
});

const full = '?span=86400&ch=controller.discharge_pressure,controller.sump_pressure,controller.discharge_temperature,meter.power,controller.loaded';
const withCursors = async (how) => {
  const [a, b] = [4_500_000, 3_600_000].map((ago) => new Date(Math.floor((Date.now() - ago) / 1_000) * 1_000).toISOString());
  return open(how, `${full}&a=${a}&b=${b}`);
};
check('has tables that can be read on a phone: rows keep their names, and the readings of a view need no scrolling', async () => {
  const page = await open({ size: 'phone' }, full);
  await page.setViewportSize({ width: 360, height: 780 });
  const wide = await page.$eval('.readings .scroll', (e) => e.scrollWidth - e.clientWidth);
  assert.equal(wide, 0, `the readings want ${wide} px more`);
  await page.focus('.below-plot .twin summary');
  await page.keyboard.press('Enter');
  await tableOpen(page);
  const seen = await page.$eval('.below-plot .twin .scroll', (e) => {
    e.scrollLeft = e.scrollWidth;
    const box = e.getBoundingClientRect();
    const heads = [...e.querySelectorAll('tbody th')].map((h) => h.getBoundingClientRect());
    return { scrolled: e.scrollLeft, kept: heads.every((h) => Math.abs(h.left - box.left) < 2 && h.width < box.width / 2) };
  });
  assert.ok(seen.scrolled > 50, 'the table was not wider than the phone');
  assert.ok(seen.kept, 'the moments of the rows are scrolled away');
  await close(page);
});

const tableOpen = async (page) => page.waitForSelector('.below-plot .twin tbody tr', patience);
fits(withCursors);
looksRight('trace', withCursors, tableOpen);
