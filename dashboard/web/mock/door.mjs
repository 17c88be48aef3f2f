// The mock's door: MOCK_DOOR=sign-in asks for one (R. Vale, "nine tall green
// ladders"), MOCK_DOOR=set-up has nobody yet (code 1234-5678); else none is asked for.
const asks = Boolean(process.env.MOCK_DOOR);
const now = () => new Date().toISOString();
const people = process.env.MOCK_DOOR === 'sign-in' ? [
  { name: 'R. Vale', role: 'operate', password: 'nine tall green ladders', made: '2026-03-01T08:00:00.000Z', last_in: now() },
  { name: 'M. Oak', role: 'look', password: 'six grey stone arches', made: '2026-03-02T08:00:00.000Z', last_in: null },
] : [];
let person = null;
let tries = 0;

const session = () => ({ id: 'a1', name: person.name, began: now(), last: now(), from: '127.0.0.1', this: true });
const listed = () => ({ people: people.map((p) => ({ name: p.name, role: p.role, made: p.made, last_in: p.last_in, sessions: p === person ? 1 : 0 })) });
const door = () => ({ sign_in: asks, set_up: asks && people.length === 0, person: person && { name: person.name, role: person.role }, role: asks ? (person?.role ?? '') : 'operate', idle_s: asks ? 1800 : 0, fingerprint: asks ? '3F:8A:11:0C:9E:52:77:D0:41:BB:6E:A3:1D:94:C8:05:2A:F7:60:E9:8C:13:5B:D2:46:7F:A0:39:E1:84:CB:16' : '' });
const refuse = (status, field, message, headers = {}) => ({ status, headers, body: { error: { message, field } } });
const good = (body) => ({ status: 200, body, headers: {} });

/** Whether a request must be refused, for want of a sign-in. */
export const shutOut = (path) => asks && !person && path.startsWith('/api/') && !path.startsWith('/api/v1/door');
export const signIn = refuse(401, 'sign_in', 'sign in');

/** {status, body, headers} of a request below /api/v1/door. */
export function doorAnswer(method, path, body) {
  const what = path.slice('/api/v1/door'.length).replace(/^\//, '');
  if (method === 'GET') return good(what === 'people' ? listed() : what === 'sessions' ? { sessions: person ? [session()] : [] } : door());
  switch (what) {
    case 'set-up':
      if (body.code !== '1234-5678') return refuse(400, 'code', 'this is not the set-up code');
      if (body.password.length < 10) return refuse(400, 'password', 'a password has 10 characters or more');
      people.push(person = { name: body.name, role: 'operate', password: body.password, made: now(), last_in: now() });
      return good(door());
    case 'in': {
      const known = people.find((p) => p.name === body.name && p.password === body.password);
      if (!known && ++tries % 4 === 0) return refuse(429, '', 'too many attempts: wait a little', { 'retry-after': '30' });
      if (!known) return refuse(401, 'password', 'name and password do not belong together');
      person = known;
      return good(door());
    }
    case 'out':
      person = null;
      return good(door());
    case 'people': {
      const known = people.find((p) => p.name === body.name);
      if (known) Object.assign(known, body);
      else people.push({ made: now(), last_in: null, ...body });
      return good(listed());
    }
    case 'people/remove':
      people.splice(people.findIndex((p) => p.name === body.name), 1);
      return good(listed());
    default:
      return good(what.startsWith('sessions') ? { sessions: [session()] } : door());
  }
}
