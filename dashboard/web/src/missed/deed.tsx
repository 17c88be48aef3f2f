// A button for something that takes a while: what it does meanwhile, how to take it
// back, and what came of it. Leaving the page takes it back.
import type { ComponentChildren } from 'preact';
import { useEffect, useRef, useState } from 'preact/hooks';

interface Props<T> {
  label: string;
  busy: string;
  act: (signal: AbortSignal) => Promise<T>;
  done: (result: T) => ComponentChildren;
}

export function Deed<T>({ label, busy, act, done }: Props<T>) {
  const [state, setState] = useState<{ what: 'rest' | 'busy' } | { what: 'done'; result: T } | { what: 'failed'; why: string }>({ what: 'rest' });
  const running = useRef<AbortController | undefined>(undefined);
  useEffect(() => () => running.current?.abort(), []);
  const begin = async () => {
    const own = new AbortController();
    running.current = own;
    setState({ what: 'busy' });
    try {
      const result = await act(own.signal);
      if (!own.signal.aborted) setState({ what: 'done', result });
    } catch (e) {
      if (!own.signal.aborted) setState({ what: 'failed', why: e instanceof Error ? e.message : String(e) });
    }
  };
  const stop = () => {
    running.current?.abort();
    setState({ what: 'rest' });
  };
  return (
    <div class="deed">
      {state.what === 'busy' ? <button type="button" onClick={stop}>Stop it</button> : <button type="button" onClick={() => void begin()}>{label}</button>}
      <div role="status" class="deed-says">
        {state.what === 'busy' && <p class="aside">{busy} …</p>}
        {state.what === 'failed' && <p class="warn">It failed: <span data-words>{state.why}</span>.</p>}
        {state.what === 'done' && done(state.result)}
      </div>
    </div>
  );
}
