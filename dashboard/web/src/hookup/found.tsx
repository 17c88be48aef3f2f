// What a finished walk found.
import type { HookupReport } from '../api';
import { roleWords, verdictText } from './words';

export function Found({ report }: { report: HookupReport }) {
  if (report.phase !== 'done') return null;
  return (
    <div class="found" data-verdict={report.verdict}>
      <p class="verdict" role="status">{verdictText[report.verdict]}</p>
      <ul class="findings">
        {report.findings.map((f) => (
          <li key={f.code} data-finding={f.code}>
            <h3><span data-words>{f.text}</span><span class="aside"> {f.severity === 'wrong' ? 'wrong' : 'a hint: other causes are possible'}</span></h3>
            <p><span data-words>{f.mend}</span></p>
            <details><summary>What this rests on<span class="visually-hidden">: {f.text}</span></summary><p><span data-words>{f.basis}</span></p></details>
          </li>
        ))}
      </ul>
      {report.verdict !== 'well' && report.cautions.length > 0 && <ul class="cautions" aria-label="Cautions">{report.cautions.map((c) => <li key={c}><span data-words>{c}</span></li>)}</ul>}
      <div class="scroll" tabIndex={0} role="region" aria-label="What was judged">
        <table>
          <thead><tr><th scope="col">What must move</th><th scope="col">Judged</th><th scope="col">Why</th></tr></thead>
          <tbody>
            {report.checks.map((c) => (
              <tr key={c.name} data-check={c.name} data-result={c.result}>
                <th scope="row">{roleWords(c.name)}</th>
                <td class={c.result === 'wrong' ? 'must' : undefined}>{c.result}</td>
                <td class="text-cell"><span data-words>{c.text}</span></td>
              </tr>
            ))}
          </tbody>
        </table>
      </div>
    </div>
  );
}
