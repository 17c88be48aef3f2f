// The channels that gave no good value though their devices were read.
import type { MissedAnswer, Site } from '../api';
import { Span } from '../figure/known';
import { Num } from '../figure/number';
import { href } from '../route';
import { reasonWords } from '../look/words';
import { duration } from '../units/words';

export function Channels({ answer, site }: { answer: MissedAnswer; site: Site }) {
  return (
    <section class="silent" aria-labelledby="silent-title">
      <h2 id="silent-title">Channels without a good value</h2>
      <p class="aside">Their devices were read meanwhile, and count as read above. How each register reads now: <a href={href('hookup')}>Hook-up</a>.</p>
      <div class="scroll" tabIndex={0} role="region" aria-label="Channels without a good value">
        <table>
          <thead><tr><th scope="col">Channel</th><th scope="col">When</th><th scope="col">Without a value for</th><th scope="col">Reason</th><th scope="col">What to do</th></tr></thead>
          <tbody>
            {answer.channels.map((c, i) => (
              <tr key={`${c.channel} ${c.reason}`}>
                <th scope="row" data-words>{c.channel}</th>
                <td><Span from={Date.parse(c.from)} to={Date.parse(c.to)} timeZone={site.timezone} />{c.open && ', to the end of these days'}</td>
                <td><Num value={c.for_s} at={`/channels/${i}/for_s`}>{duration(c.for_s * 1000)}</Num>{c.spells > 1 && <>, in <Num value={c.spells} at={`/channels/${i}/spells`}>{c.spells}</Num> pieces</>}</td>
                <td data-words>{reasonWords(c.reason)}</td>
                <td data-words>{c.mend}</td>
              </tr>
            ))}
          </tbody>
        </table>
      </div>
      {answer.channels_more > 0 && <p class="aside"><Num value={answer.channels_more} at="/channels_more">{answer.channels_more}</Num> shorter ones are left out: choose fewer days.</p>}
    </section>
  );
}
