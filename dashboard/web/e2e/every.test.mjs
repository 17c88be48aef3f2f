// What holds for every page: its script comes when it is opened, nothing is asked
// while nobody looks, and it comes back after a sleep or without its server.
import assert from 'node:assert/strict';
import { gzipSync } from 'node:zlib';
import { api, base, changes, check, close, hide, openAt, patience, settled, whileServerIsAway } from './harness.mjs';
import { Link } from './link.mjs';

/** Under it every page stands a night of its own; what a night asks of a page is mostly the frame's, which all share. */
const long = Boolean(process.env.LOADSCRIBE_LONG);
/** At most so much script, gzipped, before the first page is ready. */
const firstPageBytes = 120_000;

const links = (page) => page.$$eval('.pages a', (all) => all.map((a) => a.getAttribute('href')));

/** Turns to a page by its link, and waits for its script. */
async function turnTo(page, href) {
  await page.click(`.pages a[href="${href}"]`);
  await page.waitForSelector(`.pages a[href="${href}"][aria-current=page]`);
  await page.waitForFunction(() => document.querySelector('main h1') && !/^Opening/.test(document.querySelector('main .standing')?.textContent ?? ''), undefined, patience);
}

/** Turns to a page by its link, and waits for what it shows. */
async function turn(page, href) {
  await turnTo(page, href);
  await settled(page);
}

const isLive = (page, live) => page.waitForSelector(`.liveness[data-live=${live}]`, { timeout: 30_000 });

check('fetches each page’s script when it is opened, within budget and policy, and keeps it', async () => {
  const assets = new Map();
  let documents = 0;
  const page = await openAt('', {
    prepare: async (p) => {
      await p.addInitScript(() => {
        window.refused = [];
        document.addEventListener('securitypolicyviolation', (e) => window.refused.push(`${e.violatedDirective} ${e.blockedURI}`));
      });
      p.on('response', (r) => {
        const path = new URL(r.url()).pathname;
        if (path.startsWith('/assets/')) assets.set(path, r);
        if (path !== '/') return;
        documents += 1;
        assert.match(r.headers()['content-security-policy'], /^default-src 'none'; script-src 'self'; style-src 'self'/);
        assert.equal(r.headers()['cache-control'], 'no-cache');
      });
    },
  });
  await settled(page);
  const scripts = () => [...assets.keys()].filter((p) => p.endsWith('.js'));
  let bytes = 0;
  for (const p of scripts()) bytes += gzipSync(await assets.get(p).body(), { level: 9 }).length;
  console.log(`first page: ${scripts().length} scripts, ${bytes} bytes gzipped`);
  assert.ok(documents === 1 && bytes > 10_000, `${documents} documents, ${bytes} bytes of script`);
  assert.ok(bytes <= firstPageBytes, `the first page needs ${bytes} bytes of script, the budget is ${firstPageBytes}`);

  const [first, ...others] = await links(page);
  for (const href of others) {
    const before = scripts().length;
    await turn(page, href);
    assert.ok(scripts().length > before, `${href} is part of another page's script`);
  }
  for (const [path, r] of assets) {
    assert.match(path, /-[\w-]{8,}\.(js|css)$/, 'a name without its content’s hash');
    assert.match(r.headers()['cache-control'], /max-age=31536000, immutable/);
    assert.match(r.headers().etag, /^"[0-9a-f]{32}"$/);
  }
  assert.deepEqual(await page.evaluate(() => window.refused), []);

  // Opened again, nothing of it comes over the wire.
  await turn(page, first);
  await page.reload();
  await settled(page);
  for (const href of others) await turnTo(page, href);
  const again = await page.evaluate(() => performance.getEntriesByType('resource').filter((e) => e.name.includes('/assets/')).map((e) => ({ name: e.name, bytes: e.transferSize })));
  assert.ok(again.length >= assets.size, `${again.length} of ${assets.size} assets asked for`);
  assert.deepEqual(again.filter((e) => e.bytes > 0), [], 'fetched a second time');
  await close(page);
});

check('says so where a page’s script cannot be had, and gets it later', async () => {
  const page = await openAt('');
  await settled(page);
  const [, ...others] = await links(page);
  await whileServerIsAway(async () => {
    await page.route('**/assets/*.js', (r) => r.fulfill({ status: 404, body: 'no such page: start at /' }));
    for (const href of others) {
      await page.click(`.pages a[href="${href}"]`);
      await page.waitForSelector(`.pages a[href="${href}"][aria-current=page]`); // or the warning is the last page's
      await page.waitForSelector('main .warn:has-text("This page could not be fetched")');
    }
    await page.unroute('**/assets/*.js');
    await page.click('main button:has-text("Try again")');
    await page.waitForSelector('main h1');
  });
  await settled(page);
  await close(page);
});

/** Nothing is asked and nothing drawn while nobody looks, and the page catches up. */
async function standsHidden(page, href, seen) {
  await hide(page, true);
  do {
    seen.asked.length = 0;
    await page.waitForTimeout(300); // what was on its way comes
  } while (seen.open > 0 || seen.asked.length > 0);
  await page.evaluate(() => {
    window.drawn = [];
    window.watch = new MutationObserver((all) => {
      for (const m of all) window.drawn.push(`${m.type} of ${m.target.className || m.target.nodeName}: ${m.target.textContent.slice(0, 60)}`);
    });
    window.watch.observe(document.body, { subtree: true, childList: true, characterData: true, attributes: true });
  });
  // Two minutes go by, what a page does each minute is due; the live socket needs a word in each.
  for (let i = 0; i < 2; i++) {
    await page.clock.runFor(59_000);
    const heard = seen.frames;
    while (seen.frames === heard) await page.waitForTimeout(50);
  }
  assert.deepEqual(seen.asked, [], `${href} asks while hidden`);
  assert.deepEqual(await page.evaluate(() => { window.watch.disconnect(); return window.drawn; }), [], `${href} draws while hidden`);
  const clock = await page.textContent('.clock');
  await hide(page, false);
  await page.waitForFunction((old) => document.querySelector('.clock').textContent !== old, clock);
  await isLive(page, true);
}

/** Comes back after a night, with the server's time and not its own. */
async function standsTheNight(page, href, site) {
  await isLive(page, true);
  await page.waitForFunction(() => /^Live; newest reading \d\.\d\ss old$/.test(document.querySelector('.liveness').textContent), undefined, patience)
    .catch(async (e) => { throw new Error(`${href} after a night: “${await page.textContent('.liveness')}”`, { cause: e }); });
  assert.ok(Math.abs(await page.evaluate(() => Date.now()) - Date.now()) > 7 * 3_600_000, 'the browser’s own clock is not wrong');
  // Until the server was heard again the page carries its own time on.
  let off = Infinity;
  for (const end = Date.now() + 5_000; off >= 10 && Date.now() < end; await page.waitForTimeout(100)) {
    const [, h, m, s] = /(\d\d):(\d\d):(\d\d)/.exec(await page.textContent('.clock')).map(Number);
    const [, hh, mm, ss] = /(\d\d):(\d\d):(\d\d)/.exec(new Date().toLocaleTimeString('en-GB', { timeZone: site.timezone })).map(Number);
    off = Math.abs((h - hh) * 3600 + (m - mm) * 60 + s - ss) % 86_400;
    off = Math.min(off, 86_400 - off);
  }
  assert.ok(off < 10, `${href} shows a time that is ${off} s off`);
}

/** Keeps what it shows without its server, says so, and after a night goes on with it. */
async function standsAlone(page, href, link) {
  await link.cut();
  await isLive(page, false);
  assert.match(await page.textContent('.liveness'), /^Not live; newest reading/);
  assert.ok((await page.textContent('main h1')).length > 0, `${href} is empty without its server`);
  await page.clock.fastForward('08:00:00');
  await link.join();
  await page.evaluate(() => window.dispatchEvent(new Event('online')));
}

// One walk for all three: to turn to a page and wait for its answers takes longer than each of them.
check('asks and draws nothing while hidden, on every page; stands a night without the server', async () => {
  const site = await api('site');
  const link = new Link(base);
  await link.join();
  const seen = { asked: [], open: 0, frames: 0 };
  const page = await openAt('', {
    at: link.base,
    prepare: async (p) => {
      await p.clock.install();
      p.on('websocket', (w) => w.on('framereceived', () => { seen.frames += 1; }));
      p.on('request', (r) => { seen.open += 1; seen.asked.push(r.url().slice(link.base.length)); });
      for (const end of ['requestfinished', 'requestfailed']) p.on(end, () => { seen.open -= 1; });
    },
  });
  await settled(page);
  const all = await links(page);
  const nights = long ? all : [all[0], '#/trace', all.at(-1)]; // live, with a view of its own, and neither
  assert.ok(nights.every((href) => all.includes(href)), `${nights} are not all among ${all}`);
  for (const href of all) {
    await turn(page, href);
    await isLive(page, true);
    await standsHidden(page, href, seen);
    if (!nights.includes(href)) continue;
    await whileServerIsAway(async () => {
      await standsAlone(page, href, link);
      await standsTheNight(page, href, site);
      await settled(page);
    });
  }
  await page.clock.fastForward('08:00:00'); // and one in which the connection lives on
  await standsTheNight(page, 'the last page', site);
  await close(page);
  await link.cut();
}, long ? 480_000 : 240_000);
