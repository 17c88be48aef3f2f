// The server goes away under an open page and comes back.
import assert from 'node:assert/strict';
import { exec } from 'node:child_process';
import { promisify } from 'node:util';
import { changes, check, close, openAt, patience, whileServerIsAway } from './harness.mjs';

const readings = (page) => page.$$eval('[data-reading]', (all) => all.map((e) => `${e.dataset.reading}=${e.textContent}`).join(';'));
const restart = process.env.RESTART_CMD || process.env.RESTART_URL;

if (restart || process.env.LOADSCRIBE_PEERS === 'require') {
  check('survives a restart of the server', async () => {
    assert.ok(restart, 'set RESTART_CMD or RESTART_URL');
    const page = await openAt('');
    await page.waitForSelector('.section svg [data-reading]', patience);
    await whileServerIsAway(async () => {
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
    });
    await close(page);
  });
}
