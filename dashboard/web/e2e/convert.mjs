// What a number of the API must look like in a unit on the page: made anew, from
// published factors; it shares no code with the page. e2e/numbers.mjs and
// scripts/convert.test.mjs use it. Pure.

// NIST SP 811 (2008), appendix B.8, from memory: 1 psi = 6.894757 kPa,
// 1 ft³ = 0.02831685 m³, 1 ft³/min = 4.719474e-4 m³/s, 1 gal (US) = 3.785412 L;
// temperature by its definition, °F = 1.8 °C + 32; 1 kWh = 3.6 MJ.
const psiKPa = 6.894757;
const ft3M3 = 0.02831685;
const cfmM3S = 4.719474e-4;
const galL = 3.785412;

/** From a unit of the API to each unit it may be shown in: [scale, offset]. */
const shownIn = {
  Pa: { psi: [1 / psiKPa / 1000, 0], bar: [1e-5, 0], kPa: [1e-3, 0] },
  kPa: { psi: [1 / psiKPa, 0], bar: [0.01, 0], kPa: [1, 0] },
  psi: { psi: [1, 0], bar: [psiKPa / 100, 0] },
  bar: { bar: [1, 0], psi: [100 / psiKPa, 0] },
  '°C': { '°C': [1, 0], '°F': [1.8, 32] },
  '°F': { '°F': [1, 0], '°C': [1 / 1.8, -32 / 1.8] },
  K: { K: [1, 0], '°F': [1.8, 0] },
  'm³': { 'm³': [1, 0], 'ft³': [1 / ft3M3, 0], gal: [1000 / galL, 0] },
  'ft³': { 'ft³': [1, 0], 'm³': [ft3M3, 0] },
  'm³/min': { 'm³/min': [1, 0], cfm: [1 / 60 / cfmM3S, 0] },
  'm³/s': { 'm³/min': [60, 0], cfm: [1 / cfmM3S, 0] },
  cfm: { cfm: [1, 0], 'm³/min': [60 * cfmM3S, 0] },
  'kW/(m³/min)': { 'kW/(m³/min)': [1, 0], 'kW/100 cfm': [6000 * cfmM3S, 0] },
  'kWh/m³': { 'kWh/m³': [1, 0], 'kWh/1000 ft³': [1000 * ft3M3, 0] },
  W: { kW: [1e-3, 0], W: [1, 0] },
  'W/(m³/s)': { 'kW/(m³/min)': [1 / 60_000, 0], 'kW/100 cfm': [0.1 * cfmM3S, 0] },
  '1/Pa': { '%/psi': [100 * 1000 * psiKPa, 0], '%/bar': [1e7, 0] },
  kg: { kg: [1, 0] },
  'l/d': { 'l/d': [1, 0], 'gal/d': [1 / galL, 0] },
  J: { kWh: [1 / 3.6e6, 0] },
  Wh: { kWh: [1e-3, 0] },
  '1/h': { 'per hour': [1, 0], '1/h': [1, 0] },
  s: { s: [1, 0], min: [1 / 60, 0], h: [1 / 3600, 0] },
  ms: { ms: [1, 0], s: [1e-3, 0] },
  B: { B: [1, 0], kB: [1e-3, 0], MB: [1e-6, 0], GB: [1e-9, 0] }, // SI prefixes
  1: { '': [1, 0], '%': [100, 0] },
};

/** What a unit is shown in on a page of that system, where nothing at the number says it. */
const usual = {
  us: { 'W/(m³/s)': 'kW/100 cfm', '1/Pa': '%/psi', Pa: 'psi', kPa: 'psi', psi: 'psi', bar: 'psi', '°C': '°F', '°F': '°F', K: '°F', 'm³': 'ft³', 'ft³': 'ft³', 'm³/min': 'cfm', 'm³/s': 'cfm', cfm: 'cfm', 'kW/(m³/min)': 'kW/100 cfm', 'kWh/m³': 'kWh/1000 ft³', 'l/d': 'gal/d', '1/h': 'per hour', W: 'kW', J: 'kWh', Wh: 'kWh' },
  si: { 'W/(m³/s)': 'kW/(m³/min)', '1/Pa': '%/bar', Pa: 'bar', kPa: 'bar', psi: 'bar', bar: 'bar', '°C': '°C', '°F': '°C', K: 'K', 'm³': 'm³', 'ft³': 'm³', 'm³/min': 'm³/min', 'm³/s': 'm³/min', cfm: 'm³/min', 'kW/(m³/min)': 'kW/(m³/min)', 'kWh/m³': 'kWh/m³', 'l/d': 'l/d', '1/h': 'per hour', W: 'kW', J: 'kWh', Wh: 'kWh' },
};

/** The unit that a field's name ends in. */
const endings = [
  [/_w_per_m3s$/, 'W/(m³/s)'], [/_kwh_year$/, 'kWh'], [/_kg$/, 'kg'],
  [/_pa$/, 'Pa'], [/_kpa$/, 'kPa'], [/_m3s$/, 'm³/s'], [/_m3_?min$/, 'm³/min'], [/_m3$/, 'm³'], [/_kwh$/, 'kWh'], [/_kw$/, 'kW'], [/_w$/, 'W'], [/_j$/, 'J'],
  [/^(done|needed)$/, '1'], [/(^|_)bytes(_per_day)?$/, 'B'], [/_ms$/, 'ms'], [/_s$|^seconds$|_seconds$|^fill_/, 's'], [/_k$/, 'K'], [/_c$/, '°C'],
  [/(^|_)(coverage|share|level|fraction)$|^share_of/, '1'],
];
const isShare = (key) => /(^|_)(coverage|share|level|fraction)$|^share_of/.test(key);
/** Figures whose plain number is a share: shown in per cent (docs/figures.md says of what). */
const shareFigures = new Set(['duty_cycle', 'loaded_share', 'mean_load_fraction', 'leak_share', 'isentropic_efficiency', 'motor_derating', 'water_risk_share', 'standing_below_minimum_share']);

export function walk(answer, pointer) {
  const parts = pointer.split('/').slice(1).map((p) => p.replaceAll('~1', '/').replaceAll('~0', '~'));
  const chain = [answer];
  for (const p of parts) chain.push(chain.at(-1)?.[p]);
  return { parts, chain, value: chain.at(-1) };
}

/** The unit of what a pointer names: of the figure, the column or the channel around it, else by its name. */
export function unitOf(answer, pointer, site) {
  const { parts, chain } = walk(answer, pointer);
  const key = parts.filter((p) => !/^\d+$/.test(p)).at(-1) ?? '';
  for (const [pattern, unit] of endings) if (pattern.test(key)) return { unit, share: isShare(key), key };
  // An amount of a replay: a value and its interval below a name that has the unit.
  const of = /^(value|uncertainty)$/.test(key) && typeof chain.at(-2)?.unit !== 'string' ? (parts.at(-2) ?? '') : '';
  for (const [pattern, unit] of endings) if (of && pattern.test(of)) return { unit, share: isShare(of), key };
  for (let i = chain.length - 2; i >= 0; i--) {
    const at = chain[i];
    if (at === null || typeof at !== 'object') continue;
    if (Array.isArray(at.columns) && parts[i] === 'rows') {
      const column = at.columns[Number(parts.at(-1))];
      return { unit: column?.unit ?? '1', share: column?.unit === '1' && (/share|fraction/.test(column.name) || /coverage/.test(at.name)), key: `${at.name} ${column?.name}` };
    }
    // Of two periods the figures that are compared say the unit.
    const compared = at.first?.unit ?? at.second?.unit;
    if (compared && key.endsWith('_per_day')) return { unit: compared, share: false, key };
    if (typeof at.unit === 'string') return { unit: at.unit, share: at.unit === '1' && shareFigures.has(at.name ?? at.figure), key };
    const channel = site.channels.find((c) => c.id === (at.channel ?? at.id) || (i > 0 && c.id === parts[i - 1]));
    if (channel) return { unit: channel.unit, share: channel.quantity === 'ratio', key };
  }
  return { unit: '1', share: false, key };
}

const plain = (text) => text.replaceAll('\u2212', '-').replaceAll('\u00a0', ' ').replaceAll('\u202f', ' ').trim();

/** "3 min 12 s" in seconds and the size of its last part; undefined: it is no such thing. */
function durationOf(text) {
  const size = { d: 86_400, h: 3600, min: 60, s: 1, ms: 0.001 };
  if (!/^(\d+(\.\d+)? (d|h|min|s|ms)( |$))+$/.test(text)) return undefined;
  const all = [...text.matchAll(/(\d+(?:\.(\d+))?) (d|h|min|s|ms)/g)];
  const last = all.at(-1);
  return { seconds: all.reduce((sum, [, n, , u]) => sum + Number(n) * size[u], 0), step: size[last[3]] / 10 ** (last[2]?.length ?? 0) };
}

/** How uncertain the volume at a pointer is, in its unit: volumes are shown in whole tens of that. undefined: nothing says. */
export function volumeHalf(answer, { at, less, plus }, { unit }) {
  if (unit !== 'm³') return undefined;
  const day = /^(.*)\/(first|second)_per_day$/.exec(at); // of a day's share the same share
  if (day) {
    const { value, uncertainty } = walk(answer, `${day[1]}/${day[2]}`).value;
    return value && uncertainty !== undefined ? (uncertainty * walk(answer, at).value) / value : undefined;
  }
  const of = less ?? plus ?? (/\/(value|uncertainty)$/.test(at) ? at.replace(/value$/, 'uncertainty') : undefined);
  return of && walk(answer, of).value;
}

/** Why a shown number is not the value; empty where it is. half: see volumeHalf. */
export function wrong(shown, value, { unit, share, key }, system, said = '', half = undefined) {
  const text = plain(shown);
  if (/^(yes|no)$/.test(text) && unit === '1') return value === (text === 'yes' ? 1 : 0) ? '' : `${text}, and it is ${value}`; // a signal
  if (!/\d/.test(text)) return value === 0 || value === null ? '' : `no digit stands for ${value}`;
  if (unit === 's' || unit === 'ms') {
    const d = durationOf(text);
    const seconds = Math.max(0, unit === 'ms' ? value / 1000 : value); // an interval's end is cut at none
    if (d) return d.seconds - seconds < d.step && seconds - d.seconds < d.step ? '' : `${d.seconds} s, the API says ${seconds} s`;
  }
  if (text.startsWith('<') && unit === 's') return value < Number.parseFloat(text.slice(1)) ? '' : `${text}, the API says ${value} s`;
  const m = /^(<|>|under |over |±\s*|\+)?(-?\d+(?:[ ,]\d{3})*(?:\.(\d+))?)\s*(.*)$/.exec(text);
  if (!m) return 'no number';
  const [, sign = '', digits, decimals = '', tail] = m;
  const ways = shownIn[unit] ?? { [unit]: [1, 0] };
  const money = /^(.+)\/m³$/.exec(unit)?.[1];
  const volume = `${money}/1000 ft³`;
  const shownUnit = said || tail || (share ? '%' : usual[system][unit] ?? (money && system === 'us' ? volume : unit === '1' ? '' : unit));
  const way = money && shownUnit === volume ? [1000 * ft3M3, 0] : ways[shownUnit.replace(/\(a\)$/, '')];
  if (!way) return `${unit} shown in “${shownUnit}” is not known to this test`;
  const number = Number(digits.replaceAll(/[ ,]/g, ''));
  const [scale, offset] = way;
  const width = key === 'uncertainty' || key === 'narrower';
  const want = value * scale + (width ? 0 : offset);
  // NIST gives seven figures: that much a large number may differ.
  const tens = half === undefined || half * scale < 100 ? 0 : Math.floor(Math.log10(half * scale)) - 1;
  const step = tens > 0 ? 10 ** tens : 10 ** -decimals.length;
  const slack = Math.abs(want) * 3e-7 + 1e-9;
  if (sign === '<' || sign === 'under ') return Math.abs(want) < number + slack ? '' : `less than ${number}, and it is ${want}`;
  if (sign === '>' || sign === 'over ') return Math.abs(want) > number - slack ? '' : `more than ${number}, and it is ${want}`;
  if (key.includes('coverage')) return want - number < step + slack && number - want <= slack ? '' : `${number}, want ${want} cut off`;
  return Math.abs(number - want) <= step / 2 + slack || Math.abs(Math.abs(number) - Math.abs(want)) <= step / 2 + slack && sign !== '' ? '' : `${number}, want ${want}`;
}
