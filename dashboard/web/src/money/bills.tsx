// What demand is charged: each billing month that the window touches, when its
// highest quarter hour was, and the way there.
import { Num } from '../figure/number';
import { foundIn } from '../days/view';
import { sentence } from '../look/words';
import { fixed } from '../units/units';
import { clockMinute, day as dayWords } from '../units/words';
import type { PartProps } from './page';
import { stretchHref } from './view';

export function Bills({ answer, site }: PartProps) {
  if (!answer.currency) return null;
  const why = foundIn(answer.figures, '').get('demand_cost')?.figure.absent;
  const tz = site.timezone;
  const month = (iso: string) => <time dateTime={iso}>{dayWords(Date.parse(iso), tz)}</time>;
  return (
    <section class="money-part" aria-labelledby="bills-title">
      <h2 id="bills-title">What demand was charged</h2>
      {answer.bills.length === 0 && <p class="absent">Not charged, or not known: <span data-words>{why ?? 'the site file has no price for demand'}</span>.</p>}
      <ul class="bills">
        {answer.bills.map((b, i) => {
          const at = `/bills/${i}`;
          const [from, to] = [Date.parse(b.peak_from), Date.parse(b.peak_to)];
          return (
            <li key={`${b.from} ${b.charge}`}>
              <p class="bill-peak">
                Highest on <time dateTime={b.peak_from}>{`${dayWords(from, tz)}, ${clockMinute(from, tz)}`}</time> to <time dateTime={b.peak_to}>{clockMinute(to, tz)}</time>:{' '}
                <strong><Num value={b.peak_kw} at={`${at}/peak_kw`}>{fixed(b.peak_kw, 1)}</Num> kW</strong>
              </p>
              <p>
                Billed: <Num value={b.own_kw} at={`${at}/own_kw`}>{fixed(b.own_kw, 1)}</Num> kW of <Num value={b.billed_kw} at={`${at}/billed_kw`}>{fixed(b.billed_kw, 1)}</Num> kW, at{' '}
                <Num value={b.per_kw} at={`${at}/per_kw`}>{fixed(b.per_kw, 2)}</Num> {answer.currency} a kilowatt (<span data-words>{b.charge}</span>). Of the month from {month(b.from)} these days hold{' '}
                <Num value={b.share} at={`${at}/share`}>{fixed(b.share * 100, 0)}</Num> %: {b.at_least && 'at least '}<strong><Num value={b.cost} at={`${at}/cost`}>{fixed(b.cost, 2)}</Num> {answer.currency}</strong>.
              </p>
              <p class="aside small"><span data-words>{sentence(b.note)}</span></p>
              <p><a href={stretchHref(site, answer, from, to, 30 * 60_000)}>Look at that quarter hour<span class="visually-hidden"> of the month from {month(b.from)}</span></a></p>
            </li>
          );
        })}
      </ul>
    </section>
  );
}
