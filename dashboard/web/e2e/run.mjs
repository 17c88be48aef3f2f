// The pages in a real browser against a running agent (or the mock), all in one
// process and one browser: node e2e/run.mjs [FILE …], say "machine trace"; all
// files without a name, but for hostile, which wants a record of its own.
//   BASE_URL     where it listens, e.g. http://127.0.0.1:8477
//   CHROMIUM     browser (default /usr/bin/chromium)
//   SHOTS_DIR    where screenshots go; set, every page's are made, wide and phone,
//                light and dark
//   RESTART_CMD  shell command that restarts the agent on the same address, or
//   RESTART_URL  an address that does so when posted to
// Prints what each file took and "N passed"; exits non-zero when a check fails.
import { readdirSync } from 'node:fs';
import { begin, endChecks } from './harness.mjs';

const here = new URL('.', import.meta.url);
const own = new Set(['report']); // a page of its own, opened without a server
const named = new Set(['hostile']); // wants a record of its own: only by name
// What stops the server comes last.
const rank = (name) => (name === 'restart' ? 1 : 0);
const all = readdirSync(here).filter((f) => f.endsWith('.test.mjs')).map((f) => f.slice(0, -'.test.mjs'.length))
  .filter((f) => !own.has(f)).sort((a, b) => rank(a) - rank(b) || a.localeCompare(b));
const asked = process.argv.slice(2);
const unknown = asked.filter((f) => !all.includes(f));
if (unknown.length > 0) {
  console.error(`e2e: no file ${unknown.join(', ')}; there are ${all.join(', ')}`);
  process.exit(2);
}
for (const name of all.filter((f) => (asked.length > 0 ? asked.includes(f) : !named.has(f)))) {
  begin(name);
  await import(new URL(`${name}.test.mjs`, here).href);
}
endChecks();
