// At the machine: what each does now, whether anything is wrong, and that it can be
// read from across the room. Sites of several machines, and troubles, are made of the
// demo's by changing what the page is told on its way.
import assert from 'node:assert/strict';
import { api, axeFinds, changes, check, close, drawn, fits, hide, localDay, looksRight, openAt, patience, tabThrough } from './harness.mjs';

/** At the machine, ready: with figures and a drawn section. */
async function open(how) {
  const page = await openAt('', how);
  await page.waitForSelector('.section svg [data-reading]', patience);
  await page.waitForSelector('.figure .value, .figure .absent', patience);
  await page.waitForSelector('.hour canvas', patience);
  return page;
}

const readings = (page) => page.$$eval('[data-reading]', (all) => all.map((e) => `${e.dataset.reading}=${e.textContent}`).join(';'));

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
  const site = await api('site');
  const report = await api('figures', { from: localDay(site), to: 'now', machine: site.machines[0].name });
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
  await drawn(page, '.hour .lane-canvas');
  const inked = await page.$eval('.hour .states-canvas', (c) => {
    const above = c.getContext('2d').getImageData(0, 0, c.width, c.height - 4 * devicePixelRatio).data;
    return above.some((v, i) => i % 4 === 3 && v > 0);
  });
  assert.ok(inked, 'no state is drawn');
  await page.click('.hour .twin summary');
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
  const seen = (await tabThrough(page, 34)).map((s) => s.text);
  assert.equal(seen[0], 'To the content');
  assert.ok(seen.filter((s) => s.startsWith('How we know')).length === 4, seen.join(' | '));
  await close(page);
});

check('draws nothing while hidden or held, and catches up on return', async () => {
  const page = await open();
  const clock = (p) => p.textContent('.clock');
  await hide(page, true);
  await page.waitForTimeout(500);
  assert.equal(await changes(page, clock, 2_500), false, 'a hidden page goes on drawing');
  await hide(page, false);
  assert.ok(await changes(page, clock, 5_000), 'the page does not come back');
  await page.click('button:has-text("Hold still")');
  await page.waitForTimeout(500);
  assert.match(await page.textContent('.liveness'), /not live/);
  assert.equal(await changes(page, clock, 2_500), false, 'a held page goes on drawing');
  await page.click('button:has-text("Go on")');
  assert.ok(await changes(page, clock, 5_000), 'the page does not go on');
  await close(page);
});

/** The page as if the site were another: change(site) on the answer, told(state) on each snapshot. */
function as(change, told = () => undefined) {
  return async (page) => {
    await page.route('**/api/v1/site', async (route) => {
      const response = await route.fetch();
      const site = await response.json();
      change(site);
      await route.fulfill({ response, json: site });
    });
    await page.routeWebSocket(/\/live/, (socket) => {
      const server = socket.connectToServer();
      server.onMessage((text) => {
        const m = JSON.parse(text);
        if (m.type === 'snapshot') told(m.data);
        socket.send(JSON.stringify(m));
      });
    });
  };
}

const others = ['loaded', 'standby', 'unloaded', 'off', 'loaded'];
/** n machines, each but the first in a state of its own. */
const several = (n) => as((site) => {
  const [one] = site.machines;
  for (let i = 2; i <= n; i++) {
    site.machines.push({ ...one, name: `unit ${i}`, cut_in_pa: one.cut_in_pa - 8000 * i, cut_out_pa: one.cut_out_pa - 8000 * i });
    site.systems[0].machines.push(`unit ${i}`);
  }
}, (state) => {
  for (let i = 2; i <= n; i++) state.machines.push({ ...state.machines[0], machine: `unit ${i}`, state: others[(i - 2) % 5] });
});

/**
 * Minutes of arc of the capital letters of each text that must be read, from 5 m, at
 * 96 px an inch: what CSS calls a pixel, and about what a half-metre screen of 1920 has.
 */
const anglesAt5m = (page) => page.$$eval('.board h1:not(.visually-hidden), .board li span, .board-pressure, .board p:not(.board-head)', (all) => all.map((e) => {
  const style = getComputedStyle(e);
  const ctx = document.createElement('canvas').getContext('2d');
  ctx.font = `${style.fontWeight} 1000px ${style.fontFamily}`;
  const mm = (ctx.measureText('H').actualBoundingBoxAscent / 1000) * parseFloat(style.fontSize) * (25.4 / 96);
  return { text: e.textContent, arc: (Math.atan(mm / 5000) * 180 * 60) / Math.PI };
}));

// ISO 9241-303: 20 to 22 minutes of arc for reading at ease, 16 the least (from memory).
const ease = 20;
const least = 16;
const hall = { width: 1920, height: 1080 };

/** Across the room, once it fits. */
async function openFar(how) {
  const page = await openAt('#/?far=1', { viewport: hall, ...how });
  await page.waitForSelector('.board-pressure [data-reading]', patience);
  await page.waitForFunction(() => parseFloat(document.querySelector('.board').style.getPropertyValue('--far')) > 0);
  return page;
}

for (const n of [1, 3, 6]) {
  check(`reads from 5 m: ${n} machines`, async () => {
    const page = await openFar(n > 1 ? { prepare: several(n) } : {});
    const texts = await anglesAt5m(page);
    assert.ok(texts.length >= 3, JSON.stringify(texts));
    // Machines are gathered by what they do: each further state is a line more.
    const lines = await page.$$eval('.board li', (all) => all.length);
    const want = lines > 2 ? least : ease;
    for (const { text, arc } of texts) assert.ok(arc >= want, `“${text}” is ${arc.toFixed(1)} minutes of arc high, want ${want}`);
    const over = await page.evaluate(() => [document.documentElement.scrollHeight - innerHeight, document.documentElement.scrollWidth - innerWidth]);
    assert.ok(Math.max(...over) <= 0, `it does not fit into the window: ${over}`);
    if (n === 1) {
      assert.deepEqual(await axeFinds(page), []);
      await page.keyboard.press('Tab');
      assert.equal(await page.evaluate(() => document.activeElement.textContent), 'Back to the page');
      await page.keyboard.press('Enter');
      await page.waitForSelector('.section svg', patience);
    }
    await close(page);
  });
}

check('says from across the room what is wrong: the pressure below the minimum', async () => {
  const page = await openFar({ prepare: as((site) => { site.systems[0].minimum_pressure_pa = 1.2e6; }) });
  assert.match(await page.textContent('.board-wrong'), /^The pressure is below its minimum: [\d.]+ (psi|bar)/);
  for (const { text, arc } of await anglesAt5m(page)) assert.ok(arc >= least, `“${text}” is ${arc.toFixed(1)} minutes of arc high`);
  await page.click('text=Back to the page');
  await page.waitForSelector('[data-sign="minimum main"]', patience);
  assert.doesNotMatch(await page.textContent('h1'), /all well/);
  await close(page);
});

check('shows six machines in one look and one drawing, on a phone and at 320 px', async () => {
  const page = await open({ size: 'phone', prepare: several(6) });
  assert.equal((await page.$$('.rows li')).length, 6);
  assert.match(await page.textContent('h1'), /of six machines/);
  assert.deepEqual(await axeFinds(page), []);
  for (const width of [390, 320]) {
    await page.setViewportSize({ width, height: 844 });
    await page.waitForTimeout(300);
    const seen = await page.evaluate(() => {
      const svg = document.querySelector('.section svg').getBoundingClientRect();
      const texts = [...document.querySelectorAll('.section svg text')];
      const boxes = texts.filter((t) => t.classList.contains('reading')).map((t) => t.getBoundingClientRect());
      const hit = boxes.filter((a, i) => boxes.some((b, k) => k > i && a.left < b.right - 1 && b.left < a.right - 1 && a.top < b.bottom - 4 && b.top < a.bottom - 4));
      return {
        wide: document.documentElement.scrollWidth, overlap: hit.length, readings: boxes.length,
        small: texts.filter((t) => parseFloat(getComputedStyle(t).fontSize) < 12).map((t) => t.textContent),
        outside: boxes.filter((b) => b.left < svg.left - 1 || b.right > svg.right + 1).length,
      };
    });
    assert.ok(seen.wide <= width, `${width} px: ${seen.wide} px wide`);
    assert.ok(seen.readings >= 6, `${seen.readings} pressures are written`);
    assert.deepEqual([seen.overlap, seen.outside, seen.small], [0, 0, []], `${width} px: pressures over one another, outside the drawing, or letters under 12 px`);
  }
  await close(page);
});

check('names the limits of the site file and the distances to them as the API has them', async () => {
  const page = await open();
  // No distance is told from a reading that is late, as one may be on a busy machine.
  await page.waitForFunction(() => [...document.querySelectorAll('.section svg text')].some((e) => /spare|short/.test(e.textContent)), undefined, patience);
  await page.click('button:has-text("Hold still")');
  const site = await api('site');
  const factor = site.units === 'us' ? 1 / 6894.757293 : 1e-5; // NIST SP 811, table B.8: pound-force per square inch (from memory)
  const texts = await page.$$eval('.section svg text', (all) => all.map((e) => e.textContent));
  const reading = async (id) => page.$eval(`.section svg [data-reading="${id}"]`, (e) => Number(e.dataset.value));
  const [machine] = site.machines;
  const [system] = site.systems;
  const near = (text, pa, step) => {
    const found = texts.find((t) => t.includes(text));
    assert.ok(found, `nothing says “${text}”: ${texts.join(' | ')}`);
    const shown = Number(/[\d.]+/.exec(found)[0]);
    assert.ok(Math.abs(shown - pa * factor) <= step, `“${found}”, the API says ${pa * factor}`);
  };
  const half = site.units === 'us' ? 0.51 : 0.051;
  near('cut-out', machine.cut_out_pa, half);
  near('cut-in', machine.cut_in_pa, half);
  near('system minimum', system.minimum_pressure_pa, half);
  const tap = site.channels.find((c) => c.id === system.pressure);
  const spare = (await reading(tap.id)) * tap.si_scale - system.minimum_pressure_pa;
  near(spare < 0 ? 'short' : 'spare', Math.abs(spare), half / 5);
  await close(page);
});

fits(open);
looksRight('machine', open, (page) => page.waitForSelector('.hour tbody tr'));
