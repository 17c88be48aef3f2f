// The questions, in the order in which a plant is walked through.
import type { NewSite } from '../api';
import { add, draft, emptyDevice, emptyLine, emptyMachine, emptyPart, emptyPrice, emptyService, emptyTap, put, remove, rename, textAt, unclaimed } from './draft';
import { Area, checked, Choice, GroupRemarks, Text, Tick } from './field';
import { Maps } from './maps';

const us = () => draft.value.site.units === 'us';
const eg = (american: string, metric: string) => (us() ? american : metric);

/** A button that takes one of a list away. */
function Away({ at, index, what }: { at: string; index: number; what: string }) {
  return <button type="button" class="plain" onClick={() => remove(at, index)}>Take {what} away</button>;
}

export function SitePart() {
  const zones = typeof Intl.supportedValuesOf === 'function' ? Intl.supportedValuesOf('timeZone') : [];
  return (
    <section aria-labelledby="part-site">
      <h2 id="part-site">The site</h2>
      <div class="asks">
        <Text at="site.name" label="Name of the works" hint="It heads every page and report." without="the file’s name stands there." />
        <Text at="site.timezone" label="Time zone" suggest={zones.map((value) => ({ value }))} hint="As in America/Chicago." without="times and shifts are in UTC." />
        <Choice at="site.units" label="Units on pages and in reports" options={[{ value: 'us', label: 'US: psi, cfm, °F' }, { value: 'si', label: 'SI: bar, m³/min, °C' }]} hint="For show only; everybody can change them on a page." />
        <Text at="site.altitude" label="Height above the sea" hint={`As in ${eg('“690 ft”', '“210 m”')}; a map has it.`} without="the air is taken as that at sea level: at 1000 m flows are then some 11 % out." />
        <Text at="site.barometer" label="Or the air pressure there" hint="Read on the spot, not corrected to sea level: “98.8 kPa”. One of the two." />
        <Area at="site.shifts" label="When people work" hint="One shift on each line: “Mon-Fri 07:00-16:00”." without="nothing can be told of nights and weekends, and quiet hours must be found by themselves." />
        <Area at="site.holidays" label="Days off" hint="A day on each line: “2026-12-25”." without="those days count as working days." />
        <Text at="site.weeks_per_year" label="Weeks at work in a year" hint="For costs of a year." without="52." />
      </div>
      <GroupRemarks at="site" />
    </section>
  );
}

const kinds = [
  { value: 'modbus-rtu', label: 'Modbus RTU on a serial port (RS-485, RS-232)' },
  { value: 'modbus-ascii', label: 'Modbus ASCII on a serial port' },
  { value: 'modbus-tcp', label: 'Modbus TCP over the network' },
  { value: 'modbus-rtu-over-tcp', label: 'Modbus RTU through a serial device server' },
  { value: 'text', label: 'Plain text: a controller that prints or answers in lines' },
  { value: 'file', label: 'None: a logger whose files are imported' },
];

function pickKind(i: number, kind: string): void {
  put(`line.${i}.kind`, kind);
  if (kind.includes('tcp') || kind === 'file') { put(`line.${i}.port`, ''); put(`line.${i}.serial`, ''); }
  if (!kind.includes('tcp')) put(`line.${i}.address`, '');
  if (kind !== 'modbus-rtu') put(`line.${i}.listen`, false);
}

export function LinePart({ info }: { info: NewSite }) {
  const ports = info.ports.map((p) => ({ value: p.stable ?? p.name, label: [p.name, p.known].filter(Boolean).join(': ') }));
  return (
    <section aria-labelledby="part-line">
      <h2 id="part-line">How the instruments are reached</h2>
      <p class="aside">A line is one serial port or one network address. All devices on one cable are on one line.{info.ports_error && ` The serial ports of this computer could not be listed: ${info.ports_error}.`}{!info.ports_error && info.ports.length === 0 && ' This computer shows no serial port: plug the adapter in and reload, or type its name.'}</p>
      {draft.value.line.map((l, i) => {
        const tcp = l.kind.includes('tcp');
        return (
          <fieldset key={i}>
            <legend>Line {l.name || i + 1}</legend>
            <div class="asks">
              <Text at={`line.${i}.name`} label="Name of the line" onText={(t) => rename('line', i, t)} />
              <Choice at={`line.${i}.kind`} label="How it speaks" options={kinds} onPick={(k) => pickKind(i, k)} hint="The controller’s manual says it, under communication." />
              {!tcp && l.kind !== 'file' && <Text at={`line.${i}.port`} label="Serial port" suggest={ports} hint={ports.length > 0 ? 'Pick one that this computer has; a name that stays when the adapter is plugged in anew is offered first.' : 'As in “COM3” or “/dev/ttyUSB0”.'} />}
              {!tcp && l.kind !== 'file' && <Text at={`line.${i}.serial`} label="Baud rate and frame" hint="Set in the controller’s menu: “19200 8E1”. The command “loadscribe probe” finds it by listening." without={l.kind === 'text' ? '9600 8N1.' : '19200 8E1, the default of the Modbus guide.'} />}
              {(tcp || l.kind === 'text') && <Text at={`line.${i}.address`} label="Network address" hint="Host and port, as in “192.0.2.7:502”." />}
              {l.kind === 'modbus-rtu' && <Tick name={`line.${i}.listen`} label="Another master asks on this cable already: only listen" on={l.listen} set={(on) => put(`line.${i}.listen`, on)} hint="Two masters on one cable disturb each other. If a display, a sequencer or a control system is wired to it, tick this." />}
            </div>
            <GroupRemarks at={`line.${i}`} />
            {draft.value.line.length > 1 && <Away at="line" index={i} what={`line ${l.name}`} />}
          </fieldset>
        );
      })}
      <GroupRemarks at="line" />
      <button type="button" onClick={() => add('line', { ...emptyLine, name: `line${draft.value.line.length + 1}` })}>Another line</button>
    </section>
  );
}

const accuracies = ['pressure', 'power', 'energy', 'flow', 'temperature', 'current'];

export function DevicePart({ info }: { info: NewSite }) {
  const maps = [
    ...draft.value.maps.filter((m) => m.name).map((m) => ({ value: `maps/${m.name}.toml`, label: `${m.name}.toml, brought here` })),
    ...info.maps.map((m) => ({ value: m.file, label: `${m.title || m.file}${m.example ? ', example' : ''}` })),
  ];
  const free = unclaimed(draft.value);
  return (
    <section aria-labelledby="part-device">
      <h2 id="part-device">Controllers and meters</h2>
      <p class="aside">A register map says where a device keeps each value: its maker’s manual has a table of them. The examples that come with loadscribe are of invented devices, for a try with “loadscribe simulate”.</p>
      <Maps />
      {draft.value.device.map((d, i) => {
        const seen = checked.value?.devices[i];
        const measures = new Set(seen?.channels.map((c) => c.measures) ?? []);
        const plain = draft.value.line.find((l) => l.name === d.line)?.kind;
        return (
          <fieldset key={i}>
            <legend>Device {d.name || i + 1}</legend>
            <div class="asks">
              <Text at={`device.${i}.name`} label="Name of the device" hint="Letters, digits, _ and -: it begins the names of its readings." onText={(t) => rename('device', i, t)} />
              <Choice at={`device.${i}.line`} label="On which line" options={draft.value.line.map((l) => ({ value: l.name, label: l.name || '(no name yet)' }))} />
              {plain !== 'text' && plain !== 'file' && <Text at={`device.${i}.unit`} label="Unit id" hint="Its number on the line, 1 to 247, set in its menu or by switches." without="1." />}
              <Choice at={`device.${i}.map`} label="Register map" options={maps} hint={seen?.title ? `${seen.channels.length} values, ${seen.channels.filter((c) => c.role).length} of them with a meaning for the figures.` : 'None that fits? Bring one above.'} />
              <Text at={`device.${i}.every`} label="How often it is read" hint="As in “1s”." without="each second." />
            </div>
            <GroupRemarks at={`device.${i}`} />
            {free.includes(d.name) && <p class="of-nobody"><b>In no figure yet:</b> tick below, under its compressor, that these readings are that compressor’s, or name them at a measured place. Otherwise they are kept and plotted only.</p>}
            <details>
              <summary>Its plate and certificate: {d.name}</summary>
              <p class="aside">An audit names its instruments. Left out: figures are still computed, with a wider uncertainty where the accuracy is not known, and the report says that it was not stated.</p>
              <div class="asks">
                <Text at={`device.${i}.instrument.serial`} label="Serial number" />
                <Text at={`device.${i}.instrument.certificate`} label="Number of the calibration certificate" />
                <Text at={`device.${i}.instrument.calibrated`} label="Calibrated on" type="date" />
                <Text at={`device.${i}.instrument.calibration_months`} label="Holds for so many months" without="its end is not noticed." />
                {accuracies.filter((a) => measures.size === 0 || measures.has(a)).map((a) => (
                  <Text key={a} at={`device.${i}.instrument.accuracy.${a}`} label={`Accuracy of its ${a}`} hint="From the data sheet: “1 % of reading”, “0.5 % of span”." />
                ))}
                {(measures.has('power') || measures.has('current')) && <Text at={`device.${i}.instrument.current_transformer.fitted`} label="Current transformers’ ratio, on their plate" hint="“200/5”. A wrong ratio is the commonest mistake of a power meter." />}
                {(measures.has('power') || measures.has('current')) && <Text at={`device.${i}.instrument.current_transformer.meter`} label="The ratio that the meter is set to" />}
                {measures.has('flow') && <Choice at={`device.${i}.instrument.flow_meter`} label="Kind of flow meter" options={['', 'thermal mass', 'differential pressure', 'vortex', 'turbine', 'ultrasonic', 'positive displacement'].map((v) => ({ value: v, label: v || 'not said' }))} />}
              </div>
              <GroupRemarks at={`device.${i}.instrument`} />
            </details>
            {draft.value.device.length > 1 && <Away at="device" index={i} what={`device ${d.name}`} />}
          </fieldset>
        );
      })}
      <GroupRemarks at="device" />
      <button type="button" onClick={() => add('device', { ...emptyDevice, name: `meter${draft.value.device.length > 1 ? draft.value.device.length : ''}`, line: draft.value.line[0]?.name ?? '' })}>Another device</button>
    </section>
  );
}

const controls = ['load/unload', 'modulate then unload', 'modulating', 'variable displacement', 'variable speed', 'start/stop'];

export function MachinePart() {
  return (
    <section aria-labelledby="part-machine">
      <h2 id="part-machine">The compressors</h2>
      <p class="aside">Most answers stand on the nameplate and in the controller’s menu of settings. loadscribe only reads: it sets nothing there.</p>
      {draft.value.machine.map((m, i) => <MachineAsks key={i} i={i} name={m.name} channels={m.channels} service={m.service.length} motor={m.control} />)}
      <GroupRemarks at="machine" />
      <button type="button" onClick={() => add('machine', { ...emptyMachine, name: `comp${draft.value.machine.length + 1}` })}>Another compressor</button>
    </section>
  );
}

function MachineAsks({ i, name, channels, service }: { i: number; name: string; channels: Record<string, string>; service: number; motor: string }) {
  const at = `machine.${i}`;
  const roles = checked.value?.machines.find((m) => m.machine === name)?.roles;
  return (
    <fieldset>
      <legend>Compressor {name || i + 1}</legend>
      <div class="asks">
        <Text at={`${at}.name`} label="Name of the compressor" onText={(t) => rename('machine', i, t)} />
        <Choice at={`${at}.control`} label="How it follows the demand" options={controls.map((v) => ({ value: v, label: v }))} />
        <Text at={`${at}.rated_flow`} label="Rated flow" hint={`Free air delivered: ${eg('“185 cfm”', '“5.2 m³/min”')}.`} without="no flow, demand or specific power unless a meter measures it." />
        <Text at={`${at}.rated_pressure`} label="Rated pressure" hint={eg('“125 psi”', '“8.5 bar”')} without="the specific power cannot be set beside the data sheet’s." />
        <Text at={`${at}.rated_power`} label="Package power at rated flow" hint="What the whole machine takes, not the motor’s plate: “37 kW”." without="without a power meter no energy can be told." />
        <Text at={`${at}.cut_in`} label="Loads at" hint={eg('“105 psi”', '“7.2 bar”')} without="the band is taken as seen." />
        <Text at={`${at}.cut_out`} label="Unloads at" hint={eg('“120 psi”', '“8.2 bar”')} />
        <Text at={`${at}.no_load_stop`} label="Runs on without load for" hint="“5 min”: its idle timer." without="replay takes it as seen, which is less sure." />
        <Text at={`${at}.least_between_starts`} label="Least time from start to start" hint="“6 min”: the controller’s guard of the motor." />
        <Text at={`${at}.trip_temperature`} label="Trips at a discharge temperature of" hint={eg('“230 °F”', '“110 °C”')} without="the margin to the trip is not told." />
      </div>
      <GroupRemarks at={at} />
      <div class="asks">
        {draft.value.device.map((d) => (
          <div key={d.name} class="of-device">
            <Tick name={`${at}.channels.${d.name}`} label={`Readings of ${d.name} are this compressor’s`} on={channels[d.name] !== undefined} set={(on) => put(`${at}.channels.${d.name}`, on ? '*' : undefined)} />
            {channels[d.name] !== undefined && <Text at={`${at}.channels.${d.name}`} label={`Which of ${d.name}`} hint="* is all that have a meaning; else names with commas between: “power, energy”." />}
          </div>
        ))}
      </div>
      <GroupRemarks at={`${at}.channels`} />
      {roles && (
        <details>
          <summary>What is read for {name}: {roles.length} meanings filled</summary>
          <dl class="roles">{roles.map((r) => <div key={r.role}><dt>{r.role.replaceAll('_', ' ')}</dt><dd>{r.channel}</dd></div>)}</dl>
        </details>
      )}
      <details>
        <summary>Motor and service of {name}</summary>
        <div class="asks">
          <Text at={`${at}.motor.power`} label="Motor power" hint={eg('“50 hp”', '“37 kW”')} />
          <Text at={`${at}.motor.poles`} label="Poles" />
          <Text at={`${at}.motor.volts`} label="Volts" hint="“460 V”" />
          <Choice at={`${at}.motor.starting`} label="How it is started" options={['', 'direct', 'wye-delta', 'soft starter', 'drive'].map((v) => ({ value: v, label: v || 'not said' }))} />
          <Text at={`${at}.motor.starts_per_hour`} label="Most starts in an hour" without="too many starts are not warned of." />
        </div>
        <GroupRemarks at={`${at}.motor`} />
        {Array.from({ length: service }, (_, k) => (
          <div key={k} class="asks row">
            <Text at={`${at}.service.${k}.item`} label="Service item" hint="“oil”" />
            <Text at={`${at}.service.${k}.hours`} label="Due after running hours" />
            <Text at={`${at}.service.${k}.months`} label="Or after months" />
            <Away at={`${at}.service`} index={k} what={textAt(`${at}.service.${k}.item`) || 'this item'} />
            <GroupRemarks at={`${at}.service.${k}`} />
          </div>
        ))}
        <button type="button" onClick={() => add(`${at}.service`, emptyService)}>A service item</button>
      </details>
      {draft.value.machine.length > 1 && <Away at="machine" index={i} what={`compressor ${name}`} />}
    </fieldset>
  );
}

const partKinds = ['receiver', 'dryer', 'filter', 'piping'].map((v) => ({ value: v, label: v }));

export function SystemPart() {
  const tapped = (measures: string) => [{ value: '', label: 'not measured' }, ...(checked.value?.devices ?? []).flatMap((d) => d.channels
    .filter((c) => c.measures === measures).map((c) => ({ value: `${d.device}.${c.name}`, label: `${d.device}.${c.name}` })))];
  return (
    <section aria-labelledby="part-system">
      <h2 id="part-system">The way of the air</h2>
      {draft.value.system.map((s, i) => (
        <fieldset key={i}>
          <legend>System {s.name || i + 1}</legend>
          <div class="asks">
            <Text at={`system.${i}.name`} label="Name of the system" />
            <Text at={`system.${i}.minimum_pressure`} label="Least pressure that the plant needs" hint={`At the worst user, as people there say: ${eg('“90 psi”', '“6.2 bar”')}.`} without="nothing tells how far the pressure could come down." />
          </div>
          <div class="ticks" role="group" aria-label="Compressors of this system">
            {draft.value.machine.map((m) => (
              <Tick key={m.name} name={`system.${i}.machines.${m.name}`} label={`${m.name} feeds it`} on={s.machines.includes(m.name)}
                set={(on) => put(`system.${i}.machines`, on ? [...s.machines, m.name] : s.machines.filter((x) => x !== m.name))} />
            ))}
          </div>
          <p class="aside">Receivers, dryers, filters and large pipes, in the order the air takes. Left out volumes: storage, the leak test by pressure and replay are less sure or absent.</p>
          {s.parts.map((p, k) => (
            <div key={k} class="asks row">
              <Text at={`system.${i}.parts.${k}.name`} label="Part" />
              <Choice at={`system.${i}.parts.${k}.kind`} label="Kind" options={partKinds} onPick={(v) => { put(`system.${i}.parts.${k}.kind`, v); if (v !== 'dryer') put(`system.${i}.parts.${k}.purge`, ''); }} />
              <Text at={`system.${i}.parts.${k}.volume`} label="Volume" hint={`On its plate: ${eg('“240 gal”', '“900 l”')}.`} />
              {p.kind === 'dryer' && <Text at={`system.${i}.parts.${k}.purge`} label="Purge air" hint="Share of the rated flow: “15 %”; a refrigerated dryer has none." />}
              <Away at={`system.${i}.parts`} index={k} what={p.name || 'this part'} />
              <GroupRemarks at={`system.${i}.parts.${k}`} />
            </div>
          ))}
          <button type="button" onClick={() => add(`system.${i}.parts`, emptyPart)}>Another part</button>
          <p class="aside">Where pressure or flow is measured behind a part.</p>
          {s.taps.map((t, k) => (
            <div key={k} class="asks row">
              <Choice at={`system.${i}.taps.${k}.at`} label="Behind which part" options={s.parts.map((p) => ({ value: p.name, label: p.name }))} />
              <Choice at={`system.${i}.taps.${k}.pressure`} label="Its pressure" options={tapped('pressure')} />
              <Choice at={`system.${i}.taps.${k}.flow`} label="Its flow" options={tapped('flow')} />
              <Away at={`system.${i}.taps`} index={k} what={`the place at ${t.at || 'no part'}`} />
              <GroupRemarks at={`system.${i}.taps.${k}`} />
            </div>
          ))}
          <button type="button" onClick={() => add(`system.${i}.taps`, emptyTap)}>A place that is measured</button>
          <GroupRemarks at={`system.${i}`} />
        </fieldset>
      ))}
    </section>
  );
}

export function TariffPart() {
  return (
    <section aria-labelledby="part-tariff">
      <h2 id="part-tariff">What energy costs</h2>
      <p class="aside">Left out: energy is told, money is not. The bill has all of it.</p>
      <div class="asks">
        <Text at="tariff.currency" label="Currency" hint="“USD”, “EUR”" />
        <Text at="tariff.demand.price" label="Charge for the peak, per kW and month" without="no demand charge." />
        <Text at="tariff.demand.window" label="Over so many minutes" hint="“15m”" without="15 minutes." />
        <Text at="tariff.emissions" label="Emissions" hint="“0.39 kg/kWh”" />
      </div>
      {draft.value.tariff.energy.map((p, k) => (
        <div key={k} class="asks row">
          <Text at={`tariff.energy.${k}.price`} label="Price per kWh" hint="A plain number: 0.118." />
          <Text at={`tariff.energy.${k}.when`} label="When it holds" hint="“Mon-Fri 12:00-18:00”" without="always." />
          {draft.value.tariff.energy.length > 1 && <Away at="tariff.energy" index={k} what={`the price ${p.price}`} />}
          <GroupRemarks at={`tariff.energy.${k}`} />
        </div>
      ))}
      <button type="button" onClick={() => add('tariff.energy', emptyPrice)}>Another price</button>
      <GroupRemarks at="tariff" />
    </section>
  );
}

export function ReportPart() {
  return (
    <section aria-labelledby="part-report">
      <h2 id="part-report">For whom the report is</h2>
      <div class="asks">
        <Text at="report.prepared_for" label="Prepared for" />
        <Text at="report.prepared_by" label="Prepared by" />
        <Text at="report.place" label="Where the compressors stand" />
        <Area one at="report.goals" label="What is to be found out" />
        <Area one at="report.scope" label="What was looked at, and what was not" />
      </div>
      <GroupRemarks at="report" />
    </section>
  );
}
