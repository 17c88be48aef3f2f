// Every text that a person, a site file or a map can bring in would do harm: no script
// runs, nothing is asked of anybody else, no element comes of a text, on every page and
// in the report. The site file of TestHostilePage has such names already.
import assert from 'node:assert/strict';
import { mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { pathToFileURL } from 'node:url';
import { api, check, close, openAt, settled, tolerating } from './harness.mjs';

/** After OWASP's list of ways around filters (from memory): for text, attributes, links, styles and templates. */
const evil = [
  '<img class=owned src=//evil.example/x onerror=owned()>',
  '"><script class=owned>owned()</script>',
  "' autofocus onfocus=owned() class='owned",
  '<svg class=owned onload=owned()><a href="javascript:owned()">x</a>',
  '</style></title></textarea><iframe class=owned src=//evil.example></iframe>',
  'javascript:owned()', '{{owned()}}${owned()}', '<style class=owned>@import "//evil.example";</style>', '&lt;script&gt;owned()&lt;/script&gt;', ']]><!--<owned class=owned>',
];
let next = 0;
/** Another of them at each call, alone as the beginning of a text. */
const text = () => evil[next++ % evil.length];
const all = evil.join(' ');

/** Sees what a text could bring about. */
const watch = (page) => page.addInitScript(() => {
  window.harm = [];
  window.owned = () => window.harm.push('a script ran');
  for (const f of ['alert', 'confirm', 'prompt']) window[f] = window.owned;
  document.addEventListener('securitypolicyviolation', (e) => window.harm.push(`refused by the policy: ${e.violatedDirective} ${e.blockedURI}`));
});

const harm = (page) => page.evaluate(() => [
  ...window.harm, ...[...document.querySelectorAll('.owned, owned, iframe, object, embed, base, [onerror], [onload], [onfocus]')].map((e) => `an element came of a text: ${e.outerHTML.slice(0, 200)}`),
  ...[...document.querySelectorAll('[href], [src], [action], [formaction]')].flatMap((e) => ['href', 'src', 'action', 'formaction'].map((a) => e.getAttribute(a)))
    .filter((u) => u !== null && !u.startsWith('data:image/') && !u.startsWith('blob:') && new URL(u, location.href).origin !== location.origin).map((u) => `a link came of a text: ${u}`),
]);

/** Sends a body as the page itself does; the answer must not be a failure of the server. */
async function send(page, path, body, wants = 200) {
  const [status, answer] = await page.evaluate(async ([p, b]) => {
    const r = await fetch(`/api/v1/${p}`, { method: 'POST', headers: { 'content-type': 'application/json' }, body: JSON.stringify(b) });
    return [r.status, await r.json()];
  }, [path, body]);
  assert.equal(status, wants, `${path}: ${JSON.stringify(answer)}`);
  return answer;
}

const site = await api('site');
const [machine] = site.machines;
const [system] = site.systems;

check('keeps what would do harm as text', async () => {
  const page = await openAt('', { prepare: watch });
  for (const subject of ['', machine.name, system.name, site.devices[0].name, site.lines[0].name]) {
    await send(page, 'notes', { text: text() + all, author: text().slice(0, 80), subject });
  }
  const [service] = (await api('service')).machines;
  await send(page, 'notes', { text: all, subject: machine.name, service: service.items[0].item, found: all, author: text().slice(0, 80) });
  for (let i = 0; i < 4; i++) {
    const tag = await send(page, 'leaks', { action: 'found', system: system.name, place: text(), hole: '3 mm', who: text().slice(0, 80), what: all });
    if (i % 2) await send(page, 'leaks', { action: 'mended', tag: tag.seq, who: text().slice(0, 80), what: all });
  }
  await send(page, 'audit/begin', { who: text().slice(0, 80) });
  for (const step of (await api('audit')).steps) await send(page, 'audit/mark', { step: step.step, who: text().slice(0, 80), text: text() + all });
  await send(page, 'hookup/spot', { machine: machine.name, when: 'as_found', step: 'loaded', who: text().slice(0, 80), instrument: text(), power_w: 33000, power_accuracy: 0.02 });
  const [standing] = (await api('alarms')).standing;
  await send(page, 'alarms/acknowledge', { id: standing.id, who: text().slice(0, 80), why: all });
  await send(page, 'alarms/shelve', { rule: standing.rule, for: '8h', who: text().slice(0, 80), why: all });
  // What it says is wrong it repeats, as text too.
  await tolerating(/Failed to load resource/, async () => {
    await send(page, 'notes', { text: 'x', subject: all }, 400);
    await send(page, 'compare', { before: evil[0], after: evil[1] }, 400);
  });
  assert.deepEqual(await harm(page), []);
  await close(page);
});

check('would see the harm of a page that takes texts for markup', async () => {
  const page = await openAt('', { prepare: watch });
  await tolerating(/Content Security Policy|Refused/, async () => {
    await page.evaluate(() => {
      const careless = document.createElement('div');
      careless.innerHTML = '<svg class=owned onload=owned()></svg><a href="javascript:owned()">x</a>';
      document.body.append(careless);
    });
    const seen = (await harm(page)).join('\n');
    for (const what of [/an element came of a text: <svg/, /a link came of a text: javascript:/, /refused by the policy: script-src/]) assert.match(seen, what);
  });
  await page.context().close();
});

check('shows it as text on every page', async () => {
  const page = await openAt('', { prepare: watch });
  const pages = await page.$$eval('.pages a', (links) => links.map((a) => a.getAttribute('href')));
  assert.ok(pages.length >= 10, `${pages.length} pages`);
  const shown = new Set();
  for (const href of pages) {
    await page.goto(new URL(href, page.url()).href);
    await page.waitForSelector(`.pages a[href="${href}"][aria-current=page]`);
    await settled(page);
    for (let i = 0; i < 40; i++) { // all that opens, also within what opened
      const closed = page.locator('main details:not([open]) > summary:visible');
      if (await closed.count() === 0) break;
      await closed.first().evaluate((e) => { e.parentElement.open = true; });
    }
    await settled(page);
    for (const e of evil) if ((await page.textContent('body')).includes(e)) shown.add(`${href} ${e}`);
    assert.deepEqual(await harm(page), [], href);
  }
  const where = new Set([...shown].map((s) => s.split(' ')[0]));
  console.log(`${shown.size} hostile texts are shown as they are, on ${where.size} of ${pages.length} pages`);
  assert.ok(where.size >= 5 && shown.size >= 20, `hardly any page shows a hostile text: ${[...where]}`);
  await close(page);
});

check('takes it in an address as text', async () => {
  const page = await openAt('', { prepare: watch });
  for (const href of await page.$$eval('.pages a', (links) => links.map((a) => a.getAttribute('href').split('?')[0]))) {
    const query = new URLSearchParams(['machine', 'system', 'ch', 'from', 'to', 'at', 'span', 'show', 'effect', text()].map((name) => [name, text()]));
    await tolerating(/Failed to load resource/, async () => { // what there is none of, the server says
      await page.goto(`${page.from}/${href}?${query}`);
      await page.waitForSelector('main h1');
      await page.waitForTimeout(300); // what it asks for is answered
    });
    assert.deepEqual(await harm(page), [], `${href} ${query}`);
  }
  await close(page);
});

check('prints it as text in the report', async () => {
  const page = await openAt('', { prepare: watch });
  const { id } = await send(page, 'report', { from: '-1d', inputs: { changes: evil[0], machines: evil[2] } }, 202);
  let job = await api('report', { id });
  for (; job.state === 'running'; job = await api('report', { id })) await page.waitForTimeout(200);
  assert.equal(job.state, 'done', JSON.stringify(job));
  const folder = mkdtempSync(join(tmpdir(), 'hostile-'));
  try {
    for (const file of job.answer.files) {
      const answer = await fetch(`${page.from}/api/v1/report/file?${new URLSearchParams({ id, name: file.name })}`);
      assert.match(answer.headers.get('content-disposition'), /^attachment; filename="[a-z.]+"$/);
      assert.match(answer.headers.get('content-security-policy'), /^sandbox; default-src 'none'/);
      writeFileSync(join(folder, file.name), Buffer.from(await answer.arrayBuffer()));
    }
    page.from = pathToFileURL(folder).href;
    await page.goto(`${page.from}/report.html`);
    const body = await page.textContent('body');
    const shown = evil.filter((e) => body.includes(e.slice(0, 40)));
    assert.ok(shown.length >= 3, `the report shows ${shown.length} hostile texts`);
    assert.deepEqual(await harm(page), []);
  } finally {
    rmSync(folder, { recursive: true });
  }
  await page.context().close();
}, 240_000);
