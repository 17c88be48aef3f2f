// What stands in place of a page that broke: an answer of another version, or a
// mistake of ours. The rest of the frame goes on.
import type { ComponentChildren } from 'preact';
import { useErrorBoundary } from 'preact/hooks';

export function Guarded({ children }: { children: ComponentChildren }) {
  const [error, again] = useErrorBoundary((e: unknown) => console.error(e));
  if (error === undefined) return <>{children}</>;
  return (
    <div class="sentence" role="alert">
      <div>
        <h1>This page has stopped.</h1>
        <p class="note-line">Recording goes on; only what is drawn here is affected. It may be that loadscribe was updated since this page was loaded.</p>
        <p class="aside">{error instanceof Error ? error.message : String(error)}</p>
        <p class="choose">
          <button type="button" onClick={() => location.reload()}>Load the page anew</button>
          <button type="button" onClick={again}>Try again</button>
        </p>
      </div>
    </div>
  );
}
