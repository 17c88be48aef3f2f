// Sign-in in a real browser, over TLS: the first person, another one who may look,
// an alarm, what that one is not offered, sessions that end, a restart under what is typed, and
// the way out. Run by TestSignInPages: BASE_URL asks for a sign-in and nobody exists
// yet, CODE is its set-up code, RESTART_URL restarts it. One after another.
import assert from 'node:assert/strict';
import { axeFinds, base, begin, check, close, endChecks, openAt, patience, shot, tabThrough, tolerating } from './harness.mjs';

const [vale, oak] = [{ name: 'R. Vale', password: 'nine tall green ladders' }, { name: 'M. Oak', password: ' six grey stone arches ' }];
/** What the browser itself says of a refusal, and of a socket that is not let in. */
const refusals = /status of (400|401|403|429)|WebSocket|ERR_CONNECTION/;
const atDoor = (hash, how = {}) => openAt(hash, { ignoreHTTPSErrors: true, ready: '.door form', ...how });
const inside = (page) => page.waitForSelector('html[data-connection=live] main:not([hidden]):not([data-page=door]) h1', patience);
const ask = (page, path, body) => page.evaluate(async ([p, b]) => {
  const r = await fetch(`/api/v1/${p}`, b === undefined ? {} : { method: 'POST', headers: { 'content-type': 'application/json' }, body: JSON.stringify(b) });
  return { status: r.status, body: await r.json().catch(() => null) };
}, [path, body]);

/** What reaches beyond the window. */
const wide = (page) => page.evaluate(() => [...document.querySelectorAll('body *')].filter((e) => e.getBoundingClientRect().right > innerWidth + 0.5).map((e) => `${e.tagName}.${e.className}`).slice(-4).join(' '));

async function signIn(page, who) {
  await page.fill('.door [name=name]', who.name);
  await page.fill('.door [name=password]', who.password);
  await page.press('.door [name=password]', 'Enter');
}

const steps = [];
const step = (name, f) => steps.push({ name, f });
let operator; // R. Vale's page, which goes through all of it
let looker;

step('nobody is let in but with the set-up code; the address is kept', async () => {
  operator = await atDoor('#/service-book?from=2026-11-20&to=2026-11-22');
  const page = operator;
  assert.equal(await page.textContent('.door h1'), 'Nobody may come in yet.');
  assert.equal((await ask(page, 'site')).status, 401);
  assert.equal((await ask(page, 'events')).body.error.field, 'sign_in');
  assert.deepEqual(await axeFinds(page), []);
  const stops = await tabThrough(page, 12);
  assert.ok(stops.some((s) => s.tag === 'input') && stops.some((s) => s.text.startsWith('Make the first')), JSON.stringify(stops));
  await page.fill('.door [name=code]', '0000-0000');
  await page.fill('.door [name=name]', vale.name);
  await page.fill('.door [name=password]', vale.password);
  await page.press('.door [name=password]', 'Enter');
  await page.waitForSelector('.door [name=code][aria-invalid]');
  await page.fill('.door [name=code]', process.env.CODE);
  await page.fill('.door [name=password]', 'R. Vale 12');
  await page.press('.door [name=password]', 'Enter');
  await page.waitForSelector('.door [name=password][aria-invalid]'); // the name is in it
  await page.fill('.door [name=password]', vale.password);
  await page.press('.door [name=password]', 'Enter');
  await inside(page);
  assert.match(page.url(), /#\/service-book\?from=2026-11-20&to=2026-11-22$/);
  assert.equal(await page.textContent('.who a'), vale.name);
  const [cookie] = await page.context().cookies();
  assert.match(cookie.name, /^__Host-loadscribe/);
  assert.deepEqual([cookie.httpOnly, cookie.secure, cookie.sameSite, cookie.path], [true, true, 'Strict', '/']);
  assert.equal(await page.evaluate(() => document.cookie), '');
});

step('another person is let in by the keyboard alone', async () => {
  const page = operator;
  await page.press('.who a', 'Enter');
  await page.waitForSelector('.persons', patience);
  assert.equal(await page.textContent('h1'), 'One person may come in.');
  await page.press('.add > button', 'Enter');
  await page.focus('.add [name=name]');
  await page.keyboard.type(oak.name);
  await page.focus('.add [name=password]');
  await page.keyboard.type(oak.password);
  await page.keyboard.press('Enter');
  await page.waitForSelector(`[data-person="${oak.name}"]`);
  assert.equal(await page.textContent('h1'), '2 people may come in: 1 may operate, 1 may look.');
  const { people } = (await ask(page, 'door/people')).body;
  assert.deepEqual(people.map((p) => [p.name, p.role]).sort(), [[oak.name, 'look'], [vale.name, 'operate']]);
  assert.equal(await page.textContent('.fingerprint'), (await ask(page, 'door')).body.fingerprint);
  await page.$$eval('.persons button, .add > button', (all) => { for (const b of all) if (/^(Set a new|Let somebody)/.test(b.textContent)) b.click(); });
  assert.deepEqual(await axeFinds(page), []);
  await shot(page, 'people-in');
  for (const width of [640, 390, 320]) {
    await page.setViewportSize({ width, height: 800 });
    assert.ok((await page.evaluate(() => document.documentElement.scrollWidth)) <= width, `at ${width} px it scrolls sideways: ${await wide(page)}`);
  }
  await page.setViewportSize({ width: 1280, height: 900 });
});

step('an alarm that stands is told on every page and acknowledged by who is signed in, by the keyboard alone', async () => {
  const page = operator;
  await page.waitForSelector('.alarm-line a', { timeout: 40_000 });
  assert.match(await page.textContent('.alarm-line'), /^1 alarm: air end warm, comp1, since at least \d\d:\d\d$/);
  await page.press('.alarm-line a', 'Enter');
  await page.waitForSelector('[data-alarm]', patience);
  const [one] = (await ask(page, 'alarms')).body.standing;
  assert.equal(await page.textContent(`[data-alarm="${one.id}"] h3`), one.text);
  await page.press(`[data-alarm="${one.id}"] .acts button`, 'Enter');
  await page.focus(`[data-alarm="${one.id}"] [name=why]`);
  await page.keyboard.type('it is meant to be');
  await page.keyboard.press('Enter');
  await page.waitForSelector(`[data-alarm="${one.id}"]:has-text("by R. Vale: it is meant to be")`);
  const { acknowledged } = (await ask(page, 'alarms')).body.standing[0];
  assert.deepEqual([acknowledged.who, acknowledged.why], [vale.name, 'it is meant to be']);
  await page.waitForSelector('.alarm-line:has-text(", acknowledged")');
  await page.waitForSelector('.history li[data-state=acknowledged]');
  assert.deepEqual(await axeFinds(page), []);
  await page.goto(`${base}/#/`);
  await page.waitForSelector('main[data-page=machine] h1');
  assert.doesNotMatch(await page.textContent('main h1'), /all well/);
  await page.goto(`${base}/#/people`);
  await page.waitForSelector('.persons', patience);
});

step('a wrong password is told at its field; the role look is offered nothing that it may not do', async () => {
  looker = await atDoor('#/audit-desk', { size: 'phone', scheme: 'dark' });
  const page = looker;
  assert.equal(await page.textContent('.door h1'), 'Sign in.');
  assert.deepEqual(await axeFinds(page), []);
  await shot(page, 'signin');
  for (const width of [390, 320]) {
    await page.setViewportSize({ width, height: 800 });
    assert.ok((await page.evaluate(() => document.documentElement.scrollWidth)) <= width, `at ${width} px it scrolls sideways: ${await wide(page)}`);
  }
  await signIn(page, { ...oak, password: oak.password.trim() }); // its spaces are part of it
  await page.waitForSelector('.door [name=password][aria-invalid]');
  await signIn(page, oak);
  await inside(page);
  for (const [hash, gone] of [['#/audit-desk', '.begin'], ['#/service-book', '.note-form'], ['#/hook-up', '.begin'], ['#/hook-up?part=files', '.files'], ['#/what-we-missed', '.deed button:has-text("Take a backup")'], ['#/alarms', '.alarms button']]) {
    await page.goto(`${base}/${hash}`);
    await page.waitForSelector('main:not([hidden]) [data-not-allowed]', patience).catch(async (e) => { throw new Error(`${hash}: ${e.message}: ${(await page.textContent('main:not([hidden])')).slice(0, 500)}`, { cause: e }); });
    assert.equal(await page.locator(gone).count(), 0, `${hash} shows ${gone}`);
  }
  for (const [path, body] of [['notes', { text: 'x', author: 'M. Oak' }], ['audit/begin', { who: 'M. Oak', ends: '2030-01-01' }], ['door/people', { name: 'N. Elm', role: 'operate', password: 'four wet brown dogs' }]]) {
    const { status, body: answer } = await ask(page, path, body);
    assert.deepEqual([status, answer.error.field], [403, 'role'], path);
  }
  assert.equal((await ask(page, 'sitefile')).status, 403);
  await page.goto(`${base}/#/people`);
  await page.waitForSelector('.session-list', patience);
  assert.equal(await page.textContent('h1'), `You are in as ${oak.name}, and may look.`);
  assert.equal(await page.locator('.session-list li').count(), 1);
});

step('a session that is ended closes its page at once, and goes on after another sign-in', async () => {
  await looker.goto(`${base}/#/trace`);
  await looker.waitForSelector('.site', patience);
  await operator.reload(); // the list as it is
  await operator.press(`[data-session=other]:has-text("${oak.name}") button`, 'Enter');
  await looker.waitForSelector('.door form', { timeout: 10_000 }); // no reading had to be asked for
  assert.match(await looker.textContent('.door .note-line'), /ended/);
  assert.equal((await ask(looker, 'state')).status, 401);
  await signIn(looker, oak);
  await inside(looker);
  assert.match(looker.url(), /#\/trace/);
});

step('a role that is changed holds at once on an open page', async () => {
  await looker.goto(`${base}/#/audit-desk`);
  await looker.waitForSelector('main:not([hidden]) [data-not-allowed]', patience);
  await operator.press(`[data-person="${oak.name}"] button:has-text("Let operate")`, 'Enter');
  await operator.press(`[data-person="${oak.name}"] form [type=submit]`, 'Enter');
  await operator.waitForSelector(`[data-person="${oak.name}"] h2:has-text("may operate")`);
  await looker.reload();
  await looker.waitForSelector('.begin', patience);
  await operator.press(`[data-person="${oak.name}"] button:has-text("Let look only")`, 'Enter');
  await operator.press(`[data-person="${oak.name}"] form [type=submit]`, 'Enter');
  await operator.waitForSelector(`[data-person="${oak.name}"] h2:has-text("may look")`);
  // What was drawn before is refused, and then taken away.
  if (await looker.locator('.begin [name=who]').count() > 0) {
    await looker.fill('.begin [name=who]', oak.name);
    await looker.press('.begin [name=who]', 'Enter');
  }
  await looker.waitForSelector('main:not([hidden]) [data-not-allowed], .door form', patience);
  assert.equal(await looker.locator('main:not([hidden]) .begin').count(), 0);
  await close(looker);
});

step('one’s own password is changed without being signed out', async () => {
  const page = operator;
  const form = 'form[aria-label="Change your own password"]';
  await page.fill(`${form} [name=old]`, 'not that one at all');
  await page.fill(`${form} [name=new]`, 'ten short blue fences');
  await page.press(`${form} [name=new]`, 'Enter');
  await page.waitForSelector(`${form} [name=old][aria-invalid]`);
  await page.fill(`${form} [name=old]`, vale.password);
  vale.password = 'ten short blue fences';
  await page.press(`${form} [name=new]`, 'Enter');
  await page.waitForSelector(`${form} [role=status]:has-text("The new password holds")`);
  await page.waitForSelector('.liveness[data-live=true]', patience);
  await page.waitForTimeout(1_500); // the socket of the session before has been closed by then
  assert.equal(await page.locator('.door').count(), 0);
  await page.waitForSelector('.liveness[data-live=true]', patience);
});

step('after a restart what was typed is still there, and so is the focus', async () => {
  const page = operator;
  await page.goto(`${base}/#/service-book`);
  await page.waitForSelector('.note-form', patience);
  await page.focus('.note-form [name=text]');
  await page.keyboard.type('the belt was');
  await fetch(process.env.RESTART_URL, { method: 'POST' });
  await page.waitForSelector('.door form', { timeout: 60_000 });
  assert.match(await page.textContent('.door .note-line'), /What you typed is still there/);
  await signIn(page, vale);
  await inside(page);
  await page.keyboard.type(' slack');
  assert.equal(await page.inputValue('.note-form [name=text]'), 'the belt was slack');
  await page.fill('.note-form [name=author]', vale.name);
  await page.click('.note-form [type=submit]');
  await page.waitForSelector('.note-form [role=status]:has-text("Kept as note")');
});

step('who signs out leaves nothing on the page', async () => {
  const page = operator;
  await page.press('.who button', 'Enter');
  await page.waitForSelector('.door form', patience);
  assert.doesNotMatch(await page.textContent('body'), /the belt was slack/);
  assert.equal(await page.textContent('.site'), 'loadscribe');
  assert.equal((await ask(page, 'site')).status, 401);
  await page.goBack();
  await page.waitForSelector('.door form', patience);
  assert.doesNotMatch(await page.textContent('body'), /the belt was slack/);
});

step('attempts are limited, and the page says until when', async () => {
  const page = operator;
  for (let i = 0; ; i++) {
    assert.ok(i < 60, 'sixty wrong passwords were taken');
    await signIn(page, { name: vale.name, password: `a wrong guess ${i}` });
    await page.waitForFunction((n) => document.querySelector('.limited time') || (document.querySelector('.door .warn') && document.querySelector('.door [type=submit]:not([disabled])') && n >= 0), i);
    if (await page.locator('.limited time').count() > 0) break;
  }
  const until = Date.parse(await page.getAttribute('.limited time', 'datetime'));
  assert.ok(until > Date.now() - 5_000, `limited until ${new Date(until).toISOString()}`);
  await shot(page, 'signin-limited');
  await close(page);
});

begin('signin');
// One check: a step goes on with the pages of the one before.
check('signs in, lets in, looks, ends and signs out', () => tolerating(refusals, async () => {
  for (const { name, f } of steps) {
    await f().catch((e) => { throw new Error(`${name}: ${e.message}`, { cause: e }); });
    console.log(`signin: ${name}`);
  }
}), 300_000, false);
endChecks();
