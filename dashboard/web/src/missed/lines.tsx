// How well each device was read over the days, and how its line goes now.
import { answerOf, type LinesAnswer, type MissedAnswer } from '../api';
import { useAsked } from '../api/asked';
import { Num } from '../figure/number';
import { countText } from '../hookup/scale';
import type { Live } from '../live/live';
import { Standing } from '../look/standing';
import { href } from '../route';
import { duration } from '../units/words';
import { percent } from './words';

const path = '/api/v1/lines';
const everyMs = 10_000;

export function Devices({ answer }: { answer: MissedAnswer }) {
  return (
    <div class="scroll" tabIndex={0} role="region" aria-label="How well each device was read">
      <table>
        <thead><tr><th scope="col">Device</th><th scope="col">Line</th><th scope="col" class="num">Read</th><th scope="col" class="num">Of readings due</th><th scope="col" class="num">Gaps</th><th scope="col" class="num">In all</th><th scope="col" class="num">Longest</th></tr></thead>
        <tbody>
          {answer.devices.map((d, i) => {
            const at = `/devices/${i}`;
            return (
              <tr key={d.device}>
                <th scope="row" data-words>{d.device}</th>
                <td data-words>{d.line}</td>
                {d.due === 0 ? <td colSpan={5} class="aside">{d.absent ? <span data-words>{d.absent}</span> : 'nothing was due'}</td> : (
                  <>
                    <td class="num"><Num value={d.read_share} at={`${at}/read_share`}>{percent(d.read_share)}</Num> %</td>
                    <td class="num"><Num value={d.due} at={`${at}/due`}>{countText(d.due)}</Num></td>
                    <td class="num"><Num value={d.gaps} at={`${at}/gaps`}>{d.gaps === 0 ? 'none' : d.gaps}</Num></td>
                    <td class="num">{d.gaps === 0 ? '–' : <Num value={d.gap_s} at={`${at}/gap_s`}>{duration(d.gap_s * 1000)}</Num>}</td>
                    <td class="num">{d.gaps === 0 ? '–' : <Num value={d.longest_s} at={`${at}/longest_s`}>{duration(d.longest_s * 1000)}</Num>}</td>
                  </>
                )}
              </tr>
            );
          })}
        </tbody>
      </table>
    </div>
  );
}

/** The lines as they go now, in a sentence each. */
export function LinesNow({ live }: { live: Live }) {
  const asked = useAsked<LinesAnswer>({ held: live.held }, { key: path, everyMs, ask: (signal) => answerOf(path, new URLSearchParams(), signal) });
  const answer = asked.value.value;
  return (
    <div class="lines-now">
      <h3>The lines now</h3>
      <Standing asked={asked} what="lines" question={path} />
      {answer && (
        <ul data-answer={path} data-moves>
          {answer.lines.map((l, i) => (
            <li key={l.line}>
              <strong data-words>{l.line}</strong> {l.up ? 'is open' : 'is down'}: <span data-words>{l.detail}</span>.{' '}
              {l.devices.map((d, k) => {
                const at = `/lines/${i}/devices/${k}`;
                if (d.requests === 0) return null;
                return <span key={d.device}><span data-words>{d.device}</span> answered <Num value={d.answers} at={`${at}/answers`}>{countText(d.answers)}</Num> of <Num value={d.requests} at={`${at}/requests`}>{countText(d.requests)}</Num> requests since loadscribe started{d.up ? '' : ', and does not answer now'}. </span>;
              })}
            </li>
          ))}
        </ul>
      )}
      <p><a href={href('hookup')}>Settings, answer times and registers: Hook-up</a></p>
    </div>
  );
}
