// Made by scripts/types.mjs from dashboard/openapi.json. Change that document, not this file.

/** What stands, what is watched and how messages go. */
export type Alarms = {
  /** What has not returned first, then by priority, the newest first. */
  standing: StandingAlarm[];
  /** In the site file's order. */
  rules: AlarmRule[];
  targets: AlarmTarget[];
  /** Said wherever alarms are set or listed. */
  caution: string;
};

/** An alarm that has not both returned and been acknowledged; one of low priority stands until it has returned. */
export type StandingAlarm = {
  id: string;
  rule: string;
  /** The kind. */
  on: string;
  /** A machine, system or device; disk. */
  subject: string;
  priority: "high" | "medium" | "low";
  /** What is wrong, a sentence without the rule's name. */
  text: string;
  /** When its delay was over: the time of the reading that completed it. */
  raised: string | null;
  /** When it began. */
  since: string | null;
  /** It may have been so before, unseen. */
  since_at_least: boolean;
  /** Null: it has not. */
  returned: string | null;
  acknowledged: AlarmAckSaid | null;
  /** When it was raised; null: the kind has none. */
  value: number | null;
  limit: number | null;
  /** Of value and limit: °C, kPa (gauge), 1/h, %, or the channel's; empty where there are none. */
  unit: string;
  /** It was handed on to the targets of its rule. */
  told: boolean;
  /** How often it was raised within the hour, this time included. */
  times: number;
  /** Null: it is not shelved. */
  shelved_until: string | null;
};

/** Who took note of an alarm. */
export type AlarmAckSaid = {
  at: string | null;
  who: string;
  why: string;
};

/** One rule of the site file. */
export type AlarmRule = {
  rule: string;
  on: string;
  subjects: string[];
  /** When it is raised and when it returns, one sentence. */
  text: string;
  priority: "high" | "medium" | "low";
  /** Names of targets; empty: the page alone. */
  tell: string[];
  /** waiting: a delay runs; blind: it sees nothing, and neither raises nor returns; new: the recording has just begun, and it was not looked at yet. */
  state: "quiet" | "raised" | "waiting" | "blind" | "new";
  /** What it does not see; empty: it sees all. */
  why: string;
  shelved: AlarmShelf[];
  /** Since when it is raised or waits. */
  since: string | null;
};

/** A rule, or one subject of it, that is not told for a time. */
export type AlarmShelf = {
  /** Empty: all of the rule. */
  subject: string;
  until: string | null;
  who: string;
  why: string;
};

/** Where messages go, and how that stands. */
export type AlarmTarget = {
  name: string;
  kind: "mail" | "webhook";
  to: string;
  /** Messages that are not delivered yet. */
  waiting: number;
  last_sent: string | null;
  /** Null: it does not fail. */
  failing_since: string | null;
  /** Why it fails; empty: it does not. */
  why: string;
  /** Messages that were never delivered. */
  given_up: number;
};

/** A person has taken note of an alarm. */
export type AlarmAck = {
  id: string;
  who: string;
  why?: string;
};

/** A rule, or one subject of it, is not to be told for a time. */
export type AlarmShelve = {
  rule: string;
  /** Left out: all of the rule. */
  subject?: string;
  /** A time such as 8h, from a minute to 7 days. */
  for: string;
  who: string;
  why: string;
};

/** A shelf is over before its time. */
export type AlarmUnshelve = {
  rule: string;
  /** As it was shelved. */
  subject?: string;
  who: string;
};

/** Asks for a test message. */
export type AlarmTest = {
  /** mail, or the name of a webhook. */
  target: string;
};

/** What came of a test message. */
export type AlarmTested = {
  target: string;
  ok: boolean;
  /** What the other end said, or what is wrong. */
  answer: string;
};

/** A live message: alarm. Something of /api/v1/alarms has changed: ask again. */
export type LiveAlarm = {
  seq: number;
  type: "alarm";
  data: Record<string, unknown>;
};

/** How the audit that was begun last stands. */
export type Audit = {
  time: string | null;
  sentence: string;
  begun?: AuditBegun;
  steps: AuditStep[];
};

/** The beginning of an audit. */
export type AuditBegun = {
  seq: number;
  time: string | null;
  who: string;
  /** as planned */
  ends: string | null;
};

/** One step of an audit. */
export type AuditStep = {
  step: string;
  title: string;
  /** what it is good for */
  why: string;
  state: "done" | "missing" | "waits" | "accepted" | "unseen";
  sentence: string;
  /** each thing still to be done */
  missing: string[];
  /** when its time comes; left out: it can be done now */
  due?: string | null;
  /** the page of its work, as in an address */
  page: string;
  /** the same without a browser */
  command: string;
  cautions: string[];
  marks: AuditSaid[];
};

/** What a person says of a step. */
export type AuditSaid = {
  seq: number;
  time: string | null;
  who: string;
  text: string;
};

/** Begins an audit. */
export type AuditBegin = {
  who: string;
  /** the planned end: RFC 3339, or a local date, which is in it; left out: seven days on */
  ends?: string;
};

/** What a person says of a step: that it was looked at, or why what is missing is accepted. */
export type AuditMark = {
  step: string;
  who: string;
  text: string;
};

/** What the page that makes a site file begins with. */
export type NewSite = {
  /** name of the site file to be */
  file: string;
  /** where it will stand, as it was given */
  folder: string;
  ports: SerialPort[];
  /** why the serial ports cannot be listed; may be empty */
  ports_error: string;
  maps: MapFound[];
};

/** A serial port of this computer. */
export type SerialPort = {
  name: string;
  /** a name that stays when the adapter is unplugged and comes back: the one to write into a site file */
  stable?: string;
  /** what the system knows of the adapter */
  known?: string;
};

/** A register map that a device may name. */
export type MapFound = {
  /** maps/NAME.toml */
  file: string;
  /** the map's own name; empty where it cannot be read */
  title: string;
  /** one that this program carries for a try: no real device is like it */
  example: boolean;
};

/** What a person has said of a site so far. Keys are those of a site file, values are texts as they were typed; an empty one is left out. What is missing counts as empty. */
export type SiteDraft = {
  site: DraftSite;
  tariff: DraftTariff;
  line: DraftLine[];
  device: DraftDevice[];
  machine: DraftMachine[];
  system: DraftSystem[];
  report: DraftReport;
  maps: DraftMap[];
};

/** The [site] table. */
export type DraftSite = {
  name: string;
  timezone: string;
  units: string;
  altitude: string;
  barometer: string;
  shifts: string[];
  holidays: string[];
  weeks_per_year: string;
};

/** The [tariff] table. */
export type DraftTariff = {
  currency: string;
  energy: DraftPrice[];
  demand: DraftCharge;
  emissions: string;
};

/** A price per kWh. */
export type DraftPrice = {
  price: string;
  when: string;
};

/** The charge for the highest mean power of a billing month, per kW. */
export type DraftCharge = {
  price: string;
  window: string;
};

/** A [[line]]. */
export type DraftLine = {
  name: string;
  kind: string;
  port: string;
  serial: string;
  address: string;
  /** for a line that has a master already */
  listen: boolean;
};

/** A [[device]]. */
export type DraftDevice = {
  name: string;
  line: string;
  unit: string;
  /** maps/NAME.toml */
  map: string;
  every: string;
  instrument: DraftInstrument;
};

/** What plate and certificate of a device say. */
export type DraftInstrument = {
  serial: string;
  certificate: string;
  calibrated: string;
  calibration_months: string;
  flow_meter: string;
  /** by the words of the site file: pressure, power and so on */
  accuracy: Record<string, string>;
  current_transformer: DraftRatio;
};

/** A transformer's ratio on its plate, and the one that the meter is set to. */
export type DraftRatio = {
  fitted: string;
  meter: string;
};

/** A [[machine]]. */
export type DraftMachine = {
  name: string;
  control: string;
  rated_flow: string;
  rated_pressure: string;
  rated_power: string;
  cut_in: string;
  cut_out: string;
  no_load_stop: string;
  least_between_starts: string;
  trip_temperature: string;
  motor: DraftMotor;
  /** by device: * for all that have a role, or names with commas between */
  channels: Record<string, string>;
  service: DraftService[];
};

/** The main motor's plate. */
export type DraftMotor = {
  power: string;
  poles: string;
  volts: string;
  starting: string;
  starts_per_hour: string;
};

/** A service item. */
export type DraftService = {
  item: string;
  hours: string;
  months: string;
};

/** A [[system]]. */
export type DraftSystem = {
  name: string;
  machines: string[];
  minimum_pressure: string;
  parts: DraftPart[];
  taps: DraftTap[];
};

/** A part that the air goes through. */
export type DraftPart = {
  name: string;
  kind: string;
  volume: string;
  purge: string;
};

/** A place where pressure or flow is measured. */
export type DraftTap = {
  at: string;
  pressure: string;
  flow: string;
};

/** For whom a report is. */
export type DraftReport = {
  prepared_for: string;
  prepared_by: string;
  place: string;
  goals: string;
  scope: string;
};

/** A register map's text, to be kept as maps/NAME.toml. */
export type DraftMap = {
  name: string;
  text: string;
};

/** What a draft is worth. */
export type DraftChecked = {
  /** the site file as it would be written */
  text: string;
  problems: DraftRemark[];
  warnings: DraftRemark[];
  devices: DraftDeviceSeen[];
  machines: DraftMachineRoles[];
};

/** A mistake, or what is likely not meant, at a field of the draft. */
export type DraftRemark = {
  /** where in the draft, as in device.0.unit; empty: the whole */
  field: string;
  file: string;
  /** in that file, from 1; 0: the whole */
  line: number;
  message: string;
  /** may be empty */
  mend: string;
};

/** What a device's map holds, as far as it can be read. */
export type DraftDeviceSeen = {
  device: string;
  map: string;
  title: string;
  channels: DraftChannel[];
};

/** A channel of a map. */
export type DraftChannel = {
  name: string;
  /** may be empty */
  role: string;
  unit: string;
  /** what the unit is one of, as in pressure */
  measures: string;
};

/** Which channel fills which role of a machine. */
export type DraftMachineRoles = {
  machine: string;
  roles: DraftRole[];
};

/** A role with its channel. */
export type DraftRole = {
  role: string;
  channel: string;
};

/** The site file is written. */
export type NewSiteWritten = {
  files: string[];
  /** what records, once this program has ended */
  command: string;
};

/** A comparison of two periods. */
export type CompareRequest = {
  /** FROM/TO */
  before: string;
  /** FROM/TO */
  after: string;
  machine?: string;
  system?: string;
  /** auto, air, air-shift, day-type, day-hour or production */
  model?: string;
  /** windows like Mon-Fri 14:00-18:00, on whole hours */
  peak?: string[];
  /** like 6-9 or 12,1,2 */
  peak_months?: string;
  production?: Production[];
};

/** What was made on a local date. */
export type Production = {
  /** like 2026-03-02 */
  date: string;
  /** zero or more, in any unit */
  count: number;
};

/** Two periods side by side, and what was saved. Figures with a unit per year are of a year of the site. */
export type Comparison = {
  kind: "machine" | "system";
  subject: string;
  /** what is known of the saving */
  sentence: string;
  /** the saving lies further from nothing than its uncertainty */
  told: boolean;
  /** energy_saved, saving_share, cost_saved, emissions_saved, peak_power_saved, and energy_saved_in_all or energy_saved_equal_air beside it */
  figures: Figure[];
  /** name of the model; empty where none can be made */
  chosen: string;
  why: string;
  models: ComparedModel[];
  before: ComparedPeriod;
  after: ComparedPeriod;
  day_types: ComparedDayType[];
  /** what was alike in both periods */
  equal: string[];
  /** what was not, or is not known */
  unequal: string[];
  /** where the saving must not be used */
  limits: string[];
  /** rules that words and numbers follow */
  basis: string[];
};

/** One baseline that was tried. kWh are over the period after. */
export type ComparedModel = {
  name: string;
  what: string;
  scope: "at equal air" | "in all";
  /** why there is none */
  absent?: string;
  points?: number;
  parameters?: number;
  r2?: number;
  /** root mean square error over n−p, as a share of the mean */
  cv_rmse?: number;
  /** normalised mean bias error, as a share */
  nmbe?: number;
  /** lag 1, of the residuals */
  autocorrelation?: number;
  /** n' = n(1−ρ)/(1+ρ) */
  effective_points?: number;
  coefficients?: ModelCoefficient[];
  keeps_limits: boolean;
  baseline_kwh?: number;
  measured_kwh?: number;
  saving_kwh?: number;
  /** half width at 95 %, of the model alone */
  model_uncertainty_kwh?: number;
  /** half width at 95 %, with the meters */
  uncertainty_kwh?: number;
  /** days or hours: which gave the interval */
  wider_by?: string;
  /** half width at 95 % in the form of ASHRAE Guideline 14, from memory */
  guideline_uncertainty_kwh?: number;
  /** the same at 68 %, as a share of the saving */
  fractional_uncertainty_68?: number;
};

/** A coefficient with its standard error. */
export type ModelCoefficient = {
  name: string;
  unit: string;
  value: number;
  error: number;
  /** value over error */
  t: number;
};

/** What one period held. */
export type ComparedPeriod = {
  from: string;
  to: string;
  /** used */
  hours: number;
  /** hours of which too little was observed */
  left_out: number;
  coverage: number;
  energy_kwh?: number;
  air_m3?: number;
  loaded_h: number;
  unloaded_h: number;
  /** mean while it ran, gauge */
  pressure_kpa?: number;
  /** mean room temperature */
  ambient_c?: number;
  production?: number;
  /** of the energy */
  method: string;
  air_method?: string;
};

/** One day type in both periods. */
export type ComparedDayType = {
  name: string;
  days_per_year: number;
  hours_before: number;
  hours_after: number;
  /** mean power */
  kw_before?: number;
  kw_after?: number;
  /** mean, m³/min */
  flow_before?: number;
  flow_after?: number;
};

/** What is measured, from the site file and its register maps. It changes only when the agent starts anew. */
export type Site = {
  name: string;
  /** IANA name */
  timezone: string;
  /** units to show; stored data and this API do not depend on it */
  units: "us" | "si";
  /** station pressure, absolute */
  barometer_pa: number;
  /** SHA-256 over the site file and its maps, hex */
  site_hash: string;
  /** version of the program */
  version: string;
  /** tariff's currency code; empty without a tariff */
  currency: string;
  /** as written in the site file */
  shifts: string[];
  lines: SiteLine[];
  devices: SiteDevice[];
  /** the record of each, without standing; a device whose channels all have an instrument of their own is left out */
  instruments: InstrumentFacts[];
  channels: SiteChannel[];
  machines: SiteMachine[];
  systems: SiteSystem[];
};

/** One serial port or TCP endpoint, or (kind file) loggers whose files are imported. */
export type SiteLine = {
  name: string;
  kind: "modbus-rtu" | "modbus-ascii" | "modbus-tcp" | "modbus-rtu-over-tcp" | "text" | "file";
  /** serial port or address; empty for kind file, which is never opened */
  where: string;
};

/** Something that answers on a line. */
export type SiteDevice = {
  name: string;
  line: string;
  unit_id: number;
  /** name of its register map */
  map: string;
};

/** The record of one instrument, from the site file; of a window also how its calibration stands and what rests on it. */
export type InstrumentFacts = {
  /** the device, or device.channel of an instrument of its own */
  subject: string;
  /** the ids that it reads and that have a role whose value is measured */
  channels: string[];
  serial?: string;
  calibrated?: string;
  /** the last day on which the calibration holds; left out where nothing says it */
  calibrated_until?: string;
  certificate?: string;
  /** what the calibration is worth at the window's end; left out in /api/v1/site */
  standing?: "valid" | "no end stated" | "expired" | "no date" | "in the future" | "after the window";
  /** names of the figures that rest on it, in the contract's order; left out in /api/v1/site and where none does */
  figures?: string[];
  /** as written in the site file, by quantity; by id of a channel with its own */
  accuracy?: Record<string, string>;
  /** likewise; where the map's valid range is taken, left out */
  span?: Record<string, string>;
  /** the kind of flow meter */
  flow_meter?: string;
  current_transformer?: InstrumentSetting;
  voltage_transformer?: InstrumentSetting;
  pipe_bore?: InstrumentSetting;
  /** comparisons with a reference, oldest first; left out where there is none */
  checks?: InstrumentCheck[];
};

/** One comparison of an instrument with a reference. Nothing is corrected by it. */
export type InstrumentCheck = {
  on: string;
  /** ids of the channels that it tells of */
  channels: string[];
  /** what the reference read, as written */
  reference: string;
  /** what the instrument read, as written */
  found: string;
  /** what it read after it was adjusted; left out where it was not */
  left?: string;
  /** the reference */
  against?: string;
  /** of the numbers */
  unit: string;
  /** how much more than the reference the instrument read */
  off_as_found: number;
  /** likewise after it was adjusted */
  off_as_left?: number;
  /** the least that the stated accuracy of these channels allows; left out where none is stated */
  allowed?: number;
};

/** What is fitted and what the meter is set to. Nothing is corrected by it. */
export type InstrumentSetting = {
  /** the transformers' ratio, or the pipe's inner diameter as measured */
  fitted: string;
  /** left out where it is not said */
  meter?: string;
  /** times what the meter reads is true, by this record */
  factor: number;
};

/** One value of one device. SI value = value × si_scale + si_offset. */
export type SiteChannel = {
  /** device.channel */
  id: string;
  device: string;
  name: string;
  /** empty: stored and plotted, not analysed */
  role: string;
  /** the map's unit; 1 for a plain number */
  unit: string;
  /** what the unit measures */
  quantity: "plain" | "pressure" | "flow" | "power" | "energy" | "temperature" | "duration" | "volume" | "length" | "current" | "voltage" | "frequency" | "rotation_speed" | "ratio" | "mass" | "emission_factor" | "apparent_power";
  si_scale: number;
  si_offset: number;
  /** pressures: true when absolute; all others are gauge */
  absolute: boolean;
  period_ms: number;
  /** true when the value is 0 or 1 */
  bit: boolean;
  /** least difference between two values, in the map's unit; left out where the map does not tell it */
  step?: number;
  /** plausible range in the map's unit; left out where none is given */
  valid?: [number, number];
  /** text of each fault code; left out where the map has none */
  faults?: Record<string, string>;
};

/** One compressor. Numbers that are not known are left out. */
export type SiteMachine = {
  name: string;
  control: "load/unload" | "modulate then unload" | "modulating" | "variable displacement" | "variable speed" | "start/stop";
  /** free air at the inlet */
  rated_flow_m3s?: number;
  /** gauge */
  rated_pressure_pa?: number;
  /** package input at rated flow */
  rated_power_w?: number;
  /** gauge, as set on the controller */
  cut_in_pa?: number;
  /** gauge */
  cut_out_pa?: number;
  no_load_stop_s?: number;
  /** motor's nameplate */
  motor_starts_per_hour?: number;
  /** role to channel id */
  channels: Record<string, string>;
};

/** Machines and parts in the order the air takes. */
export type SiteSystem = {
  name: string;
  machines: string[];
  /** gauge; left out where not given */
  minimum_pressure_pa?: number;
  /** the channel whose pressure stands for the system, the tap furthest downstream: its figures of pressure and the time below its minimum are of it; left out where no pressure is tapped */
  pressure?: string;
  parts: SitePart[];
  taps: SiteTap[];
};

/** A receiver, dryer, filter or piping. */
export type SitePart = {
  name: string;
  kind: "receiver" | "dryer" | "filter" | "piping";
  /** left out where not given */
  volume_m3?: number;
};

/** A place where pressure or flow is measured. */
export type SiteTap = {
  /** name of a part */
  at: string;
  /** channel id */
  pressure?: string;
  /** channel id */
  flow?: string;
};

/** What is known now. */
export type State = {
  /** sequence number of the live socket that this state belongs to */
  seq: number;
  /** last scan safe on disk */
  durable_seq: number;
  /** last scan taken */
  last_seq: number;
  time: string;
  /** when the agent started; null for a stopped store */
  started: string | null;
  version: string;
  machines: MachineState[];
  /** by channel id */
  channels: Record<string, ChannelState>;
  devices: DeviceState[];
  lines: LineState[];
  store: StoreState;
  awake: AwakeState;
};

/** What one machine does. */
export type MachineState = {
  machine: string;
  state: StateName;
  /** null where not known */
  since: string | null;
  /** false when the state began inside a gap or before the first scan */
  since_known: boolean;
  /** why unobserved, else empty */
  reason: string;
  /** how the state is known */
  method: string;
  starts_last_hour: number;
  pressure_trend: "rising" | "falling" | "steady" | "unknown";
};

/** stopped means: which of off and standby is not known */
export type StateName = "off" | "standby" | "stopped" | "starting" | "unloaded" | "loaded" | "part-load" | "tripped" | "unobserved";

/** A channel's last reading, in the map's unit. */
export type ChannelState = {
  value: number | null;
  time: string | null;
  /** good, or why there is no value */
  reason: string;
  /** true when the last scan is older than three periods */
  stale: boolean;
};

/** How a device answers. */
export type DeviceState = {
  device: string;
  line: string;
  up: boolean;
  /** last good scan; null where none */
  last_scan: string | null;
  /** why it is down, else empty */
  reason: string;
  /** what is wrong and what mends it; empty while all is well */
  detail: string;
  round_trip_ms: number;
  /** round trip less what the characters take on a serial line; left out while not known */
  turnaround_ms?: number;
  /** about how often the registers change, where they are polled faster than that; else left out */
  refresh_ms?: number;
  /** what of the polling is not worth its time; left out where nothing is */
  hint?: string;
  scans: number;
  /** failed scans by reason */
  errors: Record<string, number>;
};

/** How a line is. */
export type LineState = {
  line: string;
  up: boolean;
  detail: string;
};

/** What a record lacks in a window, and how what it depends on stands. */
export type MissedAnswer = {
  /** the window, cut to where there can be readings; null: nothing is recorded */
  from: string | null;
  to: string | null;
  /** those that are polled or listened to, in the order of the site file */
  devices: MissedDevice[];
  /** longest first, at most 100 */
  gaps: MissedGap[];
  /** how many more there are */
  gaps_more: number;
  /** those that gave no good value though their devices were read, longest first, at most 100; of the channels that a machine or a system uses */
  channels: MissedChannel[];
  /** how many more there are */
  channels_more: number;
  clock: MissedClock;
  disk: MissedDisk;
  evidence: MissedEvidence;
  awake?: AwakeState;
  slept: MissedSleep;
  /** what happened to the record in the window, newest first, at most 60 */
  events: Event[];
  /** how many more there are */
  events_more: number;
  /** to whom samples are sent on, as /api/v1/remote-write has them */
  receivers: RemoteWrite[];
  /** what to do about it, what is pressing now first */
  to_do: MissedToDo[];
};

/** A copy of the record that waits to be fetched. */
export type BackupReady = {
  /** serves once, and whoever asked alone */
  ticket: string;
  /** of the file */
  name: string;
  bytes: number;
  /** how long it waits; then it is gone */
  waits_s: number;
};

/** How well a device was read. */
export type MissedDevice = {
  device: string;
  line: string;
  /** readings of its fastest poll group that the window had room for, by the period that it had in each part of it */
  due: number;
  /** good readings of the channel of that group that has most */
  read: number;
  /** read over due */
  read_share: number;
  /** of that group, at the end of the window */
  period_ms: number;
  /** of a minute and more, and of more than three periods */
  gaps: number;
  /** their sum */
  gap_s: number;
  /** the longest */
  longest_s: number;
  /** why nothing is known; the numbers are then zero */
  absent?: string;
};

/** A stretch in which a device was not read, as the report has it. */
export type MissedGap = {
  device: string;
  from: string;
  to: string;
  /** time that went by: less than from the first to the second where the clock was set forward */
  for_s: number;
  /** in words */
  reason: string;
  /** what to do about it */
  mend: string;
  /** it reaches to the end of the window */
  open: boolean;
  /** what the machine counted meanwhile; none where a counter was not read before and after, or was set back */
  counters: MissedCounter[];
};

/** A channel that gave no good value for a minute and more though its device was read, for one reason. */
export type MissedChannel = {
  channel: string;
  device: string;
  /** the first scan without a value in the window */
  from: string;
  /** the last one */
  to: string;
  /** of it without a good value */
  for_s: number;
  /** in how many pieces */
  spells: number;
  /** in words */
  reason: string;
  /** what to do about it */
  mend: string;
  /** it lasts to the end of the window */
  open: boolean;
};

/** A counter before and after a gap: it bounds what happened meanwhile. */
export type MissedCounter = {
  machine: string;
  /** run_hours, loaded_hours, start_count or energy */
  role: string;
  channel: string;
  before: number;
  after: number;
  change: number;
  /** the least that the counter shows */
  step: number;
  /** the register map’s */
  unit: string;
};

/** How the times of readings stand. */
export type MissedClock = {
  /** of the site */
  zone: string;
  /** the computer’s clock says a time that can be */
  set: boolean;
  /** the system says that something keeps its clock right; left out where it does not tell */
  kept?: boolean;
  /** what the kernel says that the clock may be wrong by at most */
  max_error_ms?: number;
  /** how often it was set in the window */
  steps: number;
  /** by how much at most */
  largest_step_s: number;
};

/** How much there is room for. */
export type MissedDisk = {
  /** the data directory */
  directory_bytes: number;
  /** on its disk; null: not known */
  free_bytes: number | null;
  /** what a day of all devices takes in the data directory, by what is in it; null of less than a day */
  bytes_per_day: number | null;
  /** how long the free space lasts at that */
  days_left: number | null;
  /** null: raw readings are never dropped */
  keep_raw_days: number | null;
  /** the oldest reading that is kept, if only in summaries */
  record_from: string | null;
  /** raw readings before it are no longer kept; null: none was dropped */
  raw_from: string | null;
  /** the site file has a schedule of backups */
  backups: boolean;
  /** null: none of them is there */
  last_backup: string | null;
};

/** The newest checkpoint of the evidence log, or why there is none. */
export type MissedEvidence = {
  head?: EvidenceHead;
  absent?: string;
};

/** What the computer slept in the window. */
export type MissedSleep = {
  times: number;
  for_s: number;
};

/** How it stands with what is sent on. */
export type RemoteWrites = {
  /** in the site file's order */
  receivers: RemoteWrite[];
};

/** How it stands with one receiver of samples. Counts are of samples where no other thing is named, since the place in the record was begun. */
export type RemoteWrite = {
  name: string;
  /** the address without path and query */
  to: string;
  /** the label of every series */
  site: string;
  /** a value of each series at least so often */
  every_s: number;
  /** failing: it is tried again by itself; held: a person must mend it; stopped: nobody sends */
  state: "sending" | "failing" | "held" | "stopped";
  /** of failing and held */
  since: string | null;
  /** a phrase; empty while all is well */
  why: string;
  /** what to do, sentences; empty: nothing */
  mend: string;
  /** stored and not sent yet */
  behind_scans: number;
  /** what lies between the newest of them and the last that was sent */
  behind_s: number;
  /** newest time that was delivered */
  newest: string | null;
  /** when the receiver last took something */
  delivered: string | null;
  /** that the receiver took */
  samples: number;
  /** that a resend found there already */
  there: number;
  /** that the receiver will never take, by reason */
  refused: Record<string, number>;
  /** of the refused, written to the file aside */
  set_aside: number;
  /** path of that file; empty: there is none */
  aside: string;
  /** what was never sent, by reason: samples behind a clock that was set back, scans of a clock that was never set, times that the record was another one */
  left_out: Record<string, number>;
  /** scans that were no longer kept when it was their turn */
  missed_scans: number;
  requests: number;
  /** of payload */
  bytes: number;
  /** requests that followed one without a settling answer */
  retried: number;
  /** why the place in the record is not on the disk; empty: it is */
  cursor_fault: string;
  /** what a start found that a person should know; empty: nothing */
  note: string;
};

/** One thing to do. */
export type MissedToDo = {
  about: "sleep" | "device" | "channel" | "disk" | "backup" | "clock" | "store" | "receiver";
  /** what is so */
  what: string;
  /** what to do about it */
  mend: string;
};

/** Whether the computer that records may fall asleep; while it sleeps nothing is recorded. */
export type AwakeState = {
  /** never: it cannot; held: not by itself while the agent runs; may: it is set to, or nothing keeps it from it; unknown: its settings cannot all be read */
  sleep: "never" | "held" | "may" | "unknown";
  /** by what that is known; empty: it is not */
  how: string;
  /** sentences */
  why: string;
  /** what to do about it, sentences; empty: nothing */
  mend: string;
};

/** How the store is. */
export type StoreState = {
  /** readings are being saved */
  ok: boolean;
  /** what is wrong, a phrase; empty while all is well */
  detail: string;
  /** what to do about it */
  mend: string;
  /** read and not yet safe on disk */
  waiting_scans: number;
  directory_bytes: number;
  /** read and not kept, since the store began */
  dropped_scans: number;
  /** false while the computer's clock says a time that cannot be, as one without a battery does until it is set: stored times are wrong until then */
  clock_set: boolean;
  /** the newest reading, where the computer's clock is behind it; left out while it is not */
  record_to?: string | null;
  /** the oldest reading that is kept, if only in summaries; left out where there is none */
  record_from?: string | null;
  /** raw readings before it are no longer kept (keep_raw); left out where none was dropped */
  raw_from?: string | null;
};

/** Series of channels and state bands of a machine for one window. */
export type SeriesAnswer = {
  from: string;
  to: string;
  series: Series[];
  /** whose runs these are; only with state= */
  machine?: string;
  /** only with state= */
  runs?: StateRun[];
};

/** One channel's cells, ascending in time. */
export type Series = {
  channel: string;
  unit: string;
  /** width of a cell; 0: raw samples, one a cell */
  step_ms: number;
  cells: SeriesCell[];
  /** true: the cells are wider than asked for, since raw readings of the window are no longer kept (keep_raw) */
  raw_dropped?: boolean;
};

/** One bucket. Count 0 is a gap and has only t and count. */
export type SeriesCell = {
  /** start, Unix ms */
  t: number;
  first?: number;
  last?: number;
  min?: number;
  max?: number;
  sum?: number;
  count: number;
};

/** Series of channels as lists of numbers, and state bands, for one window. */
export type ColumnsAnswer = {
  from: string;
  to: string;
  series: ColumnSeries[];
  /** one a machine, in the order asked for; only with state= */
  states?: StateBand[];
};

/** One channel. Element i of each list is the cell that begins at start_ms + i·step_ms, ascending without holes; null where there is no number. Where step_ms is 0, each element is a reading, at start_ms + at[i], and a gap has count 0. Means are rounded to a thousandth of the channel's least difference. */
export type ColumnSeries = {
  channel: string;
  unit: string;
  /** Unix ms; 0 where there is nothing */
  start_ms: number;
  /** width of a cell; 0: readings */
  step_ms: number;
  /** ms after start_ms, ascending, each once; only where step_ms is 0 */
  at?: number[];
  /** readings in the cell; 0: a gap; null: none fell into it although the channel was read, more slowly */
  count: (number | null)[];
  /** left out where step_ms is 0 */
  min?: (number | null)[];
  /** left out where step_ms is 0 */
  max?: (number | null)[];
  /** each reading counts the same */
  mean: (number | null)[];
  /** true: the cells are wider than asked for, since raw readings of the window are no longer kept (keep_raw) */
  raw_dropped?: boolean;
};

/** What a machine did. */
export type StateBand = {
  machine: string;
  /** above 0: the states change more often than about points can show, and each run is what the machine did most of, in each part that wide */
  step_ms: number;
  runs: StateRun[];
};

/** What channels read at one or two moments, and between them. */
export type MomentsAnswer = {
  /** the earlier first */
  at: string[];
  channels: MomentChannel[];
};

export type MomentChannel = {
  channel: string;
  unit: string;
  /** one a moment: the newest good one at or before it; null: none within three periods, which is a gap */
  readings: (MomentReading | null)[];
  /** the later moment's reading less the earlier one's; left out where one is missing */
  difference?: number;
  between?: MomentBetween;
};

export type MomentReading = {
  /** when it was read */
  time: string;
  /** null: it is no number that JSON can say */
  value: number | null;
  /** true: raw readings of then are no longer kept; it is the mean of the minute that begins at time */
  minute_mean?: boolean;
};

/** All good readings between two moments, the first included. */
export type MomentBetween = {
  from: string;
  to: string;
  count: number;
  /** each reading counts the same; left out where there is none */
  mean?: number;
  min?: number;
  max?: number;
  /** true: raw readings are no longer kept, so that from and to are moved out to whole minutes */
  raw_dropped?: boolean;
};

/** When a system's pressure lay below its minimum. */
export type BelowAnswer = {
  system: string;
  from: string;
  to: string;
  /** whose readings they are */
  channel?: string;
  /** the site file's minimum pressure, gauge */
  minimum_pa?: number;
  /** stretches in the window, with those that are not listed */
  total: number;
  method?: string;
  /** why there is no answer; left out where there is */
  absent?: string;
  /** what of the window is not in the answer */
  notes: string[];
  /** in the order of time; of more than 500, the longest */
  stretches: BelowStretch[];
};

/** An unbroken time below the minimum, cut to the window. The longest is the figure longest_below_minimum_all. */
export type BelowStretch = {
  from: string;
  to: string;
  seconds: number;
  /** how much of it a machine of the system ran; left out where that is not known */
  running_seconds?: number;
};

/** A stretch of time in one state. */
export type StateRun = {
  state: StateName;
  from: string;
  to: string;
  /** why unobserved, else empty */
  reason: string;
};

/** Every figure for one window. */
export type FiguresAnswer = {
  from: string;
  to: string;
  machines: MachineFigures[];
  systems: SystemFigures[];
  /** the records behind the figures, devices in the site file's order */
  instruments: InstrumentFacts[];
  /** Sentences on what the window rests on where that is not what was asked for: raw readings that are no longer kept, summaries of earlier settings. Left out where there is nothing to say. */
  notes?: string[];
};

/** One machine's figures. */
export type MachineFigures = {
  machine: string;
  figures: Figure[];
  findings: Finding[];
  /** energy_by_state, energy_by_period, demand_by_month, savings_at_the_margin, each where it can be had */
  tables: Table[];
  /** what the health figures mean: changes of level, limits that are near, what the height does */
  remarks: Remark[];
};

/** One system's figures. */
export type SystemFigures = {
  system: string;
  figures: Figure[];
  findings: Finding[];
  /** energy_by_state, energy_by_period, demand_by_month, savings_at_the_margin, each where it can be had */
  tables: Table[];
};

/** Something about a machine's health or place that a reader should know. */
export type Remark = {
  kind: "change" | "limit" | "blow_down" | "place";
  /** the figure that it is about, or barometer */
  about: string;
  /** when it was first seen; left out for a drift */
  since?: string;
  /** from the level before to the level after, in unit */
  change?: number;
  unit?: string;
  sentence: string;
  /** what was read */
  evidence?: string[];
};

/** How many lie from from up to to, left out, in the figure's unit; the last class has no to. */
export type FigureClass = {
  from: number;
  to?: number;
  count: number;
};

/** What is wrong with the data that figures rest on. It may have begun before the window and may go on. */
export type Finding = {
  /** instrument: its record leaves open or contradicts what figures rest on */
  kind: "missing" | "stuck" | "contradictory" | "impossible" | "instrument";
  /** channel, device or machine */
  subject: string;
  /** first seen */
  from: string;
  /** last seen */
  to: string;
  sentence: string;
  evidence: string[];
  /** of the kind instrument: the names of the figures that rest on it */
  figures?: string[];
};

/** Figures of one kind side by side. */
export type Table = {
  name: string;
  columns: TableColumn[];
  rows: TableRow[];
  method: string;
};

/** The head of a column. */
export type TableColumn = {
  name: string;
  /** as in Figure; 1 for a plain number */
  unit: string;
};

/** One line of a table. */
export type TableRow = {
  name: string;
  /** one for each column; null: not known */
  values: (number | null)[];
  note?: string;
};

/** A computed result, or in absent the reason there is none. */
export type Figure = {
  name: string;
  value?: number;
  unit?: string;
  /** half width of the interval, same unit */
  uncertainty?: number;
  /** level of confidence, 0.95 */
  level?: number;
  /** observed share of the window, 0 to 1 */
  coverage?: number;
  /** the value is a lower bound: a thousandth of the window or more was not observed, or at_least_why says what is not counted */
  at_least?: boolean;
  /** what else is not counted in a lower bound */
  at_least_why?: string;
  /** what must be read with the value: what it refers to, which way it goes */
  note?: string;
  /** what a share or mean is taken over */
  denominator?: string;
  /** the most it can be, by a counter that ran on over the gaps */
  at_most?: number;
  /** what the value is held to */
  limit?: number;
  /** whose limit that is */
  limit_basis?: string;
  at?: Moment;
  /** what a mean is over, counted by size */
  distribution?: FigureClass[];
  method?: string;
  inputs?: string[];
  /** what the uncertainty comes from, largest first; the shares sum to 1 */
  budget?: BudgetPart[];
  narrower?: Narrower;
  absent?: string;
};

/** All figures of the contract by group. */
export type FigureNamesAnswer = {
  groups: FigureGroup[];
};

/** Figures that belong together. */
export type FigureGroup = {
  title: string;
  figures: FigureTitle[];
};

/** A figure's name in this interface and the one for people. */
export type FigureTitle = {
  name: string;
  title: string;
};

/** When a figure that is an extreme was so: what its value tells of lies between the two. Of a lowest or highest reading that is the quarter hour, or the part of one, that holds the first of them. */
export type Moment = {
  from: string;
  to: string;
};

/** What one input brings into a figure's variance; what brings less than a hundredth is gathered as others. */
export type BudgetPart = {
  input: string;
  /** 0 to 1 */
  share: number;
};

/** Of a figure whose uncertainty is more than 5 % of it, the cheapest thing that would make that at least a quarter less. */
export type Narrower = {
  sentence: string;
  /** what the figure's would then be, by its budget */
  uncertainty: number;
};

/** A part of the events asked for, newest first. */
export type EventsAnswer = {
  events: Event[];
  /** the cursor that asks for older ones; empty: there are none */
  next: string;
};

/** Each fault code that came or was on in a window, the latest first. */
export type FaultsAnswer = {
  from: string;
  to: string;
  faults: Fault[];
};

/** What one fault code did in a window. */
export type Fault = {
  /** the machine, or the device where it is none's */
  subject: string;
  channel: string;
  code: string;
  /** from the register map; empty where it has none */
  text: string;
  /** times it came in the window */
  times: number;
  /** when it first came in the window; null: it was on before */
  first: string | null;
  /** when it last came in the window */
  last: string | null;
  /** how long it was on in the window, from reading to reading */
  on_s: number;
  /** of on_s nobody read the code; known once the fault has ended */
  unseen_s: number;
  /** still on at the end of the window */
  on: boolean;
  /** when it was on in the window, the latest first, 50 at most; what the window cuts is told whole */
  came: FaultCame[];
};

/** One time that a fault was on. */
export type FaultCame = {
  from: string;
  /** null: still on at the end of the window */
  to: string | null;
};

/** The guided tests of a site. */
export type Tests = {
  /** those that run, and how the last one of each system ended since the agent started */
  running: TestStatus[];
  /** the latest first */
  results: TestRecord[];
  cautions: TestCautions;
};

/** What must be read, and confirmed, before a test begins. */
export type TestCautions = {
  leak: string[];
  pump_up: string[];
};

/** How a guided test stands. */
export type TestStatus = {
  test: "leak" | "pump-up";
  system: string;
  /** empty in a leak test until one loads */
  machine: string;
  who: string;
  phase: "watch" | "lower" | "rise" | "hold" | "done" | "given_up";
  /** what the person must do now */
  instruction: string;
  /** cycles or rises that count */
  done: number;
  needed: number;
  /** what it needs still */
  needs: string;
  /** the result as it stands */
  so_far: string;
  /** what was not counted, and why */
  detail: string;
  /** why it was given up */
  why: string;
  started: string | null;
  seen: string | null;
  /** the pressure it goes by, and where that is read */
  tap: string;
  /** the id of the same */
  channel: string;
};

/** What a guided test found, SI; uncertainties of 95 %. */
export type TestRecord = {
  seq: number;
  test: "leak" | "pump-up";
  system: string;
  machine: string;
  who: string;
  from: string | null;
  to: string | null;
  /** free air at the inlet: the machine's at full load, or the leak by the fall of pressure */
  flow_m3s?: number;
  flow_uncertainty_m3s?: number;
  /** leak: the part of the time in which the machine delivered */
  share?: number;
  share_uncertainty?: number;
  /** gauge, mean */
  pressure_pa: number;
  /** 0: not known */
  volume_m3: number;
  cycles: number;
  method: string;
  text: string;
  /** the event that took it back */
  withdrawn_by?: number;
  withdrawn_why?: string;
};

/** Begins a guided test. What is left out comes from the site file. */
export type TestAsk = {
  test: "leak" | "pump-up";
  /** pump-up; may be left out where the site has one */
  machine?: string;
  /** leak; likewise */
  system?: string;
  /** who does it, at most 160 characters */
  who: string;
  /** the cautions were read, and all who use air were told; must be true */
  confirmed: boolean;
  /** known volume from the machine up to the shut valve, or all that is fed (leak) */
  volume_m3?: number;
  /** what that may be off by at most, as a share */
  volume_share?: number;
  /** air space inside the machine */
  package_m3?: number;
  /** pump-up, 2 to 6; default 3 */
  rises?: number;
};

/** Breaks off the guided test of a system. */
export type TestCancel = {
  /** may be left out where the site has one */
  system?: string;
};

/** Takes a result back. */
export type TestWithdrawal = {
  /** number of the result */
  seq: number;
  who: string;
  why: string;
};

/** What a person writes down. A note is never changed or deleted; a later one corrects it. */
export type NewNote = {
  /** at most 2000 characters */
  text: string;
  /** a machine, system, line or device; empty: the site */
  subject?: string;
  /** when it was so: RFC 3339, a local date, now, or an age such as -2h; default: now, or the time of the note that it corrects */
  time?: string;
  /** at most 160 characters */
  author?: string;
  /** number (seq) of the note that this one puts right */
  corrects?: number;
  /** an item of the machine's service list that was done then; none takes back what the note that it corrects says of one */
  service?: string;
  /** what the machine's hour meter showed then, h */
  hour_meter?: number;
  /** in which state a service item that was done was found */
  found?: string;
};

/** What is due on each machine, in the site file's order. */
export type ServiceAnswer = {
  machines: MachineService[];
};

/** One machine's service items, and how long it runs a day. */
export type MachineService = {
  machine: string;
  /** last reading of the machine's own, h */
  hour_meter?: number;
  /** how long it ran a day, all days of the week counted */
  hours_per_day?: number;
  /** half width of hours_per_day at 95 %, from how the days differ */
  uncertainty?: number;
  /** days that hours_per_day is taken over */
  over_days?: number;
  method?: string;
  /** why there is no hours_per_day */
  rate_absent?: string;
  items: ServiceItem[];
};

/** A service item: due after hours of running or months, whichever comes first. */
export type ServiceItem = {
  item: string;
  every_hours?: number;
  every_months?: number;
  /** when last, by a note */
  done?: string;
  /** number of that note */
  note?: number;
  /** how long it has run since */
  hours_since?: number;
  /** hours_since may be more */
  at_least?: boolean;
  /** below 0: overdue */
  hours_left?: number;
  due?: string;
  /** which comes first */
  by?: "hours" | "months";
  /** where due follows from hours */
  earliest?: string;
  /** where due follows from hours; left out where there is no end to it */
  latest?: string;
  overdue: boolean;
  /** what cannot be told, and what would mend it */
  absent?: string;
  /** the times it was done, the latest first, 20 at most */
  marks?: ServiceMark[];
  /** the figures that it should move */
  moves?: ServiceMove[];
};

/** One time that a service item was done, as its note says. */
export type ServiceMark = {
  /** number of the note */
  note: number;
  at: string;
  /** what the machine's hour meter showed then, h */
  hour_meter?: number;
  author?: string;
  /** what was done */
  text: string;
  /** in which state it was found */
  found?: string;
};

/** A figure that a service should move, as the trade expects; no promise. */
export type ServiceMove = {
  figure: string;
  /** left out: it may go either way */
  way?: "lower" | "higher";
  why: string;
};

/** A figure that a service should move, and what became of it. */
export type ServiceMoved = {
  figure: string;
  /** left out: it may go either way */
  way?: "lower" | "higher";
  why: string;
  /** its place in the rows of the periods */
  row?: number;
  /** why it is not compared */
  absent?: string;
  /** what became of it, in words */
  judged?: string;
};

/** The days before a service beside those after it; the day of the service belongs to neither. That a figure moved with the service is no proof that it moved by it. */
export type ServiceEffectAnswer = {
  note: number;
  machine: string;
  item: string;
  done: string;
  /** in which state it was found */
  found?: string;
  /** whole days on either side that were asked for */
  days_asked: number;
  /** whole days on either side that there are */
  days: number;
  /** why there is nothing to compare; periods is then left out */
  absent?: string;
  sentence?: string;
  moves: ServiceMoved[];
  /** what makes the days unlike beside the service */
  remarks: string[];
  periods?: PeriodsAnswer;
};

/** A version of a site file or register map. */
export type TextAnswer = {
  hash: string;
  text: string;
};

/** Something that happened at one time. */
export type Event = {
  /** number in the store; 0 for the kind state, which is read from the summaries that the figures are made from */
  seq: number;
  time: string;
  kind: string;
  /** device, line or machine; empty: the agent */
  subject: string;
  /** one sentence for people */
  text: string;
  /** details */
  data: Record<string, string>;
  /** only in the answer to a new note: it is kept and waits for a disk that takes nothing just now; do not send it again */
  not_safe?: boolean;
};

/** Quiet hours of a system, with the figures that follow; SI. */
export type NightsAnswer = {
  system: string;
  from: string;
  to: string;
  /** of the quarter hours */
  step_s: number;
  /** where quiet hours come from, in words; empty where nothing balances */
  basis: string;
  /** how the methods agree, in words; empty where none tells anything */
  agreement: string;
  /** why there is no quiet hour; left out where there are some */
  absent?: string;
  /** quiet_demand, quiet_pressure, leak_flow, leak_share, leak_cost, as /figures has them */
  figures: Figure[];
  /** leak_methods, quiet_nights, quiet_users, as /figures has them */
  tables: Table[];
  nights: Night[];
  quarters: NightQuarters;
  /** the records behind the figures */
  instruments: InstrumentFacts[];
  /** what the figures rest on where that is not the window as asked */
  notes: string[];
};

/** A time in which nobody should work: from the end of one shift to the begin of the next. Without shifts in the site file, a time that was found quiet. */
export type Night = {
  from: string;
  to: string;
  /** how much of it counts as quiet */
  quiet_s: number;
  /** free air in its quiet minutes; null: it has none */
  flow_m3s: number | null;
  /** mean gauge pressure of the same minutes */
  pressure_pa: number | null;
  /** why nothing of it was taken */
  why?: string;
};

/** The quarter hours of the window, one after another. */
export type NightQuarters = {
  /** begin of the first */
  from: string;
  /** taken: quiet, and counts; shift: somebody works by the site file; unseen: it cannot be balanced; empty: too little pressure for leaks to be told; restless: more flows than at the night's level; short: level, but not for long enough at a stretch; busy: of a night that is left out whole */
  found: ("taken" | "shift" | "unseen" | "empty" | "restless" | "short" | "busy")[];
  /** mean free air; null in shifts and where it cannot be told */
  flow_m3s: (number | null)[];
  /** mean gauge pressure of the same minutes */
  pressure_pa: (number | null)[];
};

/** A system's leak tags, and what they add up to beside what is measured. SI; free air; uncertainties of 95 %. */
export type LeaksAnswer = {
  system: string;
  /** of the measured leak */
  from: string;
  to: string;
  /** the first found first */
  tags: LeakTag[];
  /** gauge, at which holes are reckoned: the mean of the quiet hours; null: not known, and no tag has a flow */
  pressure_pa: number | null;
  open: LeakSum;
  mended: LeakSum;
  measured?: LeakSum;
  untagged?: LeakSum;
  /** a year's, of the open tags, at what the measured leak costs */
  open_cost: number | null;
  currency: string;
  /** what the tags make of what is measured */
  sentence: string;
  method: string;
  /** why nothing is measured */
  absent?: string;
};

/** A sum of leaks. Below nothing where the tags make more than is measured. */
export type LeakSum = {
  /** tags */
  count: number;
  /** tags of these that have no flow */
  unsized: number;
  flow_m3s: number;
  uncertainty_m3s: number;
};

/** A leak that a person tagged, as its entries leave it. */
export type LeakTag = {
  /** its number: that of its first event */
  tag: number;
  system: string;
  place: string;
  state: "open" | "mended" | "withdrawn";
  /** diameter of the round hole that it was guessed as */
  hole_m: number | null;
  /** the jet's area by the hole's */
  coefficient: number;
  /** what leaves such a hole, choked; null: no size, or no pressure */
  flow_m3s: number | null;
  found: string | null;
  found_by: string;
  mended: string | null;
  mended_by: string;
  /** all that was said of it, the first first */
  entries: LeakTagSaid[];
};

/** One entry of a leak tag. */
export type LeakTagSaid = {
  seq: number;
  action: string;
  time: string | null;
  who: string;
  what: string;
};

/** What a person says of a leak. */
export type NewLeakTag = {
  /** left out: found */
  action?: "found" | "mended" | "again" | "correct" | "withdraw";
  /** which; left out where it is found */
  tag?: number;
  /** of a new one; may be left out where the site has one */
  system?: string;
  /** at most 200 characters */
  place?: string;
  /** diameter of a round hole that would hiss as loud, with its unit: 1/8 in, 3 mm */
  hole?: string;
  /** the jet's area by the hole's; left out: 0.65, a sharp edge */
  coefficient?: number;
  /** at most 160 characters */
  who: string;
  /** what was seen or done, or why; at most 2000 characters */
  what?: string;
  /** when it was so; left out: now */
  time?: string;
};

/** A system's demand for air over a window. Flows are free air as at the inlet. What was not observed is null, never nought. */
export type DemandAnswer = {
  system: string;
  /** the first step's beginning */
  from: string;
  /** the last step's end */
  to: string;
  step_s: number;
  /** the shortest time over which demand can be told; 0: not known */
  resolution_s: number;
  /** the same in words */
  resolution: string;
  /** over all observed minutes, m³/s */
  mean_m3s: number | null;
  /** of the mean; twice that is about 95 % */
  standard_uncertainty_m3s: number | null;
  /** what the mean's uncertainty comes from */
  budget: BudgetPart[];
  /** observed share of the window, 0 to 1 */
  coverage: number;
  /** where the window is not the one asked for */
  note?: string;
  method: string;
  inputs: string[];
  /** why there is none; left out where there is */
  absent?: string;
  steps: DemandStep[];
};

/** The demand in one step. */
export type DemandStep = {
  start: string;
  /** m³/s; a little below nought is noise about nought */
  demand_m3s: number | null;
  standard_uncertainty_m3s: number | null;
  /** the part that other steps do not share: resolution, noise, moments of load and unload */
  own_uncertainty_m3s: number | null;
  /** gauge, the mean of the minutes' ends */
  pressure_pa: number | null;
  /** observed share of the step, 0 to 1 */
  seen: number;
  /** share of its observed minutes in which a machine delivered, 0 to 1 */
  delivering: number;
};

/** The local dates of a window, each with its figures and what the machines did, and the same hours by weekday and clock. */
export type DaysAnswer = {
  kind: "machine" | "system";
  subject: string;
  from: string;
  to: string;
  /** length of a slot, s */
  slot_s: number;
  /** the channel of the days' pressure; left out where none is read */
  pressure?: string;
  days: Day[];
  energy_week: WeekMap;
  demand_week: WeekMap;
  instruments: InstrumentFacts[];
  /** what the window rests on where that is not what was asked for */
  notes: string[];
};

/** Where the electricity of a window went and what it cost, and what the air was that it made. Costs are in the currency and left out where the site file has no price. */
export type MoneyAnswer = {
  kind: "machine" | "system";
  subject: string;
  from: string;
  to: string;
  /** of all costs; left out where the site file has no price */
  currency?: string;
  /** the tariff's, in its order */
  prices: MoneyPrice[];
  /** those of /figures for from and to */
  figures: Figure[];
  /** what the window comes to in a year */
  year: Figure[];
  split: MoneySplit;
  hours: MoneyHours;
  /** none where demand is not charged */
  bills: MoneyBill[];
  air: MoneyAir;
  duration: MoneyDuration;
  /** of each machine */
  pressure: PressureCost[];
  instruments: InstrumentFacts[];
  /** what the window rests on where that is not what was asked for */
  notes: string[];
};

/** One price of the tariff. */
export type MoneyPrice = {
  name: string;
  /** currency per kWh */
  per_kwh: number;
};

/** Energy and its cost by what the machines did and by the tariff's prices. The states and the rest are the figure energy, their costs energy_cost. */
export type MoneySplit = {
  /** why it is not known by state */
  absent?: string;
  method?: string;
  /** those that were seen, in the order of work */
  states: MoneyState[];
  /** of no state: counted over gaps, and by how much counter and power do not agree */
  rest_kwh: number;
  rest_cost?: number;
};

/** One state's part; times of several machines add up. */
export type MoneyState = {
  /** unobserved: the state is not known */
  state: string;
  time_s: number;
  energy_kwh: number;
  /** half width of the 95 % interval */
  uncertainty_kwh: number;
  cost?: number;
  /** half width of the 95 % interval */
  cost_uncertainty?: number;
  /** of the energy, 0 to 1 */
  energy_share: number;
  /** of energy_cost, 0 to 1 */
  cost_share?: number;
  /** an entry for each of prices; empty where there are none */
  by_price: MoneyPart[];
};

/** What was paid for at one price. */
export type MoneyPart = {
  energy_kwh: number;
  cost: number;
};

/** Energy and its cost by hours of the local clock. */
export type MoneyHours = {
  /** why there is none */
  absent?: string;
  /** why the hours have no cost */
  cost_absent?: string;
  method?: string;
  rows: MoneyHour[];
  days: MoneyDay[];
  /** counted over gaps: of no hour; with it the rows are the figure energy */
  gaps_kwh: number;
  gaps_cost?: number;
  /** places of the rows that took the most, of the cost where there are prices, else of the energy */
  dearest: number[];
  /** how many of the dearest make half of the rows' sum */
  half_hours: number;
  /** their share of the hours that the window holds, 0 to 1 */
  half_share: number;
};

/** One hour of the clock, or the part of it that the window holds. */
export type MoneyHour = {
  from: string;
  to: string;
  observed_s: number;
  energy_kwh: number;
  cost?: number;
  /** place in prices; -1 where it has several */
  price?: number;
};

/** The hours of one local date together. */
export type MoneyDay = {
  /** local, like 2026-03-02 */
  date: string;
  from: string;
  to: string;
  observed_s: number;
  energy_kwh: number;
  cost?: number;
};

/** One charge for demand of one billing month. */
export type MoneyBill = {
  charge: string;
  /** of the billing month */
  from: string;
  to: string;
  /** currency per kW and billing month */
  per_kw: number;
  /** the month's highest demand of whom the bill is made to */
  peak_kw: number;
  peak_from: string;
  peak_to: string;
  /** more than the peak where a ratchet holds */
  billed_kw: number;
  /** the subject's part of what is billed */
  own_kw: number;
  /** of the month that lies in the window, 0 to 1 */
  share: number;
  cost: number;
  at_least?: boolean;
  note: string;
};

/** What air took, hour by hour, beside the machines' nameplates. */
export type MoneyAir = {
  /** why there are no points */
  absent?: string;
  /** of value and uncertainty */
  unit: string;
  method?: string;
  points: MoneyAirPoint[];
  /** of the machines that have rated power and flow in the site file */
  rated: MoneyRated[];
  /** hours left out, since too little of them was observed or too little air was made to tell */
  short: number;
};

/** specific_power of one hour. */
export type MoneyAirPoint = {
  from: string;
  to: string;
  /** mean flow of delivered air */
  flow_m3_min: number;
  value: number;
  /** half width of the 95 % interval */
  uncertainty: number;
};

/** A machine's nameplate: rated power over rated flow. */
export type MoneyRated = {
  machine: string;
  flow_m3_min: number;
  power_kw: number;
  value: number;
  /** rated pressure, gauge */
  pressure_kpa?: number;
};

/** A system's demand for air, the highest step first, and what its machines give. */
export type MoneyDuration = {
  /** why there is none */
  absent?: string;
  method?: string;
  step_s: number;
  curve: MoneyExceeded[];
  /** the machines one upon the other, in the site file's order */
  covers: MoneyCover[];
};

/** A demand and for how long it was exceeded. */
export type MoneyExceeded = {
  /** of the observed time, 0 to 1 */
  share: number;
  above_s: number;
  flow_m3_min: number;
  /** half width of the 95 % interval */
  uncertainty_m3_min: number;
};

/** What the machines up to one give at full load. */
export type MoneyCover = {
  machine: string;
  /** its own */
  flow_m3_min: number;
  /** of all up to it */
  up_to_m3_min: number;
  /** for how long the demand was above up_to_m3_min */
  above_s: number;
  /** of the observed time, 0 to 1 */
  share: number;
  /** how its flow is known */
  method: string;
};

/** What a little more or less pressure costs one machine, for the same air. */
export type PressureCost = {
  machine: string;
  /** why it is not known */
  absent?: string;
  /** gauge, at the outlet: around it the steps hold */
  pressure_kpa: number;
  /** what the slope rests on */
  basis?: string;
  /** a tenth of a bar and two psi */
  steps: PressureStep[];
  /** the rule of thumb, for comparison */
  handbook: string;
};

/** What one step of pressure brings. */
export type PressureStep = {
  step_kpa: number;
  /** pressure_step_power (% of the power under load), pressure_step_energy, pressure_step_cost of the window, pressure_step_cost_year */
  figures: Figure[];
};

/** One local date, or the part of it that lies in the window and before now. Its figures are those of /figures for from and to. */
export type Day = {
  /** local, like 2026-03-02 */
  date: string;
  from: string;
  to: string;
  /** of the date that lies in it, 0 to 1 */
  share: number;
  day_type: string;
  /** of the subject */
  figures: Figure[];
  slots_from: string;
  /** how many slots there are */
  slots: number;
  machines: DayMachine[];
  pressure?: DayPressure;
};

/** What one machine did on a day. */
export type DayMachine = {
  machine: string;
  figures: Figure[];
  /** for each state that was seen its seconds in each slot; what is missing from a slot was not observed */
  states: Record<string, number[]>;
  /** why no states are known */
  absent?: string;
};

/** For each slot the lowest, mean and highest reading, in the channel's unit; null where nothing was read. */
export type DayPressure = {
  min: (number | null)[];
  mean: (number | null)[];
  max: (number | null)[];
};

/** A mean by weekday and hour of the local clock, or in absent the reason there is none. */
export type WeekMap = {
  unit?: string;
  method?: string;
  absent?: string;
  /** the hours that the window holds, by day and hour */
  cells: WeekCell[];
};

/** An hour of the clock on one day of the week. */
export type WeekCell = {
  /** 0 is Monday */
  day: number;
  /** 0 to 23 */
  hour: number;
  /** mean over what was observed; left out where nothing was */
  value?: number;
  /** hours of it that were observed */
  observed_h: number;
  /** hours of it in the window */
  hours: number;
  /** the latest of these hours begins here */
  from: string;
  to: string;
};

/** Two periods side by side. Why they differ is not in it, nor a saving: compare brings those to equal work. */
export type PeriodsAnswer = {
  kind: "machine" | "system";
  subject: string;
  sentence: string;
  first: Period;
  second: Period;
  rows: PeriodRow[];
  /** what makes the two unlike beside what was done in them */
  remarks: string[];
  /** asks for the saving from the earlier to the later, with a baseline */
  command: string;
  instruments: InstrumentFacts[];
};

/** What one of two periods holds. */
export type Period = {
  from: string;
  to: string;
  /** of 24 hours */
  days: number;
  /** observed share, 0 to 1 */
  coverage: number;
  day_types: PeriodDays[];
};

/** How many local dates of a type lie in a period. */
export type PeriodDays = {
  name: string;
  days: number;
};

/** One figure in both periods. */
export type PeriodRow = {
  name: string;
  /** whose figure it is, in a system; left out: the subject's */
  machine?: string;
  first: Figure;
  second: Figure;
  /** what an observed day of 24 hours had, of figures that add up over time */
  first_per_day?: number;
  /** likewise */
  second_per_day?: number;
  difference: Figure;
  /** the difference over the first; left out where that is nothing */
  share?: number;
  /** the difference is more than it can be wrong by */
  told: boolean;
};

/** What power and sump pressure did in each unload that begins in the window. */
export type UnloadsAnswer = {
  machine: string;
  from: string;
  to: string;
  /** unloads that begin in the window; the list may have fewer */
  total: number;
  /** the channel of the power curves; left out where there is none */
  power?: string;
  /** kW; A where only a current is read */
  power_unit?: string;
  /** the channel of the sump pressure; left out where there is none */
  sump?: string;
  /** kPa, gauge */
  sump_unit?: string;
  /** what the unloads show */
  sentences: string[];
  /** what is not in the answer, and why */
  notes: string[];
  unloads: UnloadCurve[];
};

/** One unload. A point is the seconds since it, from -5 on, and the value as it was read. */
export type UnloadCurve = {
  start: string;
  lasted_s: number;
  /** what ended it; lost: nothing was read from some moment on; not: it goes on */
  ended: "load" | "stop" | "lost" | "not";
  power: [number, number][];
  sump: [number, number][];
};

/** How a machine loaded, unloaded and rested in a window: the records that the figures of the same window are made of. */
export type CyclesAnswer = {
  machine: string;
  from: string;
  to: string;
  /** how it matches its air to the demand, as the site file says */
  control: string;
  /** why no load cycles are told; left out where they are */
  absent?: string;
  /** what the cycles and starts show */
  sentences: string[];
  /** what is not in the answer, and why */
  notes: string[];
  /** how the states are told */
  method: string;
  inputs: string[];
  /** observed share of the window, 0 to 1 */
  coverage: number;
  /** over all cycles and starts, listed or not; what did not happen is left out */
  lengths: CycleLengths[];
  /** cycles that were over in the window; the list may have fewer */
  cycles_total: number;
  /** ascending */
  cycles: LoadCycle[];
  starts: StartsSeen;
  storage: CycleStorage;
  /** the window's times in which nothing was observed, ascending */
  unobserved: CycleGap[];
};

/** How lengths of one kind are distributed. */
export type CycleLengths = {
  /** loaded; unloaded until it loaded again, or until it stopped; cycle: from a load to the next, no stop between; rest: from a stop to the next start */
  what: "loaded" | "unloaded" | "unloaded_stops" | "cycle" | "rest";
  count: number;
  shortest_s: number;
  median_s: number;
  longest_s: number;
  /** ascending, in seconds; nothing is shorter than the first */
  classes: FigureClass[];
};

/** One load and what followed until the next. */
export type LoadCycle = {
  /** when it loaded */
  start: string;
  loaded_s: number;
  /** running; 0: it stopped from load */
  unloaded_s: number;
  /** what ended the unloaded running */
  ended: "load" | "stop";
  /** from this load to the next, rests included; left out where that was not seen */
  cycle_s?: number;
  /** the start of the motor that led to this load; left out where it had run unloaded since its last load, or was not seen to start */
  started?: string;
  /** gauge pressure at the load; left out, like the next three, where none was read */
  cut_in_kpa?: number;
  /** gauge pressure at the unload */
  cut_out_kpa?: number;
  /** lowest reading from the load to the end of the unloaded running */
  low_kpa?: number;
  /** highest reading in that time */
  high_kpa?: number;
  /** share of its full flow that was drawn from it, 0 to 1: loaded time less the delivery delay, over the cycle; left out where that cannot be said */
  demand?: number;
};

/** Every start of the motor against what it bears. */
export type StartsSeen = {
  /** starts in the window; the list may have fewer */
  total: number;
  /** the most in any 60 minutes; left out where there is none */
  limit?: number;
  /** whose the limit is, or why there is none */
  limit_basis: string;
  /** most within any 60 minutes of the window */
  most: number;
  /** part of the window was not observed: there may have been more */
  at_least?: boolean;
  /** the first 60 minutes that hold so many */
  busiest_from?: string;
  busiest_to?: string;
  /** starts that were more than the limit allows within 60 minutes */
  over: number;
  /** ascending */
  list: SeenStart[];
  /** starts of the window within the 60 minutes before each moment, as steps that hold until the next; none before the first */
  rolling: RollingStarts[];
  /** after how long unloaded it stops by itself; left out where its stops do not tell */
  no_load_stop_s?: number;
  /** how that is known, or why not */
  stop_basis: string;
};

/** One start of the motor. */
export type SeenStart = {
  at: string;
  from: StateName;
  /** since the motor stopped; left out where that is not known */
  rest_s?: number;
  /** starts of the window within the 60 minutes that end with it */
  in_hour: number;
  /** by itself after its supply had failed */
  after_power_failure?: boolean;
};

/** How many starts lie in the 60 minutes before a moment and after. */
export type RollingStarts = {
  at: string;
  starts: number;
};

/** How long cycles are that the storage alone makes at an even demand, held to the cycles as they were. Uncertainties are half widths at 95 %. */
export type CycleStorage = {
  /** why there is no such curve */
  absent?: string;
  method?: string;
  inputs: string[];
  /** between the pressures of the storage at the loads and at the unloads */
  band_kpa?: number;
  /** how long full flow takes to fill that, nobody drawing */
  fill_s?: number;
  fill_uncertainty?: number;
  /** how long after a load air comes */
  delay_s?: number;
  /** what the uncertainty of fill_s comes from */
  budget?: BudgetPart[];
  /** fill_s as the cycles have it: median of unloaded time times demand */
  seen_s?: number;
  seen_uncertainty?: number;
  /** how many cycles tell it */
  seen_of: number;
  /** the curve, ascending in demand */
  points: CyclePoint[];
};

/** How long a cycle is at a demand. */
export type CyclePoint = {
  /** share of full flow, 0 to 1 */
  demand: number;
  cycle_s: number;
  /** the interval at 95 % */
  low_s: number;
  high_s: number;
};

/** A time in which nothing was observed. */
export type CycleGap = {
  from: string;
  to: string;
  /** empty where it is not known */
  reason: string;
};

/** One machine's 15-minute cells of UTC time. */
export type IntervalsAnswer = {
  machine: string;
  intervals: Interval[];
};

/** What a machine did in one cell. */
export type Interval = {
  start: string;
  observed_s: number;
  /** seconds by state */
  states: Record<string, number>;
  /** left out without a meter */
  energy_kwh?: number;
  starts: number;
  load_cycles: number;
};

/** One message of the live socket. The first is a snapshot. seq grows by one with every message; after a gap the client sends {"type":"snapshot"} and gets a snapshot that includes everything up to its seq. */
export type LiveEnvelope = LiveSnapshot | LiveScan | LiveState | LiveDevice | LiveLine | LiveEvent | LiveTest | LiveAlarm | LiveFiguresChanged;

/** A live message: snapshot. */
export type LiveSnapshot = {
  seq: number;
  type: "snapshot";
  data: State;
};

/** A live message: scan. */
export type LiveScan = {
  seq: number;
  type: "scan";
  data: ScanUpdate;
};

/** A live message: state. */
export type LiveState = {
  seq: number;
  type: "state";
  data: MachineState;
};

/** A live message: device. */
export type LiveDevice = {
  seq: number;
  type: "device";
  data: DeviceState;
};

/** A live message: line. */
export type LiveLine = {
  seq: number;
  type: "line";
  data: LineState;
};

/** A live message: event. */
export type LiveEvent = {
  seq: number;
  type: "event";
  data: Event;
};

/** A live message: test. A guided test stands otherwise than it did. */
export type LiveTest = {
  seq: number;
  type: "test";
  data: TestStatus;
};

/** A live message: figures_changed. */
export type LiveFiguresChanged = {
  seq: number;
  type: "figures_changed";
  /** Nothing: ask for the figures again. */
  data: Record<string, unknown>;
};

/** One scan; values in the maps' units. */
export type ScanUpdate = {
  time: string;
  device: string;
  /** poll group, its period as written */
  group: string;
  /** good, or why there are no values */
  reason: string;
  /** by channel id; null where there is no good value */
  values: Record<string, number | null>;
  /** by channel id, why there is no good value in a scan whose reason is good; left out where every channel has one */
  reasons?: Record<string, string>;
};

/** What a client may send on the live socket. */
export type LiveRequest = {
  type: "snapshot";
};

/** The newest checkpoint of the evidence log. */
export type EvidenceHead = {
  /** its text, a signed note: what to keep elsewhere */
  checkpoint: string;
  /** its first line, which names the store */
  log: string;
  /** leaves of the log */
  size: number;
  /** of the Merkle tree, base64 */
  root: string;
  made: string | null;
  /** the first reading in the log; null where it has none */
  from: string | null;
  /** the last one */
  to: string | null;
  /** fingerprint of the key that signed */
  key: string;
};

/** A key that signs checkpoints. */
export type EvidenceKey = {
  /** it signs from here on */
  leaf: number;
  /** fingerprint */
  key: string;
};

/** One thing that is not as the evidence log has it. */
export type EvidenceBreak = {
  /** block_changed, block_damaged, block_missing, block_added, hashes_missing, event_changed, event_missing, event_added, event_moved, events_damaged, settings, text_changed, text_missing, seal, root, checkpoint, kept_checkpoint, log_damaged */
  what: string;
  /** -1: none */
  leaf: number;
  /** empty: no one device */
  device: string;
  /** null: of no certain time */
  from: string | null;
  to: string | null;
  text: string;
};

/** What became of the log since a checkpoint that was kept. */
export type EvidenceKept = {
  /** the log still begins with what the kept checkpoint names */
  holds: boolean;
  size: number;
  made: string | null;
  /** fingerprint */
  key: string;
  text: string;
};

/** What verifying the evidence log found. */
export type EvidenceVerdict = {
  /** nothing was found */
  sound: boolean;
  head?: EvidenceHead;
  leaves: number;
  seals: number;
  /** blocks whose readings were checked */
  blocks: number;
  /** blocks whose hashes alone are kept */
  dropped: number;
  /** scans in the blocks that were checked */
  readings: number;
  events: number;
  /** scans and events that are not in the log yet */
  unsealed: number;
  /** when the log began */
  began: string | null;
  /** blocks that were there before the log: nothing is proven of the time before */
  adopted_blocks: number;
  /** likewise */
  adopted_events: number;
  /** those that signed */
  keys: EvidenceKey[];
  break_count: number;
  /** the first by time, at most 100 */
  breaks: EvidenceBreak[];
  kept?: EvidenceKept;
};

/** What to verify against. */
export type VerifyRequest = {
  /** the text of a checkpoint that was kept outside the machine; left out: none */
  checkpoint?: string;
};

/** The levels that hold. */
export type LevelsAnswer = {
  machines: Levels[];
};

/** The levels of one channel that tell a machine's states, in the channel's unit. A level that is not known is left out. */
export type Levels = {
  machine: string;
  /** learnt, set, assumed or none */
  source: string;
  channel?: string;
  unit?: string;
  /** running begins here */
  run_on?: number;
  /** running ends below this */
  run_off?: number;
  /** loaded begins here */
  load_on?: number;
  /** loaded ends below this */
  load_off?: number;
  /** false where signals tell the states */
  needed: boolean;
  /** number of the event that made them hold */
  calibration?: number;
  /** how states are told */
  method: string;
  /** what the data showed, after learning */
  modes?: LevelMode[];
  /** why nothing was learnt */
  missing?: string;
};

/** One level at which the machine was found, in the channel's unit. */
export type LevelMode = {
  /** stopped, unloaded or loaded */
  name: string;
  median: number;
  p05: number;
  p95: number;
  seconds: number;
  visits: number;
};

/** What levels are to hold: one of learn, run with load, or forget. */
export type LevelsChange = {
  machine: string;
  learn?: boolean;
  /** of the data to learn from; left out: three days before to */
  from?: string | null;
  /** left out: the last scan */
  to?: string | null;
  /** running from here up, with its unit: 5 kW */
  run?: string;
  /** loaded from here up, with its unit: 22 kW */
  load?: string;
  /** the assumed levels hold again */
  forget?: boolean;
};

/** What stands in the devices now, as it came off the line. */
export type RegistersAnswer = {
  time: string;
  /** those that are polled or listened to */
  devices: DeviceRegisters[];
};

/** The entries of one device's register map. */
export type DeviceRegisters = {
  device: string;
  line: string;
  /** 0 on a text line */
  unit_id: number;
  /** its name */
  map: string;
  /** as the site file names it; several with a comma between */
  map_file: string;
  /** modbus or text */
  protocol: string;
  /** what must stand in the device for the map to be its own */
  verified: string[];
  registers: Register[];
};

/** One entry of a register map with what was last read of it: value = raw × scale + offset. */
export type Register = {
  id: string;
  name: string;
  role: string;
  period_ms: number;
  /** Modbus function that reads it; left out on a text line */
  function?: number;
  /** left out on a text line */
  table?: "coil" | "discrete" | "input" | "holding";
  /** zero-based; left out on a text line */
  address?: number;
  /** registers, or bits of coils and discrete inputs; left out on a text line */
  count?: number;
  /** of a text line: the question or print that has it */
  ask?: string;
  type: string;
  /** bit of the register, 0 is the least; left out where it is the whole */
  bit?: number;
  /** which word stands first; left out where there is one */
  order?: "big" | "little";
  scale: number;
  offset: number;
  unit: string;
  /** plausible range in unit; left out where any value is */
  valid?: [number, number];
  /** the count before scale and offset; empty where nothing came */
  raw: string;
  /** the registers' words in the order of their addresses, in hexadecimal; empty where the count does not tell them */
  words: string[];
  /** in unit; null where there is no good one */
  value: number | null;
  /** good, or why there is no value */
  quality: string;
  /** of the last scan; null where there was none */
  time: string | null;
  /** that is more than three periods ago */
  stale: boolean;
};

/** How the lines go since the agent started. */
export type LinesAnswer = {
  time: string;
  /** when counting began */
  started: string;
  /** those that are opened */
  lines: LineHealth[];
};

/** One serial port or TCP endpoint: what is set and what came of it. */
export type LineHealth = {
  line: string;
  kind: string;
  /** the port or the address */
  where: string;
  /** the port's settings; left out over a network */
  serial?: string;
  timeout_ms: number;
  turnaround_ms: number;
  /** the setting; left out where none is sent */
  echo?: "auto" | "on" | "off";
  /** requests were last seen to come back; left out while they are not */
  echo_seen?: boolean;
  /** it is only listened to */
  listen: boolean;
  up: boolean;
  /** what is open, or what is wrong and what mends it */
  detail: string;
  /** when up last changed */
  changed: string | null;
  /** openings after the first */
  reopened: number;
  /** due times passed over because the line was busy */
  missed: number;
  /** of the last busy_over_s, the share in which a request was under way; left out where nothing is asked */
  busy_share?: number;
  /** at most 60 */
  busy_over_s: number;
  /** what check predicts, of serial Modbus lines; else left out */
  predicted_share?: number;
  /** what to change where the periods do not fit; left out while they do */
  advice?: string;
  /** bytes that came unasked and were dropped; left out where nobody counts them */
  stray_bytes?: number;
  heard?: LineHeard;
  devices: DeviceHealth[];
};

/** What was heard of another master since the line was last opened. */
export type LineHeard = {
  bytes: number;
  requests: number;
  answers: number;
  /** answers to nothing that was asked */
  unpaired: number;
  /** bytes that are part of no frame */
  skipped: number;
  last_asked: string;
};

/** One device of a line: what was asked of it and what came. */
export type DeviceHealth = {
  device: string;
  /** 0 on a text line */
  unit_id: number;
  up: boolean;
  /** why it is down, else empty */
  reason: string;
  /** what is wrong and what mends it; empty while all is well */
  detail: string;
  /** what of the polling is not worth its time; else empty */
  hint: string;
  /** last good scan */
  last_scan: string | null;
  /** with values */
  scans: number;
  /** scans without values, and those in which a channel had none, by reason */
  errors: Record<string, number>;
  /** the sum of answers and failures */
  requests: number;
  answers: number;
  /** requests without an answer that can be used, by reason */
  failures: Record<string, number>;
  /** requests that asked the same once more */
  retries: number;
  /** answers with a bad checksum */
  damaged: number;
  /** answers that came after their request was given up; left out where nobody can tell */
  late?: number;
  replies?: ReplyTimes;
};

/** How long answers took, refusals included: from the end of the request to the end of its answer on Modbus; whole exchanges, the last 128, on a text line. */
export type ReplyTimes = {
  count: number;
  min_ms: number;
  /** at most a quarter too long */
  median_ms: number;
  /** likewise */
  p95_ms: number;
  max_ms: number;
  /** three times the longest, rounded up, at least 500 ms */
  suggested_timeout_ms: number;
};

/** The site file and its maps as they run, and what would happen with those on disk. */
export type SiteFilesAnswer = {
  checked: string;
  /** as they run: the site file, then its maps */
  files: SiteText[];
  /** what is likely not meant in them, calibrations that are over and lines asked for too much included */
  warnings: SiteProblem[];
  disk: DiskFiles;
};

/** A site file or register map. */
export type SiteText = {
  /** as the site file names it */
  name: string;
  /** a register map */
  map: boolean;
  /** SHA-256 of its bytes, in hex */
  hash: string;
  /** with the values of passwords, secrets and tokens taken out */
  text: string;
  /** those whose map it is */
  devices: string[];
};

/** One mistake, or what is likely not meant. */
export type SiteProblem = {
  file: string;
  /** from 1; left out where it is the file as a whole */
  line?: number;
  /** in characters from 1 */
  col?: number;
  key?: string;
  /** what is wrong */
  message: string;
  /** what to do; left out where message says it */
  mend?: string;
};

/** What stands in the files now, judged as loadscribe check does. */
export type DiskFiles = {
  /** refused: the agent would not start with them */
  state: "same" | "differs" | "refused";
  sentence: string;
  /** those that differ from what runs, and new ones */
  files: SiteText[];
  /** files that run and would be used no longer */
  unused: string[];
  /** what must be mended before a start */
  problems: SiteProblem[];
  warnings: SiteProblem[];
  changes: FileChange[];
};

/** A setting that differs from what runs. */
export type FileChange = {
  file: string;
  text: string;
  /** which figures it may affect */
  affects: string;
};

/** Whose check is to begin. */
export type HookupStart = {
  /** empty: the only one */
  machine: string;
};

/** What the person lets the machine do. */
export type HookupStepName = "stopped" | "unloaded" | "loaded" | "unloaded_again";

/** The machine now does this. */
export type HookupStep = {
  step: HookupStepName;
  /** leave the step out; unloaded and loaded cannot be */
  skip?: boolean;
};

/** A spot reading, SI. */
export type HookupSpot = {
  machine: string;
  when: "as_found" | "as_left";
  step: "unloaded" | "loaded";
  who: string;
  instrument: string;
  /** none, one, or one a phase */
  current_a: number[];
  /** none, one, or three line to line */
  voltage_v: number[];
  power_w: number | null;
  /** limit of error as a share of the reading; 0: 0.02 */
  power_accuracy: number;
};

/** How far a hook-up check is, and what it found. */
export type HookupReport = {
  /** empty where no check was begun */
  machine: string;
  /** the one that waits or is collected */
  step: "" | "stopped" | "unloaded" | "loaded" | "unloaded_again";
  phase: "idle" | "waiting" | "collecting" | "done";
  /** what the person is to do */
  instruction: string;
  cautions: string[];
  collected_s: number;
  needed_s: number;
  /** what is waited for, or why the step is to be done again */
  detail: string;
  steps: HookupStepReport[];
  checks: HookupCheck[];
  findings: HookupFinding[];
  /** empty until the last step is done */
  verdict: "" | "well" | "hint" | "wrong";
};

/** How far a step is, and what it gave. */
export type HookupStepReport = {
  step: HookupStepName;
  state: "waiting" | "collecting" | "done" | "skipped";
  readings: HookupReading[];
};

/** A role's mean over a step, SI. */
export type HookupReading = {
  role: string;
  mean: number;
  unit: "W" | "VA" | "A" | "V" | "Pa" | "1";
  samples: number;
};

/** One thing that must move rightly between the steps. */
export type HookupCheck = {
  name: "running_bit" | "loaded_bit" | "current" | "power" | "power_factor" | "pressure";
  result: "right" | "wrong" | "not judged";
  text: string;
};

/** Something wrong, by name. */
export type HookupFinding = {
  code: string;
  severity: "wrong" | "hint";
  text: string;
  /** the arithmetic it rests on */
  basis: string;
  /** what to do, with its caution */
  mend: string;
};

/** Whether sign-in is asked for, and who asks. */
export type Door = {
  /** Sign-in is asked for. Without, everybody who gets in may operate. */
  sign_in: boolean;
  /** There is no person yet: the first one is made with the set-up code. */
  set_up: boolean;
  person: DoorSelf | null;
  /** What this request may do; empty: nothing, it is not signed in. */
  role: "operate" | "look" | "";
  /** How long this session lasts without use, s; 0: there is none. */
  idle_s: number;
  /** SHA-256 of the server's certificate, as browsers show it; empty: no TLS. */
  fingerprint: string;
};

/** Who is signed in. */
export type DoorSelf = {
  name: string;
  /** What they may do. */
  role: "operate" | "look";
};

/** The first person. */
export type DoorSetUp = {
  /** As loadscribe prints it; case, blanks and dashes do not matter. */
  code: string;
  /** At most 64 characters. */
  name: string;
  /** 10 to 200 characters; the name must not be in it. */
  password: string;
};

/** Who signs in. */
export type DoorIn = {
  /** Upper and lower case are alike. */
  name: string;
  password: string;
};

/** An empty object. */
export type DoorNothing = Record<string, unknown>;

/** Another password. */
export type DoorPassword = {
  old: string;
  /** 10 to 200 characters; the name must not be in it. */
  new: string;
};

/** Who may sign in, by name. */
export type DoorPeople = {
  people: DoorPerson[];
};

/** A person. */
export type DoorPerson = {
  name: string;
  /** What they may do. */
  role: "operate" | "look";
  made: string;
  /** When they signed in last; null: never, or before the agent was started and not kept. */
  last_in: string | null;
  /** How many browsers are signed in. */
  sessions: number;
};

/** A person to add or change. */
export type DoorPersonChange = {
  /** At most 64 characters. */
  name: string;
  /** Left out: stays. */
  role?: "operate" | "look";
  /** 10 to 200 characters; left out: stays. */
  password?: string;
};

/** Whose way in is taken away. */
export type DoorPersonRemove = {
  name: string;
};

/** Who is signed in where. */
export type DoorSessions = {
  sessions: DoorSession[];
};

/** A signed-in browser. */
export type DoorSession = {
  /** To end it by; lets nobody in. */
  id: string;
  /** Whose it is. */
  name: string;
  began: string;
  /** When it was used last. */
  last: string;
  /** The address it was begun from; of a proxy, the proxy's. */
  from: string;
  /** It is the one that asks. */
  this: boolean;
};

/** Which sessions to end: either of the two. */
export type DoorSessionEnd = {
  id?: string;
  /** All of the caller's but the one that asks. */
  others?: boolean;
};

/** A set-up code. */
export type DoorCode = {
  /** Good for an hour, ten tries and one person. */
  code: string;
};

/** Which token. */
export type DoorScrape = {
  /** Make a new one; the old one no longer counts. */
  new?: boolean;
};

/** A scrape's token. */
export type DoorScrapeToken = {
  token: string;
};

/** What went wrong and how to mend it. */
export type Error = {
  error: ErrorDetail;
};

/** The error itself. */
export type ErrorDetail = {
  message: string;
  /** the query parameter at fault; empty where none is */
  field: string;
};

/** What other settings or machines would have done with the same air. */
export type ReplayRequest = {
  /** may be left out where there is one */
  system?: string;
  /** RFC 3339, a local date, now, or an age such as -7d; left out: seven days before to */
  from?: string;
  /** likewise, not included; a date includes that day; left out: now */
  to?: string;
  /** at most 100 */
  alternatives?: ReplayAlternative[];
  /** that may take another's place; left out: the invented examples */
  machines?: ReplayListed[];
  search?: ReplaySearch;
  /** give pressure and states at each event */
  trace?: boolean;
};

/** Changes that are tried together. */
export type ReplayAlternative = {
  name: string;
  set: ReplaySetting[];
};

/** One change, as a person writes it: docs/replay.md has the keys. */
export type ReplaySetting = {
  /** like comp1.cut_out */
  key: string;
  /** with its unit, like 112 psi */
  value: string;
};

/** A machine of a list. */
export type ReplayListed = {
  id: string;
  about: string;
  /** as in a site file */
  control: string;
  /** free air at the inlet */
  rated_flow_m3s: number;
  /** gauge */
  rated_pressure_pa: number;
  /** package input at rated flow and pressure */
  rated_power_w: number;
  /** of the flow; left out: the handbook's */
  least_share?: number;
  /** of the rated power; left out: the handbook's */
  unloaded_share?: number;
  motor_power_w?: number;
  /** that the motor allows */
  starts_per_hour?: number;
};

/** A replay at work, or one that has ended; it is kept for half an hour. */
export type ReplayJob = {
  id: string;
  state: "running" | "done" | "failed" | "cancelled";
  /** of the plays */
  done: number;
  /** 0 while the record is read */
  total: number;
  started: string | null;
  ended: string | null;
  /** why there is no answer */
  error?: string;
  /** what of the request was wrong */
  field?: string;
  answer?: ReplayAnswer;
};

/** Machines that may take another's place. */
export type ReplayMachines = {
  machines: ReplayListed[];
};

/** A setting as the plant has it. */
export type ReplayNow = {
  /** as it is changed, like comp1.cut_out */
  key: string;
  /** left out: of the plant */
  machine?: string;
  name: string;
  /** null: not known, or no number */
  value: number | null;
  /** Pa, s, m³ or 1; empty: text says it */
  unit: string;
  /** as a person would write it; empty: not known */
  text: string;
  /** what that rests on */
  basis: string;
};

/** One setting of an alternative beside what it is now. */
export type ReplayChange = {
  key: string;
  /** left out: of the plant */
  machine?: string;
  name: string;
  /** in the unit of the new one; empty: not known */
  was: string;
  /** how the present one is known */
  basis: string;
  becomes: string;
  /** what the setting is for */
  does: string;
  /** those of the alternative that this setting brings */
  cautions: string[];
};

/** Which replay is to end. */
export type ReplayCancel = {
  id: string;
};

/** The audit report of a window. */
export type ReportRequest = {
  /** RFC 3339, a local date, now, or an age such as -7d, which counts from the last reading before made_at; left out: seven days before to */
  from?: string;
  /** likewise, not included; a date includes that day; left out: now */
  to?: string;
  /** an earlier period FROM/TO to compare the window with */
  before?: string;
  /** to be replayed, at most 100; left out: those that suit the site */
  alternatives?: ReplayAlternative[];
  /** that may take another's place; left out: the invented examples */
  machines?: ReplayListed[];
  /** when the report is made: what was recorded, noted or learnt later is not in it; left out: the present */
  made_at?: string;
  /** the text of a checkpoint to print, shown to be of this log first; left out: the newest */
  checkpoint?: string;
  inputs?: ReportInputs;
};

/** Names of the files that alternatives and machines were read from, for the command that makes the report again. */
export type ReportInputs = {
  changes?: string;
  machines?: string;
};

/** A report at work, or one that has ended; it is kept for half an hour, the last three of them. */
export type ReportJob = {
  id: string;
  state: "running" | "done" | "failed" | "cancelled";
  /** of the steps */
  done: number;
  /** 0 while it is not known */
  total: number;
  started: string | null;
  ended: string | null;
  /** why there is no report */
  error?: string;
  /** what of the request was wrong */
  field?: string;
  answer?: ReportMade;
};

/** Which report is to end. */
export type ReportCancel = {
  id: string;
};

/** A report that was made. */
export type ReportMade = {
  title: string;
  site: string;
  /** as of when it is made */
  at: string;
  from: string;
  to: string;
  /** the first three, each with what following it is worth in a year, where that can be told */
  findings: string[];
  /** of all */
  finding_count: number;
  /** what of the window is not under the checkpoint, or why there is none */
  uncovered?: string;
  files: ReportFile[];
};

/** One file of a report. */
export type ReportFile = {
  name: string;
  /** media type */
  type: string;
  bytes: number;
  /** hex */
  sha256: string;
};

/** A value with its interval. */
export type ReplayAmount = {
  /** null: not known */
  value: number | null;
  /** half width, 95 % */
  uncertainty?: number;
  /** such as that it is chaotic here */
  note?: string;
};

/** What a plant did, or would have done, over the replayed time. */
export type ReplayOutcome = {
  energy_kwh: ReplayAmount;
  /** energy and demand, in the tariff's currency */
  cost: ReplayAmount;
  demand_cost: ReplayAmount;
  emissions_kg: ReplayAmount;
  starts: ReplayAmount;
  /** in any 60 minutes, of the worst machine */
  starts_per_hour_max: ReplayAmount;
  load_cycles: ReplayAmount;
  /** a running hour */
  load_cycles_per_hour: ReplayAmount;
  /** gauge, of the stores */
  lowest_pressure_pa: ReplayAmount;
  mean_pressure_pa: ReplayAmount;
  below_minimum_s: ReplayAmount;
  specific_power_w_per_m3s: ReplayAmount;
  /** how long the users went without some of their air */
  short_s: number;
  /** of how much; null: not known, as of what was measured */
  short_m3: number | null;
  machines: ReplayMachineOutcome[];
  trace?: ReplayTracePoint[];
};

/** One machine's part. */
export type ReplayMachineOutcome = {
  machine: string;
  energy_kwh: number;
  energy_by_state_kwh: Record<string, number>;
  time_by_state_s: Record<string, number>;
  starts: number;
  load_cycles: number;
};

/** Pressure and states at an event. */
export type ReplayTracePoint = {
  /** Unix ms */
  at_ms: number;
  pressure_pa: number;
  /** in the order of machines */
  states: string[];
  /** what lies before was not observed */
  gap?: boolean;
};

/** One alternative. */
export type ReplayResult = {
  name: string;
  set: ReplaySetting[];
  /** that reproduce it on the command line */
  flags: string;
  /** each setting beside what it is now */
  changes: ReplayChange[];
  outcome: ReplayOutcome;
  /** against the present settings, over the replayed time */
  saved_kwh: ReplayAmount;
  /** of the measured energy, 0 to 1 */
  saved_share: ReplayAmount;
  saved_cost: ReplayAmount;
  saved_emissions_kg: ReplayAmount;
  /** by weeks_per_year */
  saved_kwh_year: ReplayAmount;
  saved_cost_year: ReplayAmount;
  /** what a year's saving takes for granted */
  assumes_year?: string;
  /** of saved_kwh */
  budget: BudgetPart[];
  remarks: string[];
  cautions: string[];
  /** why it cannot be told */
  absent?: string;
};

/** One value that a replay rests on. */
export type ReplayCalibrated = {
  machine?: string;
  name: string;
  value: number;
  /** half width, 95 % */
  uncertainty: number;
  unit: string;
  basis: string;
};

/** How well the replay with the present settings meets what was measured. */
export type ReplayFit = {
  /** replayed over measured, less 1 */
  energy_off_share: number;
  load_cycles_off_share: number;
  starts_off: number;
  /** of the minutes' ends */
  pressure_rms_pa: number;
  lowest_pressure_off_pa: number;
  poor: boolean;
  words: string;
};

/** A whole replay: how well it meets what happened, then each alternative. */
export type ReplayAnswer = {
  system: string;
  from: string;
  to: string;
  /** replayed share of the window */
  coverage: number;
  resolution: string;
  currency?: string;
  measured: ReplayOutcome;
  /** replayed with the present settings */
  present: ReplayOutcome;
  fit: ReplayFit;
  calibration: ReplayCalibrated[];
  /** as the plant has them */
  settings: ReplayNow[];
  alternatives: ReplayResult[];
  search?: ReplayFront;
  remarks: string[];
  method: string;
  inputs: string[];
  /** why nothing can be replayed */
  absent?: string;
};

/** What a search may change and which limits it must keep. */
export type ReplaySearch = {
  /** settings that hold in every combination */
  set?: Record<string, unknown>;
  /** for each key a list of values, or an object with from, to and step; "as is" leaves it */
  vary: Record<string, unknown>;
  limits: ReplayLimits;
  /** for each varied key a number, or an object with a number for each value */
  price?: Record<string, unknown>;
};

/** What a combination must keep; what is left out is no limit, but for below_minimum: then no longer than now. */
export type ReplayLimits = {
  /** like 90 psi */
  lowest_pressure?: string;
  starts_per_hour?: number;
  cycles_per_hour?: number;
  /** like 2 min, in all */
  below_minimum?: string;
  /** air that users went without, like 10 m³, in all */
  short?: string;
  budget?: number;
};

/** What a search found. */
export type ReplayFront = {
  /** combinations */
  tried: number;
  /** whose settings contradict each other */
  impossible: number;
  impossible_example?: string;
  broke: ReplayBroken[];
  allowed: number;
  /** that no other beats; some of them are shown */
  best: number;
  points: ReplayPoint[];
  remarks: string[];
  method: string;
  /** why there is no point */
  absent?: string;
};

/** A limit and how many combinations break it. */
export type ReplayBroken = {
  limit: string;
  count: number;
};

/** One of the best combinations. */
export type ReplayPoint = {
  result: ReplayResult;
  price?: number;
  /** price over the saving of a year */
  payback_years?: number;
  /** other combinations that come to the same */
  alike: number;
};

/** What a GET of each path answers with, as JSON. */
export interface Answers {
  "/api/v1/site": Site;
  "/api/v1/state": State;
  "/api/v1/series": SeriesAnswer | ColumnsAnswer;
  "/api/v1/moments": MomentsAnswer;
  "/api/v1/below": BelowAnswer;
  "/api/v1/figures": FiguresAnswer;
  "/api/v1/figure-names": FigureNamesAnswer;
  "/api/v1/nights": NightsAnswer;
  "/api/v1/leaks": LeaksAnswer;
  "/api/v1/events": EventsAnswer;
  "/api/v1/faults": FaultsAnswer;
  "/api/v1/text": TextAnswer;
  "/api/v1/service": ServiceAnswer;
  "/api/v1/service/effect": ServiceEffectAnswer;
  "/api/v1/missed": MissedAnswer;
  "/api/v1/days": DaysAnswer;
  "/api/v1/money": MoneyAnswer;
  "/api/v1/periods": PeriodsAnswer;
  "/api/v1/compare": Comparison;
  "/api/v1/intervals": IntervalsAnswer;
  "/api/v1/demand": DemandAnswer;
  "/api/v1/unloads": UnloadsAnswer;
  "/api/v1/cycles": CyclesAnswer;
  "/api/v1/evidence": EvidenceHead;
  "/api/v1/levels": LevelsAnswer;
  "/api/v1/registers": RegistersAnswer;
  "/api/v1/lines": LinesAnswer;
  "/api/v1/sitefile": SiteFilesAnswer;
  "/api/v1/hookup": HookupReport;
  "/api/v1/tests": Tests;
  "/api/v1/openapi.json": Record<string, unknown>;
  "/api/v1/newsite": NewSite;
  "/api/v1/remote-write": RemoteWrites;
  "/api/v1/alarms": Alarms;
  "/api/v1/audit": Audit;
  "/api/v1/door": Door;
  "/api/v1/door/people": DoorPeople;
  "/api/v1/door/sessions": DoorSessions;
  "/api/v1/replay": ReplayJob;
  "/api/v1/replay/machines": ReplayMachines;
  "/api/v1/report": ReportJob;
}
