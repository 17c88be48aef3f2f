// The page in a real browser against a running agent (or the mock).
//   BASE_URL     where it listens, e.g. http://127.0.0.1:8477
//   CHROMIUM     browser (default /usr/bin/chromium)
//   SHOTS_DIR    where screenshots go (default screenshots/, which git ignores)
//   RESTART_CMD  shell command that restarts the agent on the same address, or
//   RESTART_URL  an address that does so when posted to
// Prints "N passed"; exits non-zero when a check fails.
import assert from 'node:assert/strict';
import { exec } from 'node:child_process';
import { mkdirSync } from 'node:fs';
import { join } from 'node:path';
import { after, before, test } from 'node:test';
import { promisify } from 'node:util';
import AxeBuilder from '@axe-core/playwright';
import { chromium } from 'playwright-core';

const base = (process.env.BASE_URL ?? '').replace(/\/$/, '');
if (!base) {
  console.error('e2e: set BASE_URL to the address of a running agent');
  process.exit(2);
}
const shots = process.env.SHOTS_DIR || 'screenshots';
mkdirSync(shots, { recursive: true });

const sizes = { wide: { width: 1280, height: 900 }, phone: { width: 390, height: 844 } };
const patience = { timeout: 20_000 };
let browser;
let passed = 0;
const complaints = [];
const foreign = [];
let restarting = false;

const check = (name, f) => test(name, async (t) => {
  await f(t);
  passed += 1;
});

before(async () => {
  browser = await chromium.launch({
    executablePath: process.env.CHROMIUM || '/usr/bin/chromium',
    args: ['--no-sandbox', '--disable-gpu', '--disable-quic', '--no-first-run', '--disable-background-networking', '--disable-component-update', '--disable-sync'],
  });
});
after(async () => {
  await browser?.close();
});
process.on('exit', () => console.log(`${passed} passed`));

/** A page of its own, live. */
async function openAt(hash, { size = 'wide', scheme = 'light', viewport = sizes[size] } = {}) {
  // The axe library needs a context made here, not browser.newPage.
  const context = await browser.newContext({ viewport, colorScheme: scheme, reducedMotion: 'reduce' });
  const page = await context.newPage();
  page.setDefaultTimeout(patience.timeout);
  page.on('console', (m) => {
    // While the server is away the browser itself reports each failed attempt.
    const expected = restarting && /WebSocket|ERR_CONNECTION|Failed to load resource/.test(m.text());
    if ((m.type() === 'error' || m.type() === 'warning') && !expected) complaints.push(m.text());
  });
  page.on('pageerror', (e) => complaints.push(String(e)));
  page.on('request', (r) => {
    if (!r.url().startsWith(`${base}/`)) foreign.push(r.url());
  });
  page.on('websocket', (w) => {
    if (new URL(w.url()).host !== new URL(base).host) foreign.push(w.url());
  });
  await page.goto(`${base}/${hash}`);
  await page.waitForSelector('html[data-connection=live]', { ...patience, state: 'attached' });
  return page;
}

async function bookReady(page) {
  await page.waitForSelector('.ruled-page svg .rule', { ...patience, state: 'attached' });
  await page.waitForSelector('.day li', patience);
  return page;
}

/** The service book, open. */
const openBook = async (how) => bookReady(await openAt('#/service-book', how));

/** From another page to the book. */
async function turnToBook(page) {
  await page.click('.pages a:has-text("Service book")');
  await bookReady(page);
}

async function axeFinds(page) {
  const { violations, passes } = await new AxeBuilder({ page })
    .withTags(['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice'])
    .analyze();
  assert.ok(passes.length > 10, 'axe looked at next to nothing');
  return violations.map((v) => `${v.id}: ${v.nodes.map((n) => n.target.join(' ')).join(', ')}`);
}

/** At the machine, ready: with figures and a drawn section. */
async function open(how) {
  const page = await openAt('', how);
  await page.waitForSelector('.section svg [data-reading]', patience);
  await page.waitForSelector('.figure .value, .figure .absent', patience);
  await page.waitForSelector('.hour canvas', patience);
  return page;
}

const close = (page) => page.context().close();
const readings = (page) => page.$$eval('[data-reading]', (all) => all.map((e) => `${e.dataset.reading}=${e.textContent}`).join(';'));

async function changes(page, what, ms = 20_000) {
  const first = await what(page);
  for (const end = Date.now() + ms; Date.now() < end; await page.waitForTimeout(250)) {
    if ((await what(page)) !== first) return true;
  }
  return false;
}

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
  const site = await (await fetch(`${base}/api/v1/site`)).json();
  const day = new Intl.DateTimeFormat('en-CA', { timeZone: site.timezone }).format(new Date());
  const report = await (await fetch(`${base}/api/v1/figures?from=${day}&to=now&machine=${encodeURIComponent(site.machines[0].name)}`)).json();
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
  // A canvas that nothing was drawn on has one colour.
  await page.waitForFunction(() => {
    const c = document.querySelector('.hour canvas');
    return new Set(new Uint32Array(c.getContext('2d').getImageData(0, 0, c.width, c.height).data.buffer)).size > 3;
  });
  assert.ok((await page.$$('.skyline .run')).length > 0, 'no state is drawn');
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
  const seen = [];
  for (let i = 0; i < 16; i++) {
    await page.keyboard.press('Tab');
    const at = await page.evaluate(() => {
      const e = document.activeElement;
      if (!e || e === document.body) return null;
      const style = getComputedStyle(e);
      return { text: e.textContent.trim().slice(0, 40), ring: style.outlineStyle !== 'none' && parseFloat(style.outlineWidth) >= 2 };
    });
    if (!at) break;
    assert.ok(at.ring, `no visible focus on “${at.text}”`);
    seen.push(at.text);
  }
  assert.equal(seen[0], 'To the content');
  assert.ok(seen.filter((s) => s.startsWith('How we know')).length === 3, seen.join(' | '));
  await close(page);
});

check('draws nothing while hidden or held, and catches up on return', async () => {
  const page = await open();
  const clock = (p) => p.textContent('.clock');
  const hide = (hidden) => page.evaluate((h) => {
    Object.defineProperty(document, 'hidden', { configurable: true, get: () => h });
    document.dispatchEvent(new Event('visibilitychange'));
  }, hidden);
  await hide(true);
  await page.waitForTimeout(500);
  assert.equal(await changes(page, clock, 3_000), false, 'a hidden page goes on drawing');
  await hide(false);
  assert.ok(await changes(page, clock, 5_000), 'the page does not come back');
  await page.click('button:has-text("Hold still")');
  await page.waitForTimeout(500);
  assert.match(await page.textContent('.liveness'), /not live/);
  assert.equal(await changes(page, clock, 3_000), false, 'a held page goes on drawing');
  await page.click('button:has-text("Go on")');
  assert.ok(await changes(page, clock, 5_000), 'the page does not go on');
  await close(page);
});

check('fits 320 px, a phone and double zoom without sideways scrolling', async () => {
  for (const width of [320, 390, 640]) {
    const page = await open({ viewport: { width, height: 800 } });
    const wide = () => page.evaluate(() => document.documentElement.scrollWidth);
    assert.ok((await wide()) <= width, `the machine at ${width} px scrolls sideways`);
    await turnToBook(page);
    assert.ok((await wide()) <= width, `the book at ${width} px scrolls sideways`);
    await close(page);
  }
});

check('keeps notes in the service book, as they are sent, and corrects without deleting', async () => {
  const page = await open();
  await turnToBook(page);
  assert.equal(await page.title(), 'Service book');
  assert.match(await page.textContent('h1'), /fault/i);
  const other = await openBook(); // another reader sees what the first one writes
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
  const stored = await (await fetch(`${base}/api/v1/events?kind=note&from=-1h`)).json();
  assert.equal(stored.events.find((e) => String(e.seq) === seq)?.text, text, 'the corrected note is not kept as it was');
  await close(page);
  await close(other);
});

check('shows the entries that a filter asks for', async () => {
  const page = await openBook();
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

for (const size of ['wide', 'phone']) {
  for (const scheme of ['light', 'dark']) {
    check(`has no axe violation and looks right: ${size}, ${scheme}`, async () => {
      const page = await open({ size, scheme });
      await page.waitForTimeout(1_500); // history on the chart
      await page.screenshot({ path: join(shots, `machine-${size}-${scheme}.png`), fullPage: true });
      for (const s of await page.$$('summary')) await s.click();
      await page.waitForSelector('.hour tbody tr');
      assert.deepEqual(await axeFinds(page), []);
      await turnToBook(page);
      await page.screenshot({ path: join(shots, `service-book-${size}-${scheme}.png`), fullPage: true });
      await page.click('.filters button:has-text("Set-up")');
      await page.waitForSelector('.day li[data-sort=setup] summary');
      for (const s of await page.$$('summary')) await s.click();
      await page.click('.note-form button[type=submit]');
      await page.waitForSelector('.note-form [aria-invalid]');
      assert.deepEqual(await axeFinds(page), []);
      assert.equal(await page.evaluate(() => document.getAnimations().length), 0, 'something moves although motion is to be reduced');
      await close(page);
    });
  }
}

const restart = process.env.RESTART_CMD || process.env.RESTART_URL;
if (restart || process.env.LOADSCRIBE_PEERS === 'require') {
  check('survives a restart of the server', async () => {
    assert.ok(restart, 'set RESTART_CMD or RESTART_URL');
    const page = await open();
    restarting = true;
    // The socket may be lost and back before we look: the page notes every change.
    await page.evaluate(() => {
      window.connections = [];
      new MutationObserver(() => window.connections.push(document.documentElement.dataset.connection))
        .observe(document.documentElement, { attributes: true, attributeFilter: ['data-connection'] });
    });
    const done = process.env.RESTART_CMD ? promisify(exec)(process.env.RESTART_CMD) : fetch(process.env.RESTART_URL, { method: 'POST' });
    await page.waitForFunction(() => window.connections.includes('lost'), undefined, { timeout: 60_000 });
    await done;
    await page.waitForFunction(() => document.documentElement.dataset.connection === 'live' && window.connections.includes('live'), undefined, { timeout: 60_000 });
    await page.waitForSelector('[data-sign=connection]', { state: 'detached' });
    assert.ok(await changes(page, readings), 'no reading changed after the restart');
    restarting = false;
    await close(page);
  });
}

check('complains of nothing in the console and asks nobody else', () => {
  assert.deepEqual(complaints, []);
  assert.deepEqual(foreign, []);
});
