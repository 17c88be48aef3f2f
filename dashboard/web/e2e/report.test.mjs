// A report's HTML in a real browser.
//   REPORT       the file
//   HOSTILE      another one, of names that would do harm; may be left out
//   CHROMIUM     browser (default /usr/bin/chromium)
//   OUT_DIR      where the printed pages go: report-letter.pdf, hostile-a4.pdf, …
//   SHOTS        if set, screenshots too: wide and phone, light and dark
// Prints "N passed"; exits non-zero when a check fails.
import assert from 'node:assert/strict';
import { mkdirSync } from 'node:fs';
import { join } from 'node:path';
import { after, before, test } from 'node:test';
import { pathToFileURL } from 'node:url';
import AxeBuilder from '@axe-core/playwright';
import { chromium } from 'playwright-core';

const report = process.env.REPORT;
const out = process.env.OUT_DIR;
if (!report || !out) {
  console.error('e2e: set REPORT to a report.html and OUT_DIR to a directory');
  process.exit(2);
}
mkdirSync(out, { recursive: true });
const files = { report: pathToFileURL(report).href };
if (process.env.HOSTILE) files.hostile = pathToFileURL(process.env.HOSTILE).href;
const sizes = { wide: { width: 1280, height: 900 }, phone: { width: 390, height: 844 }, narrow: { width: 320, height: 640 } };
let browser;
let passed = 0;

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

async function open(size, colorScheme, address = files.report) {
  const context = await browser.newContext({ viewport: sizes[size], colorScheme });
  const page = await context.newPage();
  const complaints = [];
  page.on('console', (m) => complaints.push(m.text()));
  page.on('pageerror', (e) => complaints.push(String(e)));
  page.on('request', (r) => {
    if (r.url() !== address) complaints.push(`asks for ${r.url()}`);
  });
  page.on('dialog', (d) => {
    complaints.push(`says ${d.message()}`);
    return d.dismiss();
  });
  await page.goto(address);
  return { page, complaints };
}

const close = (page) => page.context().close();

// A theme changes colours, a width what stands where: two of the four pairs see both.
for (const [size, scheme] of [['wide', 'light'], ['phone', 'dark']]) {
  check(`axe-core finds nothing, and nothing is asked for: ${size}, ${scheme}`, async () => {
    const { page, complaints } = await open(size, scheme);
    const { violations, passes } = await new AxeBuilder({ page })
      .options({ resultTypes: ['violations'] }) // of what is well, one place each: much less to gather
      .withTags(['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice'])
      .analyze();
    assert.ok(passes.length > 10, 'axe looked at next to nothing');
    assert.deepEqual(violations.map((v) => `${v.id}: ${v.nodes.slice(0, 5).map((n) => n.target.join(' ')).join(', ')}`), []);
    assert.deepEqual(complaints, []);
    await close(page);
  });
}

if (process.env.SHOTS) {
  for (const size of ['wide', 'phone']) {
    for (const scheme of ['light', 'dark']) {
      check(`a picture: ${size}, ${scheme}`, async () => {
        const { page } = await open(size, scheme);
        await page.screenshot({ path: join(out, `${size}-${scheme}.png`), fullPage: true });
        await close(page);
      });
    }
  }
}

/** What is wider than the page, or a picture that is not shown as it was made. */
const misfits = (page) => page.evaluate(() => {
  const room = document.documentElement.clientWidth;
  const found = document.documentElement.scrollWidth > room ? [`the page scrolls: ${document.documentElement.scrollWidth} of ${room}`] : [];
  for (const e of document.querySelectorAll('body *')) {
    if (e.closest('.table, svg, .skip')) continue;
    const box = e.getBoundingClientRect();
    if (box.width && box.right > room + 1) found.push(`${e.tagName} ${e.className} ends at ${box.right}: ${e.textContent.slice(0, 40)}`);
  }
  for (const f of document.querySelectorAll('figure')) {
    const shown = [...f.querySelectorAll('svg')].filter((s) => s.getBoundingClientRect().width > 0);
    if (shown.length !== 1) found.push(`${f.id} shows ${shown.length} pictures`);
    else if (shown[0].getBoundingClientRect().width / shown[0].viewBox.baseVal.width < 1) found.push(`${f.id} is drawn smaller than it was made`);
  }
  return found;
});

for (const [name, file] of Object.entries(files)) {
  for (const size of name === 'report' ? Object.keys(sizes) : ['narrow']) {
    check(`${name}: nothing is wider than the page, nothing runs: ${size}`, async () => {
      const { page, complaints } = await open(size, 'light', file);
      assert.deepEqual(await misfits(page), []);
      assert.deepEqual(complaints, []);
      await close(page);
    });
  }
  check(`${name}: no table is wider than the paper`, async () => {
    const { page } = await open('wide', 'light', file);
    await page.emulateMedia({ media: 'print' });
    await page.setViewportSize({ width: Math.floor((210 - 34) / 25.4 * 96), height: 900 }); // A4 less its margins
    const over = await page.$$eval('table', (all) => all.filter((e) => e.getBoundingClientRect().right > document.documentElement.clientWidth + 0.5).map((e) => e.caption.textContent));
    assert.deepEqual(over, []);
    await close(page);
  });
}

check('a table that scrolls is reached by the keyboard and has a name', async () => {
  const { page } = await open('phone', 'light');
  const frames = await page.$$eval('.table', (all) => all.filter((e) => e.scrollWidth > e.clientWidth + 1).map((e) => ({ reached: e.tabIndex === 0, named: document.getElementById(e.getAttribute('aria-labelledby') ?? '')?.textContent ?? '' })));
  for (const f of frames) assert.ok(f.reached && f.named, JSON.stringify(f));
  await close(page);
});

check('every place in the contents is there, and the skip link leads past it', async () => {
  const { page } = await open('wide', 'light');
  await page.keyboard.press('Tab');
  assert.equal(await page.evaluate(() => document.activeElement.textContent), 'Skip to the report');
  await page.keyboard.press('Enter');
  assert.match(page.url(), /#report$/);
  const lost = await page.$$eval('nav a', (all) => all.filter((a) => !document.getElementById(a.hash.slice(1))).map((a) => a.hash));
  assert.deepEqual(lost, []);
  await close(page);
});

for (const format of ['Letter', 'A4']) {
  check(`prints on ${format}`, async () => {
    for (const [name, file] of Object.entries(files)) {
      if (name !== 'report' && format !== 'A4') continue; // the narrower one
      const { page } = await open('wide', 'dark', file);
      await page.pdf({ path: join(out, `${name}-${format.toLowerCase()}.pdf`), format });
      await close(page);
    }
  });
}
