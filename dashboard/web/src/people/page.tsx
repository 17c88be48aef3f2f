// People: who may come in and what they may do, their sessions, and the reader's own
// password. Where no sign-in is asked for it says so, and how to listen on the network.
import { useEffect, useState } from 'preact/hooks';
import { answerOf, post, type DoorPeople, type DoorPerson, type DoorSessions } from '../api';
import { useAsked, type Asked } from '../api/asked';
import '../look/form.css';
import { door, type Role } from '../door/state';
import { Num } from '../figure/number';
import { Standing } from '../look/standing';
import type { PageProps } from '../pages';
import { when } from '../units/words';
import { AddPerson, OwnPassword, PersonActs } from './forms';
import './people.css';
import { Sessions } from './sessions';

const peoplePath = '/api/v1/door/people';
const sessionsPath = '/api/v1/door/sessions';
const freshMs = 60_000;

export default function People(props: PageProps) {
  const now = door.value;
  if (!now) return <p class="standing" role="status">Fetching who may come in …</p>;
  if (!now.sign_in) return <Open />;
  return <Doors key={now.role} {...props} role={now.role || 'look'} />;
}

/** Nobody signs in: whoever sits at the computer may do everything. */
function Open() {
  return (
    <div class="people">
      <div class="sentence">
        <div>
          <h1>No sign-in is asked for.</h1>
          <p class="note-line">loadscribe listens on its own computer alone: whoever can use that may look, write and set.</p>
        </div>
      </div>
      <section aria-labelledby="network-title">
        <h2 id="network-title">To let others on the network look</h2>
        <ol class="steps">
          <li>In the site file, below <code>[agent]</code>, write the address to listen on: <code data-words>listen = "0.0.0.0:8477"</code> is every address of that computer.</li>
          <li>Start loadscribe anew. Sign-in and encryption are then always on. It prints the address, the fingerprint of its certificate, and a set-up code.</li>
          <li>Open the address on another device. Compare the fingerprint that its browser shows for the certificate with the printed one, then make the first person with the code.</li>
        </ol>
        <p class="aside">To ask for a sign-in on the computer itself too, because several people use it or a proxy stands before it: <code>sign_in = "always"</code>. All of it is in docs/sign-in.md.</p>
      </section>
    </div>
  );
}

function Doors({ live, site, view, role }: PageProps & { role: Role }) {
  const pace = { held: live.held };
  const [told, setTold] = useState<DoorSessions>();
  const sessions = useAsked<DoorSessions>(pace, { key: sessionsPath, everyMs: freshMs, ask: (signal) => answerOf(sessionsPath, new URLSearchParams(), signal) });
  useEffect(() => setTold(undefined), [sessions.value.value]);
  const shown = told ?? sessions.value.value;
  return (
    <div class="people">
      {role === 'operate' ? <Everybody pace={pace} zone={site.timezone} now={view.now} changed={() => sessions.again()} /> : (
        <div class="sentence">
          <div>
            <h1>You are in as <span data-words>{door.value?.person?.name}</span>, and may look.</h1>
            <p class="note-line" data-not-allowed>Who else may come in is for those to see and set who have the role operate.</p>
          </div>
        </div>
      )}
      <section aria-labelledby="sessions-title" data-answer={sessionsPath} data-moves>
        <h2 id="sessions-title">{role === 'operate' ? 'Sessions' : 'Your sessions'}</h2>
        <Standing asked={sessions as Asked<unknown>} what="the sessions" question={sessionsPath} />
        {shown && <Sessions list={shown.sessions} zone={site.timezone} now={view.now} end={async (what) => {
          setTold((await post(`${sessionsPath}/end`, what)) as DoorSessions);
          sessions.again();
        }} />}
      </section>
      <section aria-labelledby="own-title">
        <h2 id="own-title">Your own password</h2>
        <OwnPassword name={door.value?.person?.name ?? ''} done={() => sessions.again()} />
      </section>
      {door.value?.fingerprint && (
        <section aria-labelledby="print-title">
          <h2 id="print-title">Certificate of this server</h2>
          <p class="aside">Its fingerprint, SHA-256, for those who come in for the first time: it is what their browser shows for the certificate.</p>
          <p class="fingerprint"><code data-words>{door.value.fingerprint}</code></p>
        </section>
      )}
    </div>
  );
}

function Everybody({ pace, zone, now, changed }: { pace: { held: PageProps['live']['held'] }; zone: string; now: number; changed: () => void }) {
  const [told, setTold] = useState<DoorPeople>();
  const asked = useAsked<DoorPeople>(pace, { key: peoplePath, everyMs: freshMs, ask: (signal) => answerOf(peoplePath, new URLSearchParams(), signal) });
  useEffect(() => setTold(undefined), [asked.value.value]);
  const people = (told ?? asked.value.value)?.people;
  const done = (answer: DoorPeople) => {
    setTold(answer);
    asked.again(); // an answer under way may be older
    changed();
  };
  return (
    <div data-answer={peoplePath} data-moves>
      <div class="sentence">
        <div>
          <h1 aria-live="polite">{people ? <Sentence people={people} /> : 'Looking who may come in.'}</h1>
          <p class="note-line">Operate may do everything that these pages can. Look may see everything but this list, the set-up files and copies of the record, and changes nothing.</p>
          <Standing asked={asked} what="who may come in" question={peoplePath} />
        </div>
      </div>
      {people && <ul class="persons">{people.map((p, i) => <Person key={p.name} person={p} at={`/people/${i}`} zone={zone} now={now} alone={p.role === 'operate' && people.filter((q) => q.role === 'operate').length === 1} done={done} />)}</ul>}
      {people && <AddPerson done={done} />}
    </div>
  );
}

const roleWord: Record<Role, string> = { operate: 'may operate', look: 'may look' };

function Sentence({ people }: { people: DoorPerson[] }) {
  const count = (role: Role) => people.filter((p) => p.role === role).length;
  const part = (role: Role) => <><span data-count>{count(role)}</span> {roleWord[role]}</>;
  if (people.length === 1) return <>One person may come in.</>;
  return <><span data-count>{people.length}</span> people may come in: {part('operate')}{count('look') > 0 && <>, {part('look')}</>}.</>;
}

function Person({ person: p, at, zone, now, alone, done }: { person: DoorPerson; at: string; zone: string; now: number; alone: boolean; done: (answer: DoorPeople) => void }) {
  const self = p.name === door.value?.person?.name;
  const moment = (t: string) => <time dateTime={t}>{when(Date.parse(t), now, zone)}</time>;
  return (
    <li data-person={p.name}>
      <h2><span data-words>{p.name}</span><span class="role-word"> {roleWord[p.role]}{self && ', you'}</span></h2>
      <p class="aside">
        {p.last_in ? <>Last signed in {moment(p.last_in)}</> : 'When they last signed in is not known'}; {p.sessions === 0 ? 'not in now' : <>in now with <Num value={p.sessions} at={`${at}/sessions`}>{p.sessions}</Num> {p.sessions === 1 ? 'session' : 'sessions'}</>}; here since {moment(p.made)}.
      </p>
      <PersonActs person={p} alone={alone} done={done} />
    </li>
  );
}
