// A little made-up plant for working on the page without the agent: an hour of
// history at one second, then on in real time. Only shapes and rough behaviour
// matter here; the real physics is the simulator's.

const psi = 6894.757293168361;
const cutIn = 100;
const cutOut = 114;

let seed = 7;
const random = () => {
  seed = (seed * 1103515245 + 12345) % 2147483648;
  return seed / 2147483648 - 0.5;
};

/** One simulated second; returns what the channels would read. */
export class Plant {
  pressure = 103;
  sump = 103;
  state = 'unloaded';
  since = 0;
  starts = [];
  kwh = 41200;

  step(tMs) {
    const minute = (tMs / 60000 + Number(process.env.MOCK_PHASE ?? 0)) % 60;
    const demand = minute > 22 && minute < 38 ? 0.012 : 0.125 + 0.06 * Math.sin(minute / 3) + (minute % 7 < 2 ? 0.08 : 0);
    const loaded = this.state === 'loaded';
    this.pressure += (loaded ? 0.21 : 0) - demand + 0.02 * random();
    const target = loaded ? this.pressure + 4.5 : this.state === 'unloaded' ? 32 : 0;
    this.sump += (target - this.sump) * (loaded ? 0.6 : 0.07);
    const go = (state) => {
      this.state = state;
      this.since = tMs;
    };
    const running = tMs - this.since;
    if (loaded && this.pressure >= cutOut) go('unloaded');
    else if (this.state === 'unloaded' && this.pressure <= cutIn) go('loaded');
    else if (this.state === 'unloaded' && running > 300_000) go('standby');
    else if (this.state === 'standby' && this.pressure <= cutIn) {
      go('starting');
      this.starts.push(tMs);
    } else if (this.state === 'starting' && running > 6_000) go('loaded');
    const kw = { loaded: 38.2, unloaded: 9 + 9 * (this.sump / 110), starting: 21, standby: 0.2 }[this.state];
    this.kwh += kw / 3600;
    return {
      'controller.discharge_pressure': this.pressure + 0.2 * random(),
      'controller.sump_pressure': Math.max(0, this.sump + 0.3 * random()),
      'controller.discharge_temperature': 178 + (loaded ? 9 : 0) + random(),
      'controller.ambient_temperature': 71 + random() * 0.3,
      'controller.loaded': loaded ? 1 : 0,
      'controller.motor_running': this.state === 'standby' ? 0 : 1,
      'meter.power': kw * (1 + 0.02 * random()),
      'meter.energy': this.kwh,
      'inputs.receiver_pressure': this.pressure - (loaded ? 2.1 : 0.4) + 0.15 * random(),
    };
  }
}

const channel = (id, role, unit, quantity, si_scale, si_offset = 0, bit = false) => {
  const [device, name] = id.split('.');
  return { id, device, name, role, unit, quantity, si_scale, si_offset, absolute: false, period_ms: 1000, bit };
};
const f = 5 / 9;

export const site = {
  name: 'Harrow Lane Joinery', timezone: 'America/Chicago', units: 'us', barometer_pa: 98800,
  site_hash: '0'.repeat(64), version: 'mock', currency: 'USD', shifts: ['Mon-Fri 07:00-16:00'],
  lines: [{ name: 'bus', kind: 'modbus-tcp', where: '192.0.2.7:502' }, { name: 'meters', kind: 'modbus-rtu', where: 'COM3' }],
  devices: [
    { name: 'controller', line: 'bus', unit_id: 1, map: 'invented controller' },
    { name: 'inputs', line: 'bus', unit_id: 3, map: 'invented inputs' },
    { name: 'meter', line: 'meters', unit_id: 2, map: 'invented meter' },
  ],
  channels: [
    channel('controller.discharge_pressure', 'discharge_pressure', 'psi', 'pressure', psi),
    channel('controller.sump_pressure', 'sump_pressure', 'psi', 'pressure', psi),
    channel('controller.discharge_temperature', 'discharge_temperature', '°F', 'temperature', f, 459.67 * f),
    channel('controller.ambient_temperature', 'ambient_temperature', '°F', 'temperature', f, 459.67 * f),
    channel('controller.loaded', 'loaded', '1', 'plain', 1, 0, true),
    channel('controller.motor_running', 'motor_running', '1', 'plain', 1, 0, true),
    channel('meter.power', 'power', 'kW', 'power', 1000),
    channel('meter.energy', 'energy', 'kWh', 'energy', 3.6e6),
    channel('inputs.receiver_pressure', 'receiver_pressure', 'psi', 'pressure', psi),
  ],
  machines: [{
    name: 'comp1', control: 'load/unload', rated_flow_m3s: 0.0873, rated_pressure_pa: 125 * psi, rated_power_w: 37000,
    cut_in_pa: cutIn * psi, cut_out_pa: cutOut * psi, no_load_stop_s: 300, motor_starts_per_hour: 6,
    channels: {
      discharge_pressure: 'controller.discharge_pressure', sump_pressure: 'controller.sump_pressure',
      discharge_temperature: 'controller.discharge_temperature', ambient_temperature: 'controller.ambient_temperature',
      loaded: 'controller.loaded', motor_running: 'controller.motor_running', power: 'meter.power', energy: 'meter.energy',
    },
  }],
  systems: [{
    name: 'main', machines: ['comp1'], minimum_pressure_pa: 90 * psi, pressure: 'inputs.receiver_pressure',
    parts: [
      { name: 'dryer', kind: 'dryer' },
      { name: 'receiver', kind: 'receiver', volume_m3: 0.908 },
      { name: 'mains', kind: 'piping', volume_m3: 0.13 },
    ],
    taps: [{ at: 'receiver', pressure: 'inputs.receiver_pressure' }],
  }],
};

const figure = (name, value, unit, uncertainty, more) => ({ name, value, unit, uncertainty, level: 0.95, coverage: 0.9987, ...more });

/** The same machine several times over, with names of their own, for the look of such a site. */
export function several(n) {
  const one = site.machines[0];
  for (let i = 2; i <= n; i++) {
    site.machines.push({ ...one, name: `comp${i}`, cut_in_pa: (cutIn - 2 * i) * psi, cut_out_pa: (cutOut - 2 * i) * psi });
    site.systems[0].machines.push(`comp${i}`);
  }
}

export function figures(startsLastHour) {
  return [
    figure('duty_cycle', 0.6134, '1', 0.0031, { method: 'loaded time over running time, from the loaded and running bits', denominator: 'running time, 5 h 12 min', inputs: ['controller.loaded', 'controller.motor_running'] }),
    figure('starts_per_hour_mean', 0.83, '1/h', undefined, { method: 'starts counted, over observed time', denominator: 'observed time, 7 h 2 min', inputs: ['controller.motor_running'] }),
    figure('starts_per_hour_max', Math.max(2, startsLastHour), '1/h', undefined, { at_least: true, method: 'most starts in any rolling 60 minutes', inputs: ['controller.motor_running'] }),
    process.env.MOCK_ABSENT
      ? { name: 'specific_power', absent: 'no flow meter, no pump-up test and no rated flow' }
      : figure('specific_power', 8.42, 'kW/(m³/min)', 0.61, { method: 'energy over air delivered, all running time', denominator: 'air delivered', inputs: ['meter.energy', 'rated flow (assumed)'],
          budget: [{ input: 'rated flow of comp1 (assumed)', share: 0.97 }, { input: 'delivery delay of comp1 (assumed)', share: 0.03 }],
          narrower: { sentence: 'rests on the flow on the nameplate, ±10 % (comp1); four minutes’ pump-up with the plant valve shut makes it ±4 %', uncertainty: 0.27 } }),
  ];
}
