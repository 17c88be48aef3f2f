// A stand-in for the agent while working on the page: serves dist and the API's
// shapes on MOCK_LISTEN (127.0.0.1:8478). POST /mock/timeout makes the meter fall
// silent, /mock/line takes a line down, /mock/good mends both, /mock/skip leaves
// a hole in the sequence. MOCK_MACHINES makes it several machines.
import { createServer } from 'node:http';
import { readFile } from 'node:fs/promises';
import { extname } from 'node:path';
import { alarmAnswer, alarmEvents } from './alarms.mjs';
import { doorAnswer, shutOut, signIn } from './door.mjs';
import { accept } from './socket.mjs';
import { figures, Plant, several, site } from './plant.mjs';

const [host, port] = (process.env.MOCK_LISTEN ?? '127.0.0.1:8478').split(':');
several(Number(process.env.MOCK_MACHINES ?? 1));
const plant = new Plant();
const history = []; // {t, values, state}
const clients = new Set();
let seq = 0;
let fault = process.env.MOCK_FAULT ?? 'good';
let last = 0;

for (let t = Date.now() - 3_700_000; t < Date.now(); t += 1000) take(t);

function take(t) {
  const values = plant.step(t);
  const ago = Date.now() - t;
  last = t;
  history.push({ t, values: ago > 1_500_000 && ago < 1_740_000 ? null : values, state: plant.state });
  if (history.length > 4000) history.shift();
  return values;
}

const round = (values) => Object.fromEntries(Object.entries(values).map(([k, v]) => [k, Math.round(v * 10) / 10]));

/** The first as the plant has it, the others each in a state of its own. */
const machines = () => site.machines.map((m, i) => (i === 0 ? machine() : { ...machine(), machine: m.name, state: ['loaded', 'standby', 'unloaded', 'off', 'loaded'][(i - 1) % 5] }));

function machine() {
  const n = plant.starts.filter((t) => t > Date.now() - 3_600_000).length;
  const trend = { loaded: 'rising', unloaded: 'falling', standby: 'falling', starting: 'falling' }[plant.state];
  return { machine: 'comp1', state: plant.state, since: new Date(plant.since).toISOString(), since_known: true, reason: '', method: 'loaded and running bits', starts_last_hour: n, pressure_trend: trend };
}

const silent = (device) => (fault === 'timeout' && device === 'meter') || (fault === 'line' && device !== 'meter');
const deviceState = (d) => ({
  device: d.name, line: d.line, up: !silent(d.name), last_scan: new Date(silent(d.name) ? last - 42_000 : last).toISOString(),
  reason: silent(d.name) ? (fault === 'line' ? 'port gone' : 'timeout') : '', detail: silent(d.name) ? 'no answer: check power, unit id and network' : '', round_trip_ms: 12, scans: history.length, errors: {},
});
const lineState = (l) => ({ line: l.name, up: !(fault === 'line' && l.name === 'bus'), detail: fault === 'line' && l.name === 'bus' ? 'connection refused' : '' });

function state() {
  const { t, values } = history.at(-1);
  const channels = Object.fromEntries(Object.entries(round(values)).map(([id, value]) => [id, { value, time: new Date(t).toISOString(), reason: 'good', stale: false }]));
  return {
    seq, durable_seq: 1, last_seq: 1, time: new Date().toISOString(), started: new Date(0).toISOString(), version: 'mock',
    machines: machines(), channels, devices: site.devices.map(deviceState), lines: site.lines.map(lineState),
    store: { ok: true, detail: '', mend: '', waiting_scans: 0, directory_bytes: 1, dropped_scans: 0, clock_set: true, ...(process.env.MOCK_BEHIND ? { record_to: new Date(Date.now() + 200_000_000).toISOString() } : {}) },
  };
}

function series(query) {
  const from = Date.parse(query.get('from'));
  const step = 5000;
  const cells = (id) => {
    const by = new Map();
    for (const h of history) {
      if (h.t < from) continue;
      const t = Math.floor(h.t / step) * step;
      const c = by.get(t) ?? { t, count: 0 };
      const v = h.values?.[id];
      if (v !== undefined) {
        Object.assign(c, { first: c.first ?? v, last: v, min: Math.min(c.min ?? v, v), max: Math.max(c.max ?? v, v), sum: (c.sum ?? 0) + v, count: c.count + 1 });
      }
      by.set(t, c);
    }
    return [...by.values()];
  };
  const runs = [];
  for (const h of history) {
    if (h.t < from) continue;
    const s = h.values ? h.state : 'unobserved';
    const iso = new Date(h.t).toISOString();
    if (runs.at(-1)?.state !== s) runs.push({ state: s, from: runs.at(-1)?.to ?? iso, to: iso, reason: h.values ? '' : 'agent stopped' });
    runs.at(-1).to = iso;
  }
  return { from: query.get('from'), to: new Date().toISOString(), machine: 'comp1', runs, series: query.getAll('channel').map((c) => ({ channel: c, unit: '', step_ms: step, cells: cells(c) })) };
}

const today = () => ({ from: new Date(Date.now() - 8 * 3_600_000).toISOString(), to: new Date().toISOString(), machines: [{ machine: 'comp1', figures: figures(1) }], systems: [], instruments: [] });

// The service book: a fault yesterday, and the notes that were posted.
const book = [
  { seq: 2, time: new Date(Date.now() - 86_000_000).toISOString(), kind: 'fault', subject: 'comp1', text: 'motor overload (code 2): cleared after 7 min 0 s', data: { state: 'cleared', code: '2', channel: 'controller.fault_code' } },
  { seq: 1, time: new Date(Date.now() - 86_420_000).toISOString(), kind: 'fault', subject: 'comp1', text: 'motor overload (code 2): for the first time on record', data: { state: 'raised', code: '2', channel: 'controller.fault_code' } },
];
if (process.env.MOCK_DAMAGE) book.push({ seq: 0, time: new Date(Date.now() - 90_000_000).toISOString(), kind: 'data_damaged', subject: 'controller', text: 'an hour cannot be read', data: {} });
const events = (query) => ({ events: [...alarmEvents, ...book].filter((e) => query.getAll('kind').length === 0 || query.getAll('kind').includes(e.kind)), next: '' });
const faults = () => ({ from: new Date(Date.now() - 7 * 86_400_000).toISOString(), to: new Date().toISOString(), faults: [{ subject: 'comp1', channel: 'controller.fault_code', code: '2', text: 'motor overload', times: 1, first: book.at(-1).time, last: book.at(-1).time, on_s: 420, unseen_s: 0, on: false }] });

function note(body) {
  const { text, subject = '', time, author = '', corrects } = JSON.parse(body);
  const old = book.find((e) => e.seq === corrects);
  const kept = { seq: book.length + 1, time: time ?? old?.time ?? new Date().toISOString(), kind: 'note', subject, text, data: { author, ...(corrects ? { corrects: String(corrects) } : {}) } };
  if (old) old.data.corrected_by = String(kept.seq);
  book.unshift(kept);
  send('event', kept);
  return kept;
}

const soon = (days) => new Date(Date.now() + days * 86_400_000).toISOString();
const service = () => ({ machines: [{ machine: 'comp1', hour_meter: 21480.4, hours_per_day: 5.7, uncertainty: 1.1, over_days: 28, method: 'hour meter', items: [
  { item: 'oil', every_hours: 4000, every_months: 12, done: soon(-200), note: 3, hours_since: 3500, hours_left: 500, due: soon(88), by: 'hours', earliest: soon(73), latest: soon(109), overdue: false },
  { item: 'air filter', every_hours: 2000, overdue: false, absent: 'when it was last done is not known: write a note that names this item' }] }] });
const routes = { '/api/v1/site': () => site, '/api/v1/state': state, '/api/v1/series': series, '/api/v1/figures': today, '/api/v1/events': events, '/api/v1/faults': faults, '/api/v1/service': service };
const types = { '.html': 'text/html', '.js': 'text/javascript', '.css': 'text/css', '.svg': 'image/svg+xml' };
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; base-uri 'none'; form-action 'none'";

const server = createServer(async (request, response) => {
  const url = new URL(request.url, 'http://mock');
  if (request.method === 'POST' && url.pathname.startsWith('/mock/')) {
    const word = url.pathname.slice(6);
    if (word === 'skip') seq += 5;
    else fault = word;
    for (const d of site.devices) send('device', deviceState(d));
    for (const l of site.lines) send('line', lineState(l));
    response.end('ok\n');
    return;
  }
  if (request.method === 'POST' && url.pathname === '/api/v1/notes') {
    let body = '';
    for await (const part of request) body += part;
    response.setHeader('content-type', 'application/json');
    response.end(JSON.stringify(note(body)));
    return;
  }
  if (/^\/api\/v1\/(door|alarms)(\/|$)/.test(url.pathname) || shutOut(url.pathname)) {
    let text = '';
    for await (const part of request) text += part;
    const body = text ? JSON.parse(text) : {};
    const { status, headers, body: answer } = shutOut(url.pathname) ? signIn : url.pathname.startsWith('/api/v1/door') ? doorAnswer(request.method, url.pathname, body) : { status: 200, headers: {}, body: alarmAnswer(request.method, url.pathname, body) };
    response.writeHead(status, { 'content-type': 'application/json', ...headers });
    response.end(JSON.stringify(answer));
    return;
  }
  const route = routes[url.pathname];
  if (route) {
    response.setHeader('content-type', 'application/json');
    response.end(JSON.stringify(route(url.searchParams)));
    return;
  }
  const name = url.pathname === '/' ? '/index.html' : url.pathname;
  try {
    const body = await readFile(new URL(`../dist${name}`, import.meta.url));
    response.setHeader('content-type', types[extname(name)] ?? 'text/plain');
    response.setHeader('content-security-policy', policy);
    response.end(body);
  } catch {
    response.statusCode = 404;
    response.end('not found\n');
  }
});

function send(type, data) {
  seq += 1;
  const text = JSON.stringify({ seq, type, data });
  for (const c of clients) c(text);
}

server.on('upgrade', (request, socket) => {
  if (shutOut('/api/v1/live')) {
    socket.end('HTTP/1.1 401 Unauthorized\r\n\r\n');
    return;
  }
  const snapshot = () => out(JSON.stringify({ seq, type: 'snapshot', data: state() }));
  const out = accept(request, socket, snapshot, () => clients.delete(out));
  snapshot();
  clients.add(out);
});

setInterval(() => {
  const before = plant.state;
  const values = round(take(Date.now()));
  const time = new Date().toISOString();
  for (const d of site.devices) {
    const reason = silent(d.name) ? (fault === 'line' ? 'port gone' : 'timeout') : 'good';
    const own = Object.fromEntries(Object.entries(values).filter(([id]) => id.startsWith(`${d.name}.`)));
    send('scan', { time, device: d.name, group: '1s', reason, values: reason === 'good' ? own : {} });
  }
  if (plant.state !== before) send('state', machine());
}, 1000);

server.listen(Number(port), host, () => console.log(`mock on http://${host}:${port}`));
