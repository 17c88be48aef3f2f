package publish

// Family is a metric: its name, help and labels. What is scraped and what is sent on
// (agent/publish/samples) have their names from here.
type Family uint8

// The families.
const (
	PressureFamily Family = iota
	TemperatureFamily
	PowerFamily
	EnergyFamily
	RunningEnergyFamily
	AirFamily
	StartsFamily
	CyclesFamily
	StateFamily
	StateSecondsFamily
	FlowFamily
	recentStartsFamily
	startsLimitFamily
	SystemPressureFamily
	SystemFlowFamily
	QuietDemandFamily
	DeviceUpFamily
	deviceLastFamily
	errorsFamily
	secondsFamily
	restartsFamily
	missedFamily
	agentStartFamily
	alarmsFamily
	rulesFamily
	messagesWaitingFamily
	messagesSentFamily
	messagesLostFamily
	targetsFamily
	receiversFamily
	sentSamplesFamily
	refusedSamplesFamily
	unsentScansFamily
	sendLagFamily
	lostScansFamily
	sendRequestsFamily
	sendRetriesFamily
	sentBytesFamily
	storeUpFamily
	storeBytesFamily
	databaseFamily
	freePagesFamily
	oldestFamily
	droppedDaysFamily
	cleanupFamily
	cleanupUpFamily
	scansFamily
	durableFamily
	droppedFamily
	freeFamily
	waitingFamily
	clientsFamily
	coalescedFamily
	kickedFamily
	refusedFamily
	numFamilies
)

type familyText struct {
	name, help string
	labels     []string
}

const (
	absentLater  = " Absent once its scan is older than three periods."
	sinceBegan   = " since the store began."
	sinceStarted = " since the agent started."
)

var familyTexts = [numFamilies]familyText{
	PressureFamily:    {"pressure_pascals", "Gauge pressure." + absentLater, []string{"machine", "role"}},
	TemperatureFamily: {"temperature_celsius", "Temperature." + absentLater, []string{"machine", "role"}},
	PowerFamily:       {"power_watts", "Electrical power." + absentLater, []string{"machine", "role"}},
	FlowFamily: {"flow_cubic_meters_per_second", "Air flow as the machine's own meter gives it: free air, or air at the meter's reference conditions." +
		absentLater, []string{"machine"}},
	EnergyFamily: {"energy_joules_total", "Electrical energy taken" + sinceBegan + " Absent without a meter.", []string{"machine"}},
	RunningEnergyFamily: {"running_energy_joules_total", "Electrical energy taken while the motor was on" + sinceBegan +
		" All of it where only an energy counter is read. Absent without a meter or where no signal tells when it runs.", []string{"machine"}},
	AirFamily: {"air_cubic_meters_total", "Free air delivered, metered or from the rated flow, which is then an assumption," + sinceBegan +
		" Absent where neither is known.", []string{"machine"}},
	StartsFamily:       {"starts_total", "Motor starts seen" + sinceBegan + " Absent where no signal tells.", []string{"machine"}},
	CyclesFamily:       {"load_cycles_total", "Load cycles seen" + sinceBegan + " Absent where no signal tells loaded from unloaded.", []string{"machine"}},
	StateFamily:        {"state", "1 for the state the machine is in, 0 for the others.", []string{"machine", "state"}},
	StateSecondsFamily: {"state_seconds_total", "Observed time in each state" + sinceBegan + " Absent where no signal tells.", []string{"machine", "state"}},
	recentStartsFamily: {"recent_starts", "Motor starts seen in the last 60 minutes. Absent where no signal tells.", []string{"machine"}},
	startsLimitFamily:  {"starts_limit", "Starts in 60 minutes that the motor may have, by the site file. Absent where it does not say.", []string{"machine"}},
	SystemPressureFamily: {"system_pressure_pascals", "Gauge pressure at a tap of the system." + absentLater,
		[]string{"system", "channel", "role"}},
	SystemFlowFamily: {"system_flow_cubic_meters_per_second", "Air flow at a tap of the system as the meter gives it: free air, or air at the " +
		"meter's reference conditions." + absentLater, []string{"system", "channel"}},
	QuietDemandFamily: {"quiet_demand_cubic_meters_per_second", "Free air that flows when nobody works, of the last seven days. Absent where it cannot be told.",
		[]string{"system"}},
	DeviceUpFamily:   {"device_up", "1 while the device answers, 0 after three scans in a row without values.", []string{"device"}},
	deviceLastFamily: {"device_last_good_scan_timestamp_seconds", "Unix time of the device's last good scan.", []string{"device"}},
	errorsFamily:     {"scan_errors_total", "Scans without values or with channels that have no good one, by reason," + sinceBegan, []string{"device", "reason"}},
	secondsFamily:    {"scan_duration_seconds", "How long the exchange of a good scan took" + sinceStarted, []string{"device"}},
	restartsFamily:   {"line_restarts_total", "Times that the device's line hung and was begun anew" + sinceStarted, []string{"device"}},
	missedFamily: {"line_missed_polls_total", "Times that a poll on the device's line was due and passed over because the line was busy" + sinceStarted,
		[]string{"device"}},
	agentStartFamily: {"agent_start_timestamp_seconds", "Unix time at which the agent started.", nil},
	alarmsFamily: {"alarms_standing", "Alarms that stand, by what the rule is on (reason): raised, acknowledged, shelved, or returned and not yet acknowledged.",
		[]string{"reason", "state"}},
	rulesFamily:           {"alarm_rules", "Rules of the site file, by how they stand. A blind rule does not see what it watches.", []string{"state"}},
	messagesWaitingFamily: {"messages_waiting", "Messages of alarms that are not delivered yet, of all targets. Absent without targets.", nil},
	messagesSentFamily:    {"messages_sent_total", "Messages that were delivered, tests among them, of all targets. Absent without targets.", nil},
	messagesLostFamily:    {"messages_given_up_total", "Messages of alarms that were not delivered and will not be, of all targets. Absent without targets.", nil},
	targetsFamily:         {"message_targets", "Targets of messages, by how their last attempt went. Absent without targets.", []string{"state"}},
	receiversFamily:       {"remote_write_receivers", "Receivers of samples, by how it stands: held ones wait for a person. Absent without receivers.", []string{"state"}},
	sentSamplesFamily:     {"remote_write_samples_total", "Samples that receivers took, of all receivers. Absent without receivers.", nil},
	refusedSamplesFamily:  {"remote_write_refused_samples_total", "Samples that a receiver will never take, by reason. Absent without receivers.", []string{"reason"}},
	unsentScansFamily:     {"remote_write_waiting_scans", "Scans that are stored and not sent on yet, of the receiver that is furthest behind. Absent without receivers.", nil},
	sendLagFamily:         {"remote_write_lag_seconds", "How much older than the newest stored scan the oldest is that is not sent on yet, of the receiver that is furthest behind. Absent without receivers.", nil},
	lostScansFamily:       {"remote_write_missed_scans_total", "Scans that were no longer kept when it was their turn. Absent without receivers.", nil},
	sendRequestsFamily:    {"remote_write_requests_total", "Requests made to receivers. Absent without receivers.", nil},
	sendRetriesFamily:     {"remote_write_retries_total", "Of these, those that followed one without a settling answer. Absent without receivers.", nil},
	sentBytesFamily:       {"remote_write_sent_bytes_total", "Bytes of payload sent to receivers. Absent without receivers.", nil},
	storeUpFamily:         {"store_up", "1 when the store is writing.", nil},
	storeBytesFamily:      {"store_directory_bytes", "Size of the data directory, looked at every five minutes.", nil},
	databaseFamily:        {"store_database_bytes", "Size of store.db, looked at every five minutes.", nil},
	freePagesFamily:       {"store_free_page_bytes", "Of store.db, what is free and will be used again.", nil},
	oldestFamily:          {"store_oldest_scan_timestamp_seconds", "Unix time of the oldest raw scan that is kept.", nil},
	droppedDaysFamily:     {"store_cleanups_total", "Times that the raw scans of a day were dropped, as keep_raw says," + sinceStarted, nil},
	cleanupFamily:         {"store_cleanup_timestamp_seconds", "Unix time when it was last looked for days to drop. Absent where all is kept.", nil},
	cleanupUpFamily:       {"store_cleanup_up", "1 when that went well. Absent where all is kept.", nil},
	scansFamily:           {"store_scans_total", "Scans taken" + sinceBegan, nil},
	durableFamily:         {"store_durable_scans_total", "Scans safe on disk" + sinceBegan, nil},
	droppedFamily:         {"store_dropped_scans_total", "Scans that were read and could not be kept" + sinceBegan, nil},
	freeFamily:            {"store_free_bytes", "Free space on the disk of the data directory, looked at each minute. Absent where it cannot be told.", nil},
	waitingFamily:         {"store_waiting_scans", "Scans that were read and are not yet safe on disk.", nil},
	clientsFamily:         {"live_clients", "Live sockets that are open.", nil},
	coalescedFamily:       {"live_coalesced_total", "Live messages left out for a newer one" + sinceStarted, nil},
	kickedFamily:          {"live_kicked_total", "Live sockets closed because they were too far behind" + sinceStarted, nil},
	refusedFamily:         {"live_refused_total", "Live sockets refused because too many were open" + sinceStarted, nil},
}

// Name is the metric's name, prefix and all.
func (f Family) Name() string { return "loadscribe_" + familyTexts[f].name }

// Labels names the labels, in the order in which Put gets their values. The caller
// must not change it.
func (f Family) Labels() []string { return familyTexts[f].labels }

// Put takes one value of a family.
type Put func(f Family, value float64, labels ...string)
