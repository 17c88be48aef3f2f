// A new site, from an empty folder until the live pages stand there. Run by
// TestNewSitePage: BASE_URL is loadscribe new, ALONE_URL another one in another
// folder, PLANT a simulated one.
import assert from 'node:assert/strict';
import AxeBuilder from '@axe-core/playwright';
import { chromium } from 'playwright-core';

const base = process.env.BASE_URL;
const patience = { timeout: 20_000 };

const browser = await chromium.launch({ executablePath: process.env.CHROMIUM || '/usr/bin/chromium', args: ['--no-sandbox', '--disable-gpu', '--no-first-run', '--disable-background-networking', '--disable-component-update', '--disable-sync'] });
const page = await (await browser.newContext({ viewport: { width: 1280, height: 900 }, locale: 'en-US', timezoneId: 'America/Chicago', reducedMotion: 'reduce' })).newPage();
page.setDefaultTimeout(patience.timeout);
const said = [];
const began = performance.now();
const step = (name) => console.log(`${((performance.now() - began) / 1000).toFixed(1)} s: ${name}`);
page.on('pageerror', (e) => said.push(String(e)));
page.on('console', (m) => { if (m.type() === 'error') said.push(m.text()); });
const at = (field) => page.locator(`[id="f-${field}"]`);
const head = (pattern) => page.waitForFunction((p) => new RegExp(p).test(document.querySelector('h1')?.textContent ?? ''), pattern);
/** Without the hundreds of zones to pick from, which have no look of their own; rules names those wanted, all without. */
const axe = async (rules) => {
  const look = new AxeBuilder({ page }).exclude('datalist').options({ resultTypes: ['violations'] });
  const { violations, passes } = await (rules ? look.withRules(rules) : look.withTags(['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice'])).analyze();
  assert.ok(passes.length > (rules ? 0 : 10));
  assert.deepEqual(violations.map((v) => `${v.id}: ${v.nodes.map((n) => n.target.join(' ')).join(', ')}`), []);
};
try {
  await page.goto(base);
  await head('^2 answers are still');
  assert.equal(await at('site.timezone').inputValue(), 'America/Chicago');
  // What is missing is told where it belongs, and a press leads there.
  await page.click('.open button >> nth=0');
  assert.equal(await page.evaluate(() => document.activeElement.id), 'f-line.0.port');
  assert.equal(await at('line.0.port').getAttribute('aria-invalid'), 'true');
  await at('line.0.kind').selectOption('modbus-tcp');
  await at('line.0.address').fill('nowhere');
  await head('^One answer is'); // a host alone has the registered port; the map is still to be chosen
  await at('line.0.address').fill(process.env.PLANT);
  await at('device.0.map').selectOption('maps/screw-controller.toml');
  await head('^This site can be recorded');
  step('its line and map are given');
  // The keyboard alone goes on from here.
  await at('site.name').focus();
  await page.keyboard.type('Mill Bank Works');
  await at('machine.0.rated_flow').focus();
  await page.keyboard.type('185');
  await head('^One answer is');
  assert.match(await page.textContent('[id="r-machine.0.rated_flow"]'), /unit/i);
  assert.ok(await page.isDisabled('.main-button'));
  await page.keyboard.type(' cfm');
  await head('^This site can be recorded');
  // Names that others refer to are renamed there too; a reload loses nothing.
  await at('device.0.name').fill('panel');
  await page.waitForFunction(() => document.querySelector('pre').textContent.includes('channels = { panel = "*" }'));
  await page.reload();
  await head('^This site can be recorded');
  assert.equal(await at('site.name').inputValue(), 'Mill Bank Works');
  step('read again after a reload');
  await page.click('button:has-text("Paste a map")');
  await at('maps.0.text').fill('name = "mine');
  await page.waitForFunction(() => document.getElementById('r-maps.0.text')?.textContent.includes('To mend'));
  await page.evaluate(() => { for (const d of document.querySelectorAll('details')) d.open = true; });
  await axe();
  step('axe found nothing in light');
  for (const width of [640, 390, 320]) {
    await page.setViewportSize({ width, height: 800 });
    assert.ok((await page.evaluate(() => document.documentElement.scrollWidth)) <= width, `at ${width} px it scrolls sideways`);
  }
  await page.emulateMedia({ colorScheme: 'dark' });
  await axe(['color-contrast', 'target-size']);
  step('axe found nothing in dark');
  await page.setViewportSize({ width: 1280, height: 900 });
  await page.click('button:has-text("Take the map")');
  await head('^This site can be recorded');
  assert.deepEqual(said, []);
  // The same answers in another folder, to be recorded later: the program ends.
  const other = process.env.ALONE_URL;
  const { folder, file } = await (await fetch(`${other}/api/v1/newsite`)).json();
  const answers = await page.evaluate(() => Object.entries(localStorage).find(([k]) => k.startsWith('new site '))[1]);
  const desk = await page.context().newPage();
  await desk.addInitScript(([k, v]) => localStorage.setItem(k, v), [`new site ${folder}/${file}`, answers]);
  await desk.goto(other);
  await desk.click('button:has-text("record later"):enabled', patience);
  await desk.waitForFunction(() => document.querySelector('h1')?.textContent === 'Written. Nothing is recorded yet.');
  assert.match(await desk.textContent('.note-line'), /Files: site.toml.*loadscribe run --site /);
  for (let ends = Date.now() + patience.timeout, up = true; up; assert.ok(Date.now() < ends)) up = await fetch(other).then(() => true, () => false);
  await desk.close();
  step('written in another folder, not recorded');
  await page.focus('.main-button');
  await page.keyboard.press('Enter');
  await head('^Written');
  step('written');
  await page.waitForURL(/#\/hook-up/);
  await page.waitForSelector('html[data-connection=live]', { ...patience, state: 'attached' });
  assert.match(await page.textContent('.site'), /Mill Bank Works/);
  assert.deepEqual(said.filter((s) => !/ERR_CONNECTION|Failed to load resource/.test(s)), []);
  console.log('1 passed');
} finally {
  await browser.close();
}
