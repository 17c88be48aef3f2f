// A tab left open for a week, accelerated: what the server would send comes from
// a socket of our own, the hours go by as the page's timers see them, and the
// reader walks from page to page. Memory after collection must stay flat.
import assert from 'node:assert/strict';
import { api, check, close, openAt, settled, tolerating } from './harness.mjs';

const long = Boolean(process.env.LOADSCRIBE_LONG);
const hours = 168;
const tours = long ? 28 : 4; // of all pages in the week
const everyS = long ? 1 : 15; // the meter and the controller are read so often
// What a tour may usually add: the engine's own tables grow. One reading kept for
// each scan of a week would add 100 times as much, one page kept for each visit
// some 500 nodes.
const most = { bytes: 400_000, nodes: 100, listeners: 8 };

/** In the page: a socket that says what it is told to. */
function standIn() {
  window.WebSocket = class extends EventTarget {
    static OPEN = 1;
    readyState = 0;

    constructor() {
      super();
      window.wire = this;
      setTimeout(() => {
        this.readyState = 1;
        this.onopen?.(new Event('open'));
        window.say?.('snapshot');
      }, 0);
    }

    send() {
      window.say('snapshot');
    }

    close() {
      this.readyState = 3;
    }
  };
}

/** In the page: the plant as it was, a little changed each second, from fromMs on. */
function plant({ state, site, fromMs }) {
  let at = fromMs;
  let seq = 0;
  const iso = () => new Date(at).toISOString();
  const put = (type, data) => {
    seq += 1;
    window.wire.onmessage?.({ data: JSON.stringify({ seq, type, data }) });
  };
  const changed = (id) => {
    const value = state.channels[id]?.value;
    return typeof value === 'number' ? value * (1 + 0.02 * Math.sin(at / 17_000)) : value ?? null;
  };
  const groups = [...new Map(site.channels.map((c) => [`${c.device} ${c.period_ms}`, c])).values()].map((c) => ({
    device: c.device, group: `${c.period_ms / 1000}s`,
    ids: site.channels.filter((o) => o.device === c.device && o.period_ms === c.period_ms).map((o) => o.id),
  }));
  window.say = (type) => {
    if (type === 'snapshot') put('snapshot', { ...state, seq, time: iso(), channels: Object.fromEntries(Object.entries(state.channels).map(([id, c]) => [id, { ...c, time: iso() }])) });
  };
  window.pass = (seconds, every) => {
    for (let s = 0; s < seconds; s += every) {
      at += every * 1000;
      for (const g of groups) put('scan', { time: iso(), device: g.device, group: g.group, reason: 'good', values: Object.fromEntries(g.ids.map((id) => [id, changed(id)])) });
      if (s % 120 === 0) {
        for (const m of state.machines) put('state', { ...m, state: s % 240 === 0 ? 'loaded' : 'unloaded', since: iso() });
        put('figures_changed', {});
      }
    }
    return seq;
  };
}

/** What is left after garbage was collected. */
async function left(cdp) {
  for (let i = 0; i < 3; i++) await cdp.send('HeapProfiler.collectGarbage');
  const { metrics } = await cdp.send('Performance.getMetrics');
  const value = (name) => metrics.find((m) => m.name === name).value;
  return { bytes: value('JSHeapUsedSize'), nodes: value('Nodes'), listeners: value('JSEventListeners') };
}

check('keeps its memory flat through a week with all pages visited again and again', async () => {
  const [state, site] = [await api('state'), await api('site')];
  const page = await openAt('', {
    prepare: async (p) => {
      await p.clock.install();
      await p.addInitScript(standIn);
      await p.addInitScript(`(${plant})(${JSON.stringify({ state, site, fromMs: Date.now() - 1.2 * hours * 3_600_000 })})`);
    },
  });
  await settled(page);
  const clock = await page.textContent('.clock');
  const cdp = await page.context().newCDPSession(page);
  await cdp.send('Performance.enable');
  const links = await page.$$eval('.pages a', (all) => all.map((a) => a.getAttribute('href')));
  const steps = Math.ceil(hours / tours / links.length);
  const seen = [];
  let messages = 0;
  // An hour that passes in a moment breaks off every request under way, also those that begin or
  // break off a replay: the server may have more of them at work than it likes, and says so.
  await tolerating(/status of 503/, async () => {
    for (let tour = 0; tour < tours; tour++) {
      for (const href of [...links.slice(1), links[0]]) { // ends at the first page
        await page.click(`.pages a[href="${href}"]`);
        await settled(page);
        await page.clock.runFor(500); // what a page begins after its first frame
        for (let i = 0; i < steps; i++) {
          messages = await page.evaluate((every) => window.pass(3600, every), everyS);
          await page.clock.fastForward(3_600_000);
        }
      }
      // Drawn whole each time, or tours cannot be compared. (A handle to an element would keep its page.)
      await page.waitForFunction(() => Boolean(document.querySelector('.hour canvas') && document.querySelector('.figures .figure')));
      await page.waitForTimeout(300);
      seen.push(await left(cdp));
    }
  });
  console.log(`${messages} messages; after each tour ${seen.map((s) => `${(s.bytes / 1e6).toFixed(2)} MB, ${s.nodes} nodes, ${s.listeners} listeners`).join('; ')}`);
  assert.notEqual((await page.textContent('.clock')).slice(0, 10), clock.slice(0, 10), 'no day went by');
  assert.ok(messages > 100_000, `only ${messages} messages`);
  // A page that is kept for each visit grows in every tour; what comes once, in one or two of them.
  // Of three steps the least tells them apart; of 27 the least is next to no bound, their median is.
  for (const [what, more] of Object.entries(most)) {
    const steps = seen.slice(1).map((s, k) => s[what] - seen[k][what]).sort((a, b) => a - b);
    const usual = steps[long ? Math.floor((steps.length - 1) / 2) : 0];
    assert.ok(usual <= more, `${what} usually grew by ${usual} a tour: ${steps.join(', ')}`);
  }
  await close(page);
}, long ? 1_800_000 : 240_000);
