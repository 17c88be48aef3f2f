// The dear hours: each day a row of its hours, as high as they cost, with the
// hours of a dearer price behind them and where demand was highest.
import type { MoneyHour } from '../api';
import { Known } from '../figure/known';
import { Num } from '../figure/number';
import { useWidth } from '../look/measure';
import { Hatch } from '../look/pattern';
import { Twin } from '../look/twin';
import { fixed } from '../units/units';
import { clockMinute, day as dayWords } from '../units/words';
import type { PartProps } from './page';
import { amount, clockHour, countedOf, dayRows, stretchHref, valueOf, type Counted, type DayRow } from './view';

const rowHeight = 54;
const foot = 14;
const nb = '\u00a0';

export function Hours(props: PartProps) {
  const { answer, site } = props;
  const { hours } = answer;
  const [host, width] = useWidth<HTMLDivElement>();
  const counted = countedOf(answer);
  const rows = dayRows(answer);
  const title = counted.isMoney ? 'The dear hours' : 'The hours that took most';
  const known = !hours.absent && hours.rows.length > 0;
  return (
    <section class="money-part" aria-labelledby="hours-title">
      <h2 id="hours-title">{title}</h2>
      {!known ? <p class="absent">Not known: <span data-words>{hours.absent || 'nothing was observed in these days'}</span>.</p> : (
        <>
          <HalfOf {...props} counted={counted} />
          <div ref={host} class="money-days" role="img" aria-label={summary(props, counted)} style={{ minHeight: `${rows.length * rowHeight + 20}px` }}>
            {width > 0 && <Rows {...props} rows={rows} counted={counted} width={width} />}
          </div>
          {/* of its own: where the states are not known nobody else draws one */}
          <svg class="patterns" width="0" height="0" aria-hidden="true" focusable="false"><defs>
            <Hatch id="money-nothing" />
          </defs></svg>
          <ul class="key money-key" aria-label="What the marks mean">
            <li><svg width="16" height="16" aria-hidden="true" focusable="false"><rect class="hour-bar" x="3" y="2" width="10" height="13" /></svg>an hour</li>
            <li><svg width="16" height="16" aria-hidden="true" focusable="false"><rect class="hour-bar" x="3" y="6" width="10" height="9" /><path class="dear-mark" d="M4 0h8l-4 5z" /></svg>one of the dearest</li>
            {counted.isMoney && answer.prices.length > 1 && <li><svg width="16" height="16" aria-hidden="true" focusable="false"><rect class="price-high" width="16" height="16" /></svg>a dearer price holds</li>}
            {hours.rows.some((h) => unread(h) > 0) && <li><svg width="16" height="16" aria-hidden="true" focusable="false"><rect class="hour-lost" y="8" width="16" height="8" /></svg>not observed: as wide as its part of the hour</li>}
            {answer.bills.length > 0 && <li><svg width="16" height="16" aria-hidden="true" focusable="false"><line class="peak-line" x1="8" x2="8" y1="0" y2="16" /></svg>here the demand charge was set</li>}
          </ul>
          <Dearest {...props} counted={counted} />
          <Known title={title} facts={{ method: hours.method, note: hours.gaps_kwh > 0 ? 'what a counter went on counting over gaps belongs to no hour and is left out here' : undefined }}
            look={stretchHref(site, answer, Date.parse(answer.from), Date.parse(answer.to))} />
          <Twin title="Every hour" columns={[{ title: 'Hour' }, { title: 'Energy, kWh', number: true }, ...(counted.isMoney ? [{ title: `Cost, ${counted.unit}`, number: true }, { title: 'Price' }] : []), { title: 'Observed', number: true }]}
            rows={() => hours.rows.map((h, i) => ({
              key: h.from,
              cells: [<HourName from={h.from} to={h.to} timeZone={site.timezone} />, <Num value={h.energy_kwh} at={`/hours/rows/${i}/energy_kwh`}>{fixed(h.energy_kwh, 2)}</Num>,
                ...(counted.isMoney ? [<Num value={h.cost ?? 0} at={`/hours/rows/${i}/cost`}>{fixed(h.cost ?? 0, 2)}</Num>, <span data-words>{priceName(answer, h.price)}</span>] : []),
                <Num value={h.observed_s} at={`/hours/rows/${i}/observed_s`} unit="min">{fixed(h.observed_s / 60, 0)}</Num>],
            }))} />
        </>
      )}
    </section>
  );
}

/** The part of an hour that nobody observed: a low bar with it is no cheap hour. Below a hundredth it is the edge of a reading. */
function unread(h: MoneyHour): number {
  const part = 1 - (h.observed_s * 1000) / (Date.parse(h.to) - Date.parse(h.from));
  return part < 0.01 ? 0 : part;
}

const priceName = (answer: PartProps['answer'], price: number | undefined) => (price === undefined ? '–' : answer.prices[price]?.name ?? 'several');

function HourName({ from, to, timeZone }: { from: string; to: string; timeZone: string }) {
  const a = Date.parse(from);
  return <><time dateTime={from}>{`${dayWords(a, timeZone)}, ${clockMinute(a, timeZone)}`}</time> to <time dateTime={to}>{clockMinute(Date.parse(to), timeZone)}</time></>;
}

/** How few hours carried half. */
function HalfOf({ answer, counted }: PartProps & { counted: Counted }) {
  const { hours } = answer;
  if (hours.half_hours === 0) return <p class="said">Nothing was used in these days.</p>;
  return (
    <p class="said">
      Half of the {counted.isMoney ? 'energy’s cost' : 'energy'} fell in <Num value={hours.half_hours} at="/hours/half_hours">{hours.half_hours}</Num> {hours.half_hours === 1 ? 'hour' : 'hours'},{' '}
      <Num value={hours.half_share} at="/hours/half_share">{fixed(hours.half_share * 100, 0)}</Num>{nb}% of these days.
    </p>
  );
}

function summary({ answer, site }: PartProps, counted: Counted): string {
  const days = answer.hours.days.map((d) => `${dayWords(Date.parse(d.from), site.timezone)} ${amount(valueOf(d, counted).value, counted.isMoney)} ${counted.unit}`);
  const peak = answer.bills[0];
  return `Bars of every hour, a row for each day: ${days.join(', ')}.${peak ? ` The demand charge was set on ${dayWords(Date.parse(peak.peak_from), site.timezone)} at ${clockMinute(Date.parse(peak.peak_from), site.timezone)}.` : ''} The dearest hours are listed below, and the table has every one.`;
}

function Rows({ answer, site, rows, counted, width }: PartProps & { rows: DayRow[]; counted: Counted; width: number }) {
  const most = Math.max(1e-9, ...answer.hours.rows.map((h) => valueOf(h, counted).value));
  const narrow = width < 640;
  const left = narrow ? 0 : 128;
  const right = narrow ? 0 : 104;
  const wide = Math.max(120, width - left - right);
  return (
    <>
      {rows.map((r) => <DayBars key={r.date} {...{ answer, site, row: r, counted, most, wide, narrow }} />)}
      <svg class="money-svg money-clock" width={wide} height="20" style={{ marginLeft: `${left}px` }} aria-hidden="true" focusable="false">
        {[0, 6, 12, 18, 24].map((h) => <text key={h} class="tick" x={(h / 24) * wide} y="14" text-anchor={h === 0 ? 'start' : h === 24 ? 'end' : 'middle'}>{`${String(h).padStart(2, '0')}:00`}</text>)}
      </svg>
    </>
  );
}

function DayBars({ answer, site, row, counted, most, wide, narrow }: { answer: PartProps['answer']; site: PartProps['site']; row: DayRow; counted: Counted; most: number; wide: number; narrow: boolean }) {
  const tz = site.timezone;
  const day = answer.hours.days[row.index];
  const sum = day && valueOf(day, counted);
  const dear = new Set(answer.hours.dearest);
  const cheapest = Math.min(...answer.prices.map((p) => p.per_kwh));
  const x = (ms: number) => (clockHour(ms, tz) / 24) * wide;
  const one = wide / 24;
  const peaks = answer.bills.map((b) => Date.parse(b.peak_from)).filter((t) => t >= row.from && t < row.to);
  const high = rowHeight - foot;
  return (
    <div class={narrow ? 'money-day narrow' : 'money-day'}>
      <p class="money-date"><time dateTime={row.date}>{dayWords(row.from, tz)}</time></p>
      <svg class="money-svg" width={wide} height={rowHeight} aria-hidden="true" focusable="false">
        {row.hours.map(({ hour, from }) => (hour.price !== undefined && (answer.prices[hour.price]?.per_kwh ?? 0) > cheapest ? <rect key={`p${from}`} class="price-high" x={x(from)} y="2" width={one + 0.5} height={rowHeight - 2} /> : null))}
        {row.hours.map(({ index, hour, from }) => {
          const h = Math.max(0, (valueOf(hour, counted).value / most) * high);
          const at = x(from);
          const missing = unread(hour);
          const mark = missing > 0 ? 8 : 0;
          return (
            <g key={index}>
              {h > 0.3 && <rect class="hour-bar" x={at + one * 0.1} y={rowHeight - h} width={one * 0.8} height={h} />}
              {missing > 0 && <rect class="hour-lost" x={at + (one * (1 - missing)) / 2} y={rowHeight - h - 8} width={one * missing} height="8" />}
              {dear.has(index) && <path class="dear-mark" d={`M${at + one / 2 - 4} ${rowHeight - h - mark - 9}h8l-4 6z`} />}
            </g>
          );
        })}
        {peaks.map((t) => {
          const at = x(t) + one / 8;
          return <g key={t}><line class="peak-halo" x1={at} x2={at} y1="0" y2={rowHeight} /><line class="peak-line" x1={at} x2={at} y1="0" y2={rowHeight} /></g>;
        })}
        <line class="base" x1="0" x2={wide} y1={rowHeight - 0.75} y2={rowHeight - 0.75} />
      </svg>
      {sum && <p class="money-sum"><Num value={sum.value} at={`/hours/days/${row.index}/${sum.key}`}>{amount(sum.value, counted.isMoney)}</Num> <span class="unit">{counted.unit}</span></p>}
    </div>
  );
}

/** The dearest hours, each with its way to Trace. */
function Dearest({ answer, site, counted }: PartProps & { counted: Counted }) {
  if (answer.hours.dearest.length === 0) return null;
  return (
    <>
      <h3 class="money-sub">The {counted.isMoney ? 'dearest' : 'greatest'} of them</h3>
      <ol class="dearest">
        {answer.hours.dearest.map((i) => {
          const h = answer.hours.rows[i];
          if (!h) return null;
          const v = valueOf(h, counted);
          return (
            <li key={i}>
              <a href={stretchHref(site, answer, Date.parse(h.from), Date.parse(h.to))}><HourName from={h.from} to={h.to} timeZone={site.timezone} /><span class="visually-hidden">: look at the readings</span></a>
              <span class="dear-value"><Num value={v.value} at={`/hours/rows/${i}/${v.key}`}>{amount(v.value, counted.isMoney)}</Num> {counted.unit}{counted.isMoney && <>, <Num value={h.energy_kwh} at={`/hours/rows/${i}/energy_kwh`}>{fixed(h.energy_kwh, 1)}</Num> kWh</>}</span>
            </li>
          );
        })}
      </ol>
    </>
  );
}
