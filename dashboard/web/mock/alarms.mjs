// The mock's alarms: MOCK_ALARMS sets some that stand; else there are rules and none stands.
const ago = (s) => new Date(Date.now() - s * 1000).toISOString();
const some = Boolean(process.env.MOCK_ALARMS);
let standing = some ? [
  { id: '41', rule: 'air end hot', on: 'temperature', subject: 'comp1', priority: 'high', text: 'discharge temperature of comp1 226.4 °F, above 221.0 °F for 30 s', since: ago(4_210), since_at_least: false, raised: ago(4_000), times: 1, returned: null, acknowledged: null, value: 108, limit: 105, unit: '°C', told: true, shelved_until: null },
  { id: '38', rule: 'pressure low', on: 'pressure below minimum', subject: 'main', priority: 'medium', text: 'pressure of main 86.1 psi, below the minimum of 90.0 psi for 2 min', since: ago(9_000), since_at_least: true, raised: ago(8_800), times: 2, returned: ago(7_900), acknowledged: null, value: 593.6, limit: 620.5, unit: 'kPa', told: true, shelved_until: null },
  { id: '12', rule: 'oil is due', on: 'service due', subject: 'comp1', priority: 'low', text: 'service of comp1: oil is due', since: ago(400_000), since_at_least: false, raised: ago(4_000), times: 1, returned: null, acknowledged: { at: ago(390_000), who: 'R. Vale', why: 'ordered for Friday' }, value: null, limit: null, unit: '', told: false, shelved_until: new Date(Date.now() + 90_000_000).toISOString() },
] : [];
const rule = (name, on, subjects, text, priority, state = 'quiet', more = {}) => ({ rule: name, on, subjects, text, priority, tell: ['mail', 'dispatch'], state, why: '', shelved: [], since: null, ...more });
const rules = [
  rule('air end hot', 'temperature', ['comp1'], 'Raised when the discharge temperature is above 221.0 °F for 30 s; returns when that is over by 5.4 °F.', 'high', some ? 'raised' : 'quiet', some ? { since: ago(4_210) } : {}),
  rule('pressure low', 'pressure below minimum', ['main'], 'Raised when the pressure of a system is below its minimum_pressure for 2 min; returns when that is over for 1 min.', 'medium'),
  rule('oil is due', 'service due', ['comp1'], 'Raised when an item of the service list is due; returns when that is over.', 'low', some ? 'raised' : 'quiet', { tell: [], ...(some ? { shelved: [{ subject: '', until: new Date(Date.now() + 90_000_000).toISOString(), who: 'R. Vale', why: 'ordered for Friday' }] } : {}) }),
  rule('leaks grow', 'quiet demand grown', ['main'], 'Raised when what flows in quiet hours of the last week is more than 20 % above that of the four weeks before, more surely than by chance.', 'low', 'blind', { why: 'fewer than three weeks are recorded' }),
];
const targets = [
  { name: 'mail', kind: 'mail', to: 'shop@mail.example', waiting: 0, last_sent: ago(4_200), failing_since: null, why: '', given_up: 0 },
  { name: 'dispatch', kind: 'webhook', to: 'https://hooks.example/in', waiting: 3, last_sent: null, failing_since: ago(8_000), why: 'the address does not answer', given_up: 1 },
];
const all = () => ({ standing, rules, targets, caution: 'Not a safety device: alarms may come late or not at all. What protects people and machines is in the machine itself.' });

/** The alarms' part of the service book. */
export const alarmEvents = standing.map((a, i) => ({ seq: 90 - i, time: a.since, kind: 'alarm', subject: a.subject, text: a.text, data: { rule: a.rule, subject: a.subject, says: a.text, state: 'raised', priority: a.priority } }));

/** What /api/v1/alarms and what lies below it answer. */
export function alarmAnswer(method, path, body) {
  if (method === 'GET') return all();
  const one = standing.find((a) => a.id === body.id);
  if (path.endsWith('/acknowledge') && one) {
    one.acknowledged = { at: ago(0), who: body.who, why: body.why ?? '' };
    standing = standing.filter((a) => !(a.returned && a.acknowledged));
  }
  const of = rules.find((r) => r.rule === body.rule);
  if (path.endsWith('/shelve') && of) of.shelved.push({ subject: body.subject ?? '', until: new Date(Date.now() + 3_600_000).toISOString(), who: body.who, why: body.why });
  if (path.endsWith('/unshelve') && of) of.shelved = of.shelved.filter((s) => s.subject !== (body.subject ?? ''));
  if (path.endsWith('/test')) return { target: body.target, ok: body.target === 'mail', answer: body.target === 'mail' ? 'queued as 4F2' : 'the address does not answer' };
  return all();
}
