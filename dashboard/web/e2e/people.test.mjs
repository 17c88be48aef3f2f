// People, where no sign-in is asked for. What it shows behind one is in e2e/signin.mjs.
import assert from 'node:assert/strict';
import { api, check, close, fits, looksRight, openAt, patience, tabThrough } from './harness.mjs';
import { numbers } from './numbers.mjs';

const open = async (how) => {
  const page = await openAt('#/people', how);
  await page.waitForSelector('.people', patience);
  return page;
};

check('says that no sign-in is asked for and how to listen on the network; nobody is in anybody’s way', async () => {
  const door = await api('door');
  assert.equal(door.sign_in, false);
  assert.equal(door.role, 'operate');
  const page = await open();
  assert.equal(await page.textContent('h1'), 'No sign-in is asked for.');
  assert.match(await page.textContent('.steps'), /listen = "0\.0\.0\.0:8477"/);
  assert.equal(await page.locator('.who').count(), 0);
  assert.equal(await page.locator('[data-not-allowed]').count(), 0);
  assert.equal(await page.locator('.door').count(), 0);
  const stops = await tabThrough(page, 30);
  assert.ok(stops.some((s) => s.text === 'People'));
  await numbers(page, 0);
  await close(page);
});

fits(open);
looksRight('people', open);
