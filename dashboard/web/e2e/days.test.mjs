// Seven days.
import assert from 'node:assert/strict';
import { api, check, close, fits, localDay, looksRight, openAll, openAt, patience, tabThrough } from './harness.mjs';

/** The page with its strips, maps and comparison. */
const open = async (how, query = '') => {
  const page = await openAt(`#/seven-days${query}`, how);
  await page.waitForSelector('.strip svg', patience);
  await page.waitForSelector('.map .cell', patience);
  await page.waitForSelector('.side, .verdict', patience);
  return page;
};

/** The answer that the page shows, asked for again. */
const shown = async (page, selector) => {
  const [path, query] = (await page.getAttribute(selector, 'data-answer')).split('?');
  return api(path.replace('/api/v1/', ''), query);
};

const at = (answer, pointer) => pointer.split('/').slice(1).reduce((v, key) => v[key], answer);

check('finds the day that took the most energy, and what it was made of', async () => {
  const page = await open();
  const answer = await shown(page, '.seven');
  const whole = answer.days.filter((d) => d.share > 0.999).map((d) => ({ date: d.date, kWh: d.figures.find((f) => f.name === 'energy').value }));
  const most = whole.reduce((a, b) => (b.kWh > a.kWh ? b : a));
  assert.equal(await page.getAttribute('h1 time >> nth=0', 'datetime'), most.date);
  assert.equal(Number(await page.getAttribute('h1 data >> nth=0', 'value')), most.kWh);
  // The same day by the figures of its own window.
  const figures = await api('figures', { from: most.date, to: most.date });
  assert.equal(figures.systems[0].figures.find((f) => f.name === 'energy').value, most.kWh);
  // Opened, every figure of it is there; the address keeps that it is open.
  await page.click(`.date[data-date="${most.date}"] button`);
  await page.waitForSelector('.full .figure', patience);
  assert.ok(page.url().includes(`day=${most.date}`));
  const day = answer.days.find((d) => d.date === most.date);
  const names = new Set([...day.figures, ...day.machines.flatMap((m) => m.figures)].map((f) => f.name));
  assert.ok((await page.$$('.full .figure')).length >= names.size, 'figures of the day are missing');
  await close(page);
});

check('shows how long a machine was loaded as the intervals have it', async () => {
  const page = await open();
  const answer = await shown(page, '.seven');
  const day = answer.days.find((d) => d.share > 0.999 && d.machines[0].states.loaded);
  const { intervals } = await api('intervals', { machine: day.machines[0].machine, from: day.from, to: day.to });
  const loaded = intervals.reduce((s, i) => s + (i.states.loaded ?? 0), 0);
  assert.ok(Math.abs(day.machines[0].states.loaded.reduce((a, b) => a + b, 0) - loaded) < 1);
  const label = await page.getAttribute(`.date[data-date="${day.date}"] svg[role=img]`, 'aria-label');
  const [, h, min] = /[;,] loaded (?:(\d+)\sh\s)?(\d+)\smin/.exec(label) ?? [];
  const expected = Math.floor(loaded / 60);
  assert.ok(Math.abs(Number(h ?? 0) * 60 + Number(min) - expected) <= 1, `${label}: loaded ${expected} min`);
  await close(page);
});

check('walks by keyboard from a weekday’s hour to its readings in Trace', async () => {
  const page = await open();
  const { energy_week: week } = await shown(page, '.seven');
  const cells = week.cells.filter((c) => c.value !== undefined);
  const top = cells.reduce((a, b) => (b.value > a.value ? b : a));
  const first = week.cells[0];
  await page.focus('.map.power.wide a[tabindex="0"]'); // what stands how is known once its width is
  // Hours that the window does not hold are leapt over: along the first day where that has the hour, else along the last.
  const along = (day) => week.cells.filter((c) => c.day === day && c.hour > first.hour && c.hour <= top.hour).length;
  const down = (hour) => week.cells.filter((c) => c.hour === hour && c.day > first.day && c.day <= top.day).length;
  const press = async (key, times) => { for (let i = 0; i < times; i++) await page.keyboard.press(key); };
  if (week.cells.some((c) => c.day === first.day && c.hour === top.hour)) {
    await press('ArrowRight', along(first.day));
    await press('ArrowDown', down(top.hour));
  } else {
    await press('ArrowDown', down(first.hour));
    await press('ArrowRight', along(top.day));
  }
  const value = await page.evaluate(() => document.activeElement.querySelector('data')?.value);
  assert.equal(Number(value), top.value, 'the arrows lead elsewhere');
  assert.equal((await page.$$('.map.power a[tabindex="0"]')).length, 1, 'a map is more than one stop');
  await page.keyboard.press('Enter');
  await page.waitForFunction(() => location.hash.startsWith('#/trace'));
  const query = new URLSearchParams(new URL(page.url()).hash.split('?')[1]);
  assert.equal(Date.parse(query.get('from')), Date.parse(top.from));
  assert.equal(Date.parse(query.get('to')), Date.parse(top.to));
  await close(page);
});

check('tells what differs between two periods, and what may not', async () => {
  const page = await open();
  const { timezone } = await api('site');
  const [a, b, c, d] = [5, 4, 2, 1].map((n) => localDay({ timezone }, n));
  const dates = page.locator('.periods input[type=date]');
  for (const [i, date] of [a, b, c, d].entries()) await dates.nth(i).fill(date);
  await page.click('.periods button[type=submit]');
  await page.waitForFunction((first) => new URLSearchParams(location.hash.split('?')[1]).get('first') === first, `${a}/${b}`);
  await page.waitForFunction(() => document.querySelector('.periods')?.dataset.answer && !document.querySelector('.periods > .standing'), undefined, patience);
  const answer = await shown(page, '.periods');
  assert.ok(answer.first.from.startsWith(a) || Math.abs(Date.parse(answer.first.from) - Date.parse(a)) < 86_400_000);
  const rows = await page.$$eval('.side', (all) => all.map((e) => ({ told: e.dataset.told === 'true', words: e.querySelector('.judged p').textContent, at: e.querySelector('.by data').dataset.at, value: Number(e.querySelector('.by data').value) })));
  assert.equal(rows.length, answer.rows.filter((r) => r.difference.value !== undefined).length);
  for (const r of rows) {
    assert.equal(at(answer, r.at), r.value);
    const row = at(answer, r.at.replace('/difference/value', ''));
    assert.equal(Math.abs(row.difference.value) > row.difference.uncertainty, r.told, `${row.name} is judged wrongly`);
    assert.equal(r.words, r.told ? 'more than we can be wrong by' : 'within what we can be wrong by');
  }
  await dates.nth(2).fill(b);
  await page.click('.periods button[type=submit]');
  assert.match(await page.textContent('.periods [role=alert]'), /overlap/);
  await close(page);
});

check('can be used by keyboard alone, with the focus to be seen', async () => {
  const page = await open();
  await page.focus('#main');
  const stops = await tabThrough(page, 45);
  const maps = await page.evaluate(() => document.querySelectorAll('.map').length);
  assert.equal(stops.filter((s) => s.tag === 'a' && /^(Mon|Tue|Wed|Thu|Fri|Sat|Sun) \d\d:00/.test(s.text)).length, maps, 'each map is one stop');
  assert.ok(stops.some((s) => s.text.startsWith('All of ')));
  await close(page);
});

/** Opens a day too. */
const opened = async (page) => {
  await page.click('.date button');
  await page.waitForSelector('.full .figure');
  await openAll(page);
};
fits(open, opened);
looksRight('seven-days', open, opened);
