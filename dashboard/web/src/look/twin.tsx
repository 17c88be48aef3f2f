// The table that says the same as a chart, made only while it is open.
import type { ComponentChildren } from 'preact';
import { useState } from 'preact/hooks';

interface TwinColumn {
  title: string;
  /** numbers stand right */
  number?: boolean;
}

export interface TwinRow {
  key: string;
  /** the first is the row's head */
  cells: ComponentChildren[];
}

/** title names the table, like "The last hour"; rows are asked for when it is opened. */
export function Twin({ title, columns, rows }: { title: string; columns: TwinColumn[]; rows: () => TwinRow[] }) {
  const [open, setOpen] = useState(false);
  return (
    <details class="twin" onToggle={(e) => setOpen(e.currentTarget.open)}>
      <summary>{title}, as a table</summary>
      {open && (
        <div class="scroll" tabIndex={0} role="region" aria-label={`${title} as a table`}>
          <table>
            <thead><tr>{columns.map((c) => <th key={c.title} scope="col" class={c.number ? 'num' : undefined}>{c.title}</th>)}</tr></thead>
            <tbody>
              {rows().map((r) => (
                <tr key={r.key}>
                  {r.cells.map((c, i) => (i === 0 ? <th key={i} scope="row">{c}</th> : <td key={i} class={columns[i]?.number ? 'num' : undefined}>{c}</td>))}
                </tr>
              ))}
            </tbody>
          </table>
        </div>
      )}
    </details>
  );
}
