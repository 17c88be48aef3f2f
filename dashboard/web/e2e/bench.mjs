// Measures the pages in a browser for cmd/bench, section page.
//   BASE_URL     a running agent with the demo's week
//   CHROMIUM     browser (default /usr/bin/chromium)
// Prints one JSON object: {"figure": {"value": …, "note": "…"}}.
import { gzipSync } from 'node:zlib';
import { chromium } from 'playwright-core';

const base = (process.env.BASE_URL ?? '').replace(/\/$/, '');
if (!base) {
  console.error('bench: set BASE_URL to the address of a running agent');
  process.exit(2);
}
const browser = await chromium.launch({
  executablePath: process.env.CHROMIUM || '/usr/bin/chromium',
  args: ['--no-sandbox', '--disable-gpu', '--disable-quic', '--no-first-run', '--disable-background-networking', '--disable-component-update', '--disable-sync'],
});
const viewport = { width: 1280, height: 900 };
const sorted = (all) => [...all].sort((a, b) => a - b);
const quantile = (all, q) => sorted(all)[Math.min(all.length - 1, Math.ceil(all.length * q) - 1)];
const ms = (v) => Math.round(v * 10) / 10;

async function open(hash = '', prepare = async () => undefined) {
  const page = await (await browser.newContext({ viewport })).newPage();
  await prepare(page);
  await page.goto(`${base}/${hash}`);
  await page.waitForSelector('html[data-connection=live]', { state: 'attached' });
  return page;
}
const close = (page) => page.context().close();
const atMachine = (page) => page.waitForSelector('.hour canvas');

async function slowed(page) {
  const cdp = await page.context().newCDPSession(page);
  await cdp.send('Emulation.setCPUThrottlingRate', { rate: 4 });
}

/** From the time of a scan, which the reading carries, to the frame that shows it. */
async function scanToPaint() {
  const page = await open();
  await atMachine(page);
  await page.evaluate(() => {
    window.late = [];
    new MutationObserver((all) => {
      const at = new Set(all.map((m) => m.target.dataset.time).filter(Boolean));
      requestAnimationFrame(() => {
        const { port1, port2 } = new MessageChannel(); // a task after the frame's
        port2.onmessage = () => { for (const t of at) window.late.push(Date.now() - Date.parse(t)); };
        port1.postMessage(0);
      });
    }).observe(document.body, { subtree: true, attributes: true, attributeFilter: ['data-time'] });
  });
  await page.waitForTimeout(30_000);
  const late = await page.evaluate(() => window.late);
  await close(page);
  if (late.length < 25) throw new Error(`only ${late.length} readings were drawn in 30 s`);
  return { value: quantile(late, 0.95), note: `${late.length} changes in 30 s, median ${quantile(late, 0.5)} ms` };
}

async function largestPaint() {
  const all = [];
  let what = '';
  for (let i = 0; i < 5; i++) {
    const page = await open('', slowed);
    await atMachine(page);
    await page.waitForTimeout(2_000); // nothing larger comes
    const [at, name] = await page.evaluate(() => new Promise((done) => {
      new PerformanceObserver((list) => {
        const last = list.getEntries().at(-1);
        done([last.startTime, last.element ? `${last.element.tagName.toLowerCase()} ${last.element.className}`.trim() : '']);
      }).observe({ type: 'largest-contentful-paint', buffered: true });
    }));
    all.push(at);
    what = name;
    await close(page);
  }
  return { value: ms(quantile(all, 0.5)), note: `${sorted(all).map(ms).join(', ')} ms; it was <${what}>` };
}

async function interactions() {
  const page = await open('', slowed);
  await atMachine(page);
  await page.waitForTimeout(2_000);
  await page.evaluate(() => {
    window.took = new Map();
    new PerformanceObserver((list) => {
      for (const e of list.getEntries()) if (e.interactionId) window.took.set(e.interactionId, Math.max(e.duration, window.took.get(e.interactionId) ?? 0));
    }).observe({ type: 'event', durationThreshold: 16, buffered: true });
  });
  let done = 0;
  const act = async (f) => {
    await f();
    done += 1;
    await page.waitForTimeout(150);
  };
  for (let round = 0; round < 5; round++) {
    await act(() => page.click('button:has-text("Units:")'));
    await act(() => page.click('button:has-text("Colours")'));
    for (const s of (await page.$$('main summary')).slice(0, 4)) {
      await act(() => s.click());
      await act(() => page.keyboard.press('Enter')); // it has the focus
    }
  }
  await page.waitForTimeout(1_000);
  // What took less than 16 ms is not reported: it counts as 16.
  const slow = await page.evaluate(() => [...window.took.values()]);
  const all = [...slow, ...Array.from({ length: Math.max(0, done - slow.length) }, () => 16)];
  await close(page);
  return { value: quantile(all, 0.75), note: `${done} clicks and keys; ${slow.length} took 16 ms or more, the slowest ${Math.max(16, ...slow)} ms` };
}

/** 40 channels: the demo's own first, then the same again under other names. */
const wanted = 40;
const twin = (id, n) => (n === 0 ? id : `${id}_again${n}`);
const original = (id) => id.replace(/_again\d+$/, '');

async function manyChannels(page) {
  const bytes = { raw: 0, ms: [] };
  const site = await (await fetch(`${base}/api/v1/site`)).json();
  const plain = site.channels.filter((c) => !c.bit && c.period_ms === 1000 && c.role !== 'fault_code');
  const channels = Array.from({ length: wanted }, (_, i) => {
    const c = plain[i % plain.length];
    const n = Math.floor(i / plain.length);
    return { ...c, id: twin(c.id, n), name: twin(c.name, n), role: n === 0 ? c.role : '' };
  });
  const others = site.channels.filter((c) => !channels.some((o) => o.id === c.id));
  await page.route('**/api/v1/site', (r) => r.fulfill({ json: { ...site, channels: [...channels, ...others] } }));
  await page.route('**/api/v1/series?*', async (r) => {
    const url = new URL(r.request().url());
    const ids = url.searchParams.getAll('channel');
    url.searchParams.delete('channel');
    for (const id of new Set(ids.map(original))) url.searchParams.append('channel', id);
    const began = performance.now();
    const answer = await (await fetch(url)).json();
    bytes.ms.push(performance.now() - began);
    const by = new Map(answer.series?.map((s) => [s.channel, s]));
    const json = { ...answer, series: ids.map((id) => ({ ...by.get(original(id)), channel: id })) };
    bytes.raw = Math.max(bytes.raw, JSON.stringify(json).length);
    await r.fulfill({ json });
  });
  return { ids: channels.map((c) => c.id), bytes };
}

/** In the page: when an answer of readings was parsed, and when a canvas was last drawn on. */
function watchDrawing() {
  window.parsed = 0;
  window.drawnAt = 0;
  const json = Response.prototype.json;
  Response.prototype.json = async function () {
    const v = await json.call(this);
    if (this.url.includes('/series?')) window.parsed = performance.now();
    return v;
  };
  for (const name of ['stroke', 'fill', 'fillRect', 'putImageData', 'drawImage']) {
    const draw = CanvasRenderingContext2D.prototype[name];
    CanvasRenderingContext2D.prototype[name] = function (...a) {
      draw.apply(this, a);
      window.drawnAt = performance.now();
      window.inFrame ??= requestAnimationFrame(() => {
        window.inFrame = undefined;
        const { port1, port2 } = new MessageChannel();
        port2.onmessage = () => { window.frameEnd = performance.now(); };
        port1.postMessage(0);
      });
    };
  }
}

async function weekDrawn() {
  const all = [];
  let note = '';
  for (let i = 0; i < 5; i++) {
    let many;
    const page = await open('', async (p) => {
      many = await manyChannels(p);
      await p.addInitScript(watchDrawing);
    });
    await atMachine(page);
    const to = new Date(Date.now() - 60_000);
    const from = new Date(to - 7 * 86_400_000);
    await page.evaluate(() => { window.parsed = 0; window.frameEnd = 0; });
    await page.evaluate((h) => { location.hash = h; }, `#/trace?ch=${many.ids.join(',')}&from=${from.toISOString()}&to=${to.toISOString()}`);
    await page.waitForFunction(() => window.parsed > 0 && window.frameEnd > window.parsed && performance.now() - window.drawnAt > 1_000, undefined, { timeout: 60_000 });
    all.push(await page.evaluate(() => window.frameEnd - window.parsed));
    const lanes = await page.$$eval('main canvas', (c) => c.length);
    note = `${sorted(all).map(ms).join(', ')} ms; ${lanes} canvases; the answer is ${(many.bytes.raw / 1e6).toFixed(2)} MB of JSON, for the demo's own channels of it the agent took ${ms(quantile(many.bytes.ms, 0.5))} ms`;
    await close(page);
  }
  return { value: ms(quantile(all, 0.5)), note };
}

async function firstScript() {
  let bytes = 0;
  const all = [];
  const page = await open('', async (p) => p.on('response', (r) => { if (/\/assets\/.*\.js$/.test(r.url())) all.push(r); }));
  await atMachine(page);
  for (const r of all) bytes += gzipSync(await r.body(), { level: 9 }).length;
  await close(page);
  return { value: bytes / 1000, note: `${all.length} scripts` };
}

const found = {};
for (const [name, f] of [['scan_to_paint_p95', scanToPaint], ['lcp', largestPaint], ['inp_p75', interactions], ['week_40_channels_drawn', weekDrawn], ['first_page_script_gz', firstScript]]) {
  if (process.argv.length > 2 && !process.argv.includes(name)) continue;
  found[name] = await f();
  console.error(`${name}: ${found[name].value}; ${found[name].note}`);
}
await browser.close();
console.log(JSON.stringify(found));
