// Every number of the pages that show figures, with everything opened, is the API's, in both units.
// Every figure and the Service book have this check in their own files.
import { api, check, close, localDay, openAll, openAt, patience, settled } from './harness.mjs';
import { hold, numbers } from './numbers.mjs';

const past = async (from, to) => {
  const site = await api('site');
  return `from=${localDay(site, from)}&to=${localDay(site, to)}`;
};
/** Trace of a window that is over, with both cursors. */
const between = async () => {
  const at = (hours) => new Date(Math.floor(Date.now() / 60_000) * 60_000 - hours * 3_600_000).toISOString();
  return `from=${at(30)}&to=${at(28)}&a=${at(29.6)}&b=${at(28.4)}`;
};

// The least that each page has: fewer, and it was not ready.
const pages = [
  ['machine', async () => '#/', 20],
  ['days', async () => `#/seven-days?${await past(3, 1)}`, 100],
  ['loads', async () => `#/load-and-rest?${await past(2, 1)}`, 50],
  ['trace, following', async () => '#/trace', 50],
  ['trace, between cursors', async () => `#/trace?${await between()}`, 50],
  ['hook-up', async () => '#/hook-up', 3],
];
for (const [name, hash, least] of pages) {
  check(`has every number as the API has it: ${name}`, async () => {
    const page = await openAt(await hash());
    await settled(page);
    // What comes later, say the table of a drawing, is opened as it comes; numbers says what was lacking.
    for (const end = Date.now() + patience.timeout; Date.now() < end; await page.waitForTimeout(200)) {
      await openAll(page);
      if ((await page.$$('main [data-at]')).length >= least) break;
    }
    const states = await hold(page);
    await numbers(page, least, [], states);
    await close(page);
  });
}
