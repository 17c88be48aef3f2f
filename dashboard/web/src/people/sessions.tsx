// Where somebody is signed in, and the end of it.
import { useState } from 'preact/hooks';
import type { DoorSession } from '../api';
import { when } from '../units/words';

type End = (what: { id: string } | { others: true }) => Promise<void>;

export function Sessions({ list, zone, now, end }: { list: DoorSession[]; zone: string; now: number; end: End }) {
  const [error, setError] = useState('');
  const [busy, setBusy] = useState(false);
  const run = async (what: Parameters<End>[0]) => {
    setBusy(true);
    setError('');
    try {
      await end(what);
    } catch (e) {
      setError(e instanceof Error ? e.message : String(e));
    } finally {
      setBusy(false);
    }
  };
  const moment = (t: string) => <time dateTime={t}>{when(Date.parse(t), now, zone)}</time>;
  const mine = list.find((s) => s.this)?.name;
  const others = list.filter((s) => s.name === mine && !s.this).length > 0;
  return (
    <>
      <ul class="session-list">
        {list.map((s) => (
          <li key={s.id} data-session={s.this ? 'this' : 'other'}>
            <p><strong data-words>{s.name}</strong> from <span data-words>{s.from}</span>{s.this && ': this one'}</p>
            <p class="aside">Since {moment(s.began)}, last asked {moment(s.last)}.</p>
            {!s.this && <button type="button" class="plain" disabled={busy} onClick={() => void run({ id: s.id })}>End it<span class="visually-hidden" data-words>: {s.name} from {s.from}</span></button>}
          </li>
        ))}
      </ul>
      {others && <button type="button" disabled={busy} onClick={() => void run({ others: true })}>End all of mine but this one</button>}
      {error && <p class="warn" role="alert">It was not done: <span data-words>{error}</span>.</p>}
    </>
  );
}
