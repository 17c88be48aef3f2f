// What every page's checks in a real browser share. e2e/run.mjs says how to run
// them and what it reads from the environment.
import assert from 'node:assert/strict';
import { mkdirSync } from 'node:fs';
import { join } from 'node:path';
import { after, before, test } from 'node:test';
import AxeBuilder from '@axe-core/playwright';
import { chromium } from 'playwright-core';

export const base = (process.env.BASE_URL ?? '').replace(/\/$/, '');
if (!base) {
  console.error('e2e: set BASE_URL to the address of a running agent');
  process.exit(2);
}
/** Every picture is wanted, not only what the checks need. */
export const wantsShots = Boolean(process.env.SHOTS_DIR);
const shots = process.env.SHOTS_DIR ?? '';
if (wantsShots) mkdirSync(shots, { recursive: true });

export const sizes = { wide: { width: 1280, height: 900 }, phone: { width: 390, height: 844 } };
export const patience = { timeout: 20_000 };
/** What pages said in the console, and whom they asked beside the server: none is right. */
const complaints = [];
const foreign = [];
const tolerated = new Set();
const took = new Map();
const failed = [];
const again = [];
let file = '';
let passed = 0;
let browser;

/** Names the file that the checks to come belong to. */
export const begin = (name) => { file = name; };

/**
 * One check; it ends within the timeout, ms, or it failed. A page on a busy machine may
 * be late where a check has no way to see it: what failed is tried once more, and a log
 * that says AGAIN asks for that way. twice: false for one that can only be tried once.
 */
export function check(name, f, timeout = 120_000, twice = true) {
  const of = `${file}: ${name}`;
  const whose = file;
  test(of, { timeout }, async (t) => {
    const began = performance.now();
    try {
      await f(t).catch(async (first) => {
        if (!twice) throw first;
        again.push(`${of}\n${first.stack}`);
        await closeLeft();
        await f(t);
      });
      passed += 1;
    } catch (e) {
      failed.push(`${of}\n${e.stack}${e.cause ? `\n${e.cause.stack}` : ''}`);
      throw e;
    } finally {
      took.set(whose, (took.get(whose) ?? 0) + performance.now() - began);
      await closeLeft();
    }
  });
}

export const chromiumArgs = ['--no-sandbox', '--disable-gpu', '--disable-quic', '--no-first-run', '--disable-background-networking', '--disable-component-update', '--disable-sync'];

before(async () => {
  browser = await chromium.launch({ executablePath: process.env.CHROMIUM || '/usr/bin/chromium', args: chromiumArgs });
});
after(async () => {
  await browser?.close();
});
process.on('exit', () => {
  for (const [name, ms] of took) console.log(`${name} took ${(ms / 1000).toFixed(1)} s`);
  console.log(`${passed} passed`);
  for (const f of again) console.log(`AGAIN ${f}`);
  for (const f of failed) console.log(`FAILED ${f}`); // again, where a log's end shows it
});

/**
 * While f runs, what the console says and the pattern matches is expected: the
 * browser itself reports each failed request, for one.
 */
export async function tolerating(pattern, f) {
  tolerated.add(pattern);
  try {
    return await f();
  } finally {
    tolerated.delete(pattern);
  }
}
export const whileServerIsAway = (f) => tolerating(/WebSocket|ERR_CONNECTION|ERR_INTERNET|Failed to load resource|dynamically imported/, f);

/**
 * Pages that checks are done with, each in a context of its own. Opened again they
 * load everything anew, but in a browser process that has read the script before: half
 * of what opening takes.
 */
const idle = [];

async function newPage(context) {
  // The axe library needs a context made here, not browser.newPage.
  const page = await (await browser.newContext(context)).newPage();
  page.setDefaultTimeout(patience.timeout);
  page.on('console', (m) => {
    const expected = [...tolerated].some((p) => p.test(m.text()));
    if ((m.type() === 'error' || m.type() === 'warning') && !expected) complaints.push(`${page.hash}: ${m.text()} ${m.location().url}`);
  });
  page.on('response', async (r) => { // why, beside the browser's own word
    if (r.status() >= 500 && tolerated.size === 0) complaints.push(`${page.hash}: ${r.url()}: ${await r.text().catch(() => 'no words')}`);
  });
  page.on('pageerror', (e) => complaints.push(`${page.hash}: ${e}`));
  page.on('request', (r) => {
    if (!r.url().startsWith(`${page.from}/`) && !r.url().startsWith(`blob:${page.from}/`) && r.url() !== 'about:blank') foreign.push(r.url());
  });
  page.on('websocket', (w) => {
    if (new URL(w.url()).host !== new URL(page.from).host) foreign.push(w.url());
  });
  return page;
}

/**
 * A page at a hash, live, as if opened for the first time. prepare is given the page
 * before it goes anywhere; at is another way to the server; ready is what shows that it is there.
 */
export async function openAt(hash, { size = 'wide', scheme = 'light', viewport = sizes[size], at = base, ready = 'html[data-connection=live]', prepare, ...context } = {}) {
  const common = !prepare && Object.keys(context).length === 0; // nothing was done to it that stays
  let page = common ? idle.pop() : undefined;
  if (page) {
    await page.setViewportSize(viewport);
    await page.emulateMedia({ media: null, colorScheme: scheme, reducedMotion: 'reduce' }); // one that was printed is a screen again
  } else page = await newPage({ viewport, colorScheme: scheme, reducedMotion: 'reduce', ...context });
  Object.assign(page, { look: { size, scheme }, hash, from: at, common });
  await prepare?.(page);
  await page.goto(`${at}/${hash}`);
  await page.waitForSelector(ready, { ...patience, state: 'attached' });
  return page;
}

/** Waits until the page has its script and the answers it asked for. */
export const settled = (page) => page.waitForFunction(() => {
  const words = [...document.querySelectorAll('main .standing')].map((e) => e.textContent);
  return document.querySelector('main h1') && !words.some((w) => /^(Opening|Fetching)|Trying again/.test(w));
}, undefined, patience);

/** Ends a page: what it kept in the browser is gone. */
export async function close(page) {
  if (!page.common) return page.context().close();
  await page.unrouteAll();
  await page.evaluate(() => { localStorage.clear(); sessionStorage.clear(); });
  await page.context().clearCookies();
  await page.goto('about:blank');
  idle.push(page);
}

/** Closes what a failed check left open, so that the next one has the machine for itself. */
async function closeLeft() {
  for (const context of browser?.contexts() ?? []) {
    if (!idle.some((page) => page.context() === context)) await context.close();
  }
}

/** An answer of the API, parsed; query is an object or a text. */
export async function api(path, query = {}) {
  const response = await fetch(`${base}/api/v1/${path}?${new URLSearchParams(query)}`);
  const body = await response.json();
  assert.equal(response.status, 200, `${path}: ${JSON.stringify(body)}`);
  return body;
}

/** The site's local date at a moment, "2026-11-29"; days counts back, by the calendar: a day with a change of clocks is one too. */
export function localDay(site, days = 0, at = Date.now()) {
  const date = new Intl.DateTimeFormat('en-CA', { timeZone: site.timezone }).format(new Date(at));
  return new Date(Date.parse(date) - days * 86_400_000).toISOString().slice(0, 10);
}

/** Whether what(page) gives something else within so long. */
export async function changes(page, what, ms = 20_000) {
  const first = await what(page);
  for (const end = Date.now() + ms; Date.now() < end; await page.waitForTimeout(100)) {
    if ((await what(page)) !== first) return true;
  }
  return false;
}

/** Makes the page believe that nobody sees it, or that somebody does again. */
export const hide = (page, hidden) => page.evaluate((h) => {
  Object.defineProperty(document, 'hidden', { configurable: true, get: () => h });
  Object.defineProperty(document, 'visibilityState', { configurable: true, get: () => (h ? 'hidden' : 'visible') });
  document.dispatchEvent(new Event('visibilitychange'));
}, hidden);

/** Waits until something was drawn on the canvas: an empty one has one colour. */
export const drawn = (page, selector) => page.waitForFunction((s) => {
  const c = document.querySelector(s);
  return c && c.width > 0 && new Set(new Uint32Array(c.getContext('2d').getImageData(0, 0, c.width, c.height).data.buffer)).size > 3;
}, selector, patience);

/** A full-page screenshot NAME-SIZE-SCHEME.png, if any are wanted. */
export async function shot(page, name) {
  if (!wantsShots) return;
  await page.waitForTimeout(1_500); // history on the charts
  await page.screenshot({ path: join(shots, `${name}-${page.look.size}-${page.look.scheme}.png`), fullPage: true });
}

/**
 * In the page: hides all but some of each kind among the children of one element, or,
 * told so, shows them again. Of one kind is what has the same tags, classes, attributes,
 * roles and colours, down to its last child, and text in the same places: 1500 rows
 * of a table are as a rule of a few kinds. Gives how many elements were hidden.
 */
function hideAlike(most) {
  for (const e of document.querySelectorAll('[data-alike]')) e.removeAttribute('data-alike');
  if (most === 0) return 0;
  if (!window.alike) {
    window.alike = new CSSStyleSheet();
    window.alike.replaceSync('[data-alike] { display: none !important }');
    document.adoptedStyleSheets = [...document.adoptedStyleSheets, window.alike];
  }
  const numbers = new Map(); // of kinds
  const valued = new Set(['role', 'type', 'tabindex', 'hidden', 'open', 'disabled', 'scope', 'aria-selected', 'aria-hidden', 'aria-invalid', 'aria-pressed', 'aria-current']);
  const place = /^(left|top|right|bottom|width|height|inset.*|transform|flex.*|grid.*)$/;
  const fields = 'label, legend, summary, input, select, textarea'; // a field wants its label
  const kind = (e) => {
    const parts = [e.localName, e.getAttribute('class') ?? ''];
    for (const a of e.attributes) {
      if (a.name === 'style') parts.push(...[...e.style].filter((p) => !place.test(p)).map((p) => `${p}:${e.style.getPropertyValue(p)}`));
      else parts.push(valued.has(a.name) ? `${a.name}=${a.value}` : `${a.name}${a.value.trim() === '' ? '!' : ''}`);
    }
    const inner = new Set();
    for (const n of e.childNodes) {
      if (n.nodeType === Node.TEXT_NODE && n.data.trim() !== '') inner.add('text');
    }
    const seen = new Map();
    for (const c of e.children) {
      const k = kind(c);
      inner.add(k);
      seen.set(k, [...(seen.get(k) ?? []), c]);
    }
    for (const all of seen.values()) {
      const spare = all.filter((c) => !c.contains(document.activeElement) && !c.matches(fields)).slice(most - 1, -1);
      for (const c of spare) c.setAttribute('data-alike', '');
    }
    const text = [...parts, ...[...inner].sort()].join(' ');
    if (!numbers.has(text)) numbers.set(text, numbers.size);
    return numbers.get(text);
  };
  kind(document.querySelector('main'));
  return document.querySelectorAll('[data-alike], [data-alike] *').length;
}

/**
 * What axe-core finds wrong. Its time grows with the elements that are to be seen,
 * and faster where they lie in large tables: of what is alike under one parent it
 * looks at three and the last.
 */
export async function axeFinds(page) {
  await page.evaluate(hideAlike, 4);
  const { violations, passes } = await new AxeBuilder({ page })
    .setLegacyMode() // in the page itself, which has no frames; else a second page is opened each time
    .options({ resultTypes: ['violations'] }) // of what is well, one place each: much less to gather
    .withTags(['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice'])
    .analyze();
  await page.evaluate(hideAlike, 0);
  assert.ok(passes.length > 10, 'axe looked at next to nothing');
  return violations.map((v) => `${v.id}: ${v.nodes.map((n) => n.target.join(' ')).join(', ')}`);
}

/** Opens every <details> of the content; some put in more of them. */
export async function openAll(page) {
  for (let round = 0; round < 4; round++) {
    const opened = await page.$$eval('main details:not([open])', (all) => {
      for (const d of all) d.open = true;
      return all.length;
    });
    if (opened === 0) return;
    await page.evaluate(() => new Promise((done) => { requestAnimationFrame(() => requestAnimationFrame(done)); }));
  }
}

/**
 * Checks a page's look: pictures as the reader finds it, then axe-core with
 * everything opened, and that nothing moves. open({size, scheme}) gives the page,
 * ready; opened(page), if given, opens what openAll does not. A theme changes
 * colours, a width what stands where: two of the four pairs see both, the wide one
 * with everything opened; where screenshots are wanted all four are, opened.
 */
export function looksRight(name, open, opened = async () => undefined) {
  for (const [size, scheme] of [['wide', 'light'], ['phone', 'dark'], ['wide', 'dark'], ['phone', 'light']]) {
    if (!wantsShots && (size === 'wide') === (scheme === 'dark')) continue;
    check(`has no axe violation and looks right: ${size}, ${scheme}`, async () => {
      const page = await open({ size, scheme });
      await shot(page, name);
      if (wantsShots || size === 'wide') { // once: what stands in tables and how we know has the same colours and is the dearest to look through
        await openAll(page);
        await opened(page);
      }
      assert.deepEqual(await axeFinds(page), []);
      assert.equal(await page.evaluate(() => document.getAnimations().length), 0, 'something moves although motion is to be reduced');
      await close(page);
    });
  }
}

/** Checks that a page fits 320 px, a phone, and a wide screen at 200 %, without sideways scrolling. */
export function fits(open, opened = openAll) {
  check('fits 320 px, a phone and double zoom without sideways scrolling', async () => {
    const page = await open({ viewport: { width: 640, height: 800 } });
    await opened(page);
    for (const width of [640, 390, 320]) {
      await page.setViewportSize({ width, height: 800 });
      await page.waitForTimeout(300); // charts follow by an observer
      const needs = await page.evaluate(() => document.documentElement.scrollWidth);
      assert.ok(needs <= width, `at ${width} px it needs ${needs} px`);
    }
    await close(page);
  });
}

/**
 * Walks through the page by Tab until it comes round or most stops were made;
 * gives what was focused: {text, name, tag}. Each must show its focus.
 */
export async function tabThrough(page, most = 40) {
  const seen = [];
  for (let i = 0; i < most; i++) {
    await page.keyboard.press('Tab');
    const at = await page.evaluate(() => {
      const e = document.activeElement;
      if (!e || e === document.body) return null;
      const style = getComputedStyle(e);
      return {
        text: e.textContent.trim().slice(0, 40), name: e.getAttribute('aria-label') ?? '', tag: e.tagName.toLowerCase(),
        ring: (style.outlineStyle !== 'none' && parseFloat(style.outlineWidth) >= 2) || style.boxShadow !== 'none',
      };
    });
    if (!at) break;
    assert.ok(at.ring, `no visible focus on <${at.tag}> “${at.name || at.text}”`);
    seen.push(at);
  }
  return seen;
}

/** The last check of all. */
export function endChecks() {
  begin('all');
  check('complains of nothing in the console and asks nobody else', async () => {
    assert.deepEqual(complaints, []);
    assert.deepEqual(foreign, []);
  }, 120_000, false);
}
