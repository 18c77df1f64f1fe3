// Package symptoms is the one table of what a wrong setting or input looks like
// and what mends it: the code of the verdict line, the setting or input to change,
// and its words. Screen, verdict lines, day check and report read it, so that all
// of them name the same thing first.
//
// Whoever sees a symptom makes a [Finding] with the value that the data suggest, as
// the settings file would have it; its text names setting and value before what was
// seen. Start at [Finding] and [Of].
package symptoms

import "slices"

// ID names a symptom, in the order in which to mend them: what stands first makes
// what comes behind it look wrong too.
type ID uint8

// The symptoms.
const (
	None         ID = iota
	FixPlace        // positions nowhere near the base
	IMUUnread       // lines that the columns do not fit
	IMUTimes        // stamps in steps
	IMUClock        // stamps of another clock
	IMUColumns      // rates and forces in each other's place, or turned round one by one
	IMUUnits        // gravity or turns in another unit
	IMUMounting     // turned in the car
	IMUStuck        // the same values all the time
	IMURate         // too slow to follow the car
	FixDecimals     // positions in steps
	FixGate         // the receiver is fixed, the fix gate of the settings refuses it
	GNSSLatency     // epochs placed at the wrong time
	GNSSVelocity    // the reported velocity is late
	LeverArm        // antenna and sensor are not where the settings have them
	Motion          // receiver and sensor disagree, nothing says why
	FixRate         // a receiver that is slow
	Levels          // the levels cannot meet the limits of the settings
	MapElsewhere    // the map is of another place
	MapShifted      // the car drove outside the map's edges
	MapWidth        // the map tells no width
	WheelUnread     // as those of the inertial sensor
	WheelClock
	WheelUnits
	WheelStuck
	FixDamaged // sentences arrive damaged
	LinkUnread // corrections that are none
	LinkClock  // stamps of another clock
	GNSSClock  // sentences in GPS time
	NumIDs
)

// Symptom is a row of the table.
type Symptom struct {
	Code  string // of verdict lines and events
	Mend  string // the setting or input to change
	Now   string // while it shows: "units of the inertial sensor look wrong"
	Was   string // afterwards, half a sentence
	Do    string // where the finding suggests no value
	Stops bool   // the position cannot be believed with it

	// Explains are the codes of reasons, and the causes of outages, that it is
	// the cause of where it does not stop.
	Explains []string
}

var (
	levels = []string{"pl-lateral", "pl-along", "pl-heading", "coast-budget", "aligning"}
	drifts = []string{"drift-suspected", "drift", "jump", "fix-refuted", "fix-unproven", "innovation", "velocity", "coast-budget", "pl-lateral", "pl-along", "unknown"}
)

const doSetup = "kerbline setup RECORDING finds it"

var table = [NumIDs]Symptom{
	None: {"", "", "nothing looks wrong", "nothing looked wrong", "", false, nil},
	FixPlace: {"fix-place", "the receiver's sentences", "positions are nowhere near the base", "the positions were nowhere near the base",
		"look at the hemisphere, and at the order of latitude and longitude, in what writes the sentences", true, nil},
	IMUUnread: {"imu-unread", "columns.imu", "inertial lines cannot be read", "the lines of the inertial sensor could not be read",
		"say with columns.imu what its columns hold, or write it as t,wx,wy,wz,fx,fy,fz in s, rad/s, m/s^2; " + doSetup, true, nil},
	IMUTimes: {"imu-times", "the inertial sensor's times", "IMU times come in steps", "the times of the inertial sensor came in steps",
		"let what writes the samples write their times to 1 ms or finer", true, nil},
	IMUClock: {"imu-clock", "columns.imu_offset_s", "IMU times are of another clock", "the times of the inertial sensor were of another clock",
		"set columns.imu_offset_s; " + doSetup, true, nil},
	IMUColumns: {"imu-columns", "columns.imu", "IMU columns look exchanged", "columns of the inertial sensor looked exchanged or turned round",
		"set columns.imu; " + doSetup, true, nil},
	IMUUnits: {"imu-units", "columns.imu", "IMU units look wrong", "units of the inertial sensor looked wrong",
		"set the units in columns.imu; " + doSetup, true, nil},
	IMUMounting: {"imu-mounting", "imu.mount_yaw_deg, imu.mount_pitch_deg, imu.mount_roll_deg", "IMU is turned in the car", "the inertial sensor was turned in the car",
		"set imu.mount_yaw_deg, imu.mount_pitch_deg and imu.mount_roll_deg; " + doSetup, true, nil},
	IMUStuck: {"imu-stuck", "the inertial sensor", "IMU repeats one value", "the inertial sensor repeated one value while the car moved",
		"restart the inertial sensor and its driver; look at its file", true, nil},
	IMURate: {"imu-rate", "the inertial sensor's rate", "IMU is too slow", "the inertial sensor was too slow to follow the car",
		"let it send 100 Hz or more", false, levels},
	FixDecimals: {"fix-decimals", "the receiver's decimals", "receiver gives positions in steps", "the receiver gave positions in steps",
		"let the receiver send 7 decimals of a minute in GGA", true, nil},
	FixGate: {"fix-gate", "the fix gate, [gnss]", "fix gate of the settings is too strict", "the fix gate of the settings refused a fixed receiver", "", false, []string{"corr-age", "sats", "hdop", "fix-sigma", "fix-quality"}},
	GNSSLatency: {"gnss-latency", "gnss.latency_s", "latency of the settings looks wrong", "the receiver's latency was not that of the settings",
		"set gnss.latency_s; check the forward lever arm and its sign; " + doSetup, true, nil},
	GNSSVelocity: {"gnss-velocity", "gnss.speed_lag_s", "receiver's velocity comes late", "the receiver's velocity came later than its positions moved",
		"let the receiver send a velocity that is not smoothed, or set gnss.speed_lag_s to how late it is", false, drifts},
	LeverArm: {"lever-arm", "vehicle.antenna_m", "lever arm looks wrong", "the antenna was not where the settings have it",
		"measure vehicle.antenna_m and imu.position_m again, with their signs; " + doSetup, true, nil},
	Motion: {"imu-motion", "the inertial sensor or the receiver", "receiver and IMU disagree on the motion", "receiver and inertial sensor disagreed on the motion",
		"compare axes, units and clocks of the inertial sensor and the lever arm with the settings; " + doSetup, true, nil},
	Levels: {"levels-limit", "[limits], vehicle.half_width_m, vehicle.tracking_margin_m", "limits cannot be met with this equipment", "the limits of the settings could not be met", "widen the limit if the track has the room, or drive reactively there", false, levels},
	FixRate: {"fix-rate", "the receiver's rate", "receiver is slow", "the receiver's rate was too low",
		"let the receiver send 5 to 10 epochs a second", false, levels},
	MapElsewhere: {"map-elsewhere", "the map", "map is of another place", "the map was of another place than the drive",
		"give the map of this track (--course), longitude before latitude", true, nil},
	MapShifted: {"map-shifted", "the map or the base", "car is outside the map's edges", "the car drove outside the map's edges",
		"check that base and map are of one survey; kerbline setup RECORDING says by how much the laps are shifted", true, nil},
	MapWidth: {"map-width", "half_width_m of the map", "map tells no width", "the map told no width, so that the lateral limit is that of the settings everywhere",
		"write half_width_m into the map's properties: a number, or one for each vertex", false, nil},
	WheelUnread: {"wheel-unread", "columns.wheel", "wheel lines cannot be read", "the lines of the wheel could not be read",
		"say with columns.wheel what its columns hold, or write it as t,v in s, m/s; " + doSetup, false, drifts},
	WheelClock: {"wheel-clock", "columns.wheel_offset_s", "wheel times are of another clock", "the times of the wheel were of another clock",
		"set columns.wheel_offset_s; " + doSetup, false, drifts},
	WheelUnits: {"wheel-units", "columns.wheel", "wheel speed looks wrong", "units or sign of the wheel speed looked wrong",
		"set unit and sign in columns.wheel; " + doSetup, false, drifts},
	WheelStuck: {"wheel-stuck", "the wheel sensor", "wheel stands while the car moves", "the wheel sensor stood while the car moved",
		"check the wheel sensor and its cable, or leave its file out", false, drifts},
	FixDamaged: {"fix-damaged", "the receiver's line", "sentences arrive damaged", "sentences of the receiver arrived damaged",
		"compare the baud rate of the port with the receiver's; check cable, ground and what else writes on that line", false,
		[]string{"receiver-silent", "receiver_silent", "epoch-late", "fix-quality", "requalifying", "fix-unproven", "aligning", "coast-budget", "unknown"}},
	LinkUnread: {"link-unread", "the corrections", "corrections cannot be read", "the corrections could not be read",
		"write them as t,hex with host Unix seconds, or as RTCM 3 bytes", false, []string{"link-corrupt", "link_corrupt", "link-silent", "link_silent"}},
	LinkClock: {"link-clock", "the corrections' times", "times of the corrections are of another clock", "the times of the corrections were of another clock",
		"stamp corrections and receiver by one clock", false, []string{"link-late", "link_late", "corr-age"}},
	GNSSClock: {"gnss-clock", "columns.gnss_offset_s", "sentences tell GPS time, not UTC", "the sentences told GPS time, not UTC",
		"set columns.gnss_offset_s = -18.0", false, []string{"link-late", "link_late"}},
}

// Of returns the row of a symptom.
func Of(id ID) *Symptom { return &table[id%NumIDs] }

// ByCode returns the symptom with the code of a verdict line, None where it is no
// symptom's.
func ByCode(code string) ID {
	for id := None + 1; id < NumIDs; id++ {
		if table[id].Code == code {
			return id
		}
	}
	return None
}

// IsCauseOf reports whether a symptom explains a reason or a cause of another name.
func (id ID) IsCauseOf(code string) bool { return slices.Contains(Of(id).Explains, code) }

// Finding is a symptom that was seen.
type Finding struct {
	ID   ID
	Set  string // what to set, as the settings file has it: "columns.imu = \"...\""; empty where the data suggest nothing
	Seen string // what was seen, in words
}

// Text names what to change and what was seen.
func (f *Finding) Text() string {
	switch {
	case f.ID == None:
		return ""
	case f.Set == "":
		return f.Seen
	}
	return "set " + f.Set + ": " + f.Seen
}

// Do returns what to do about it.
func (f *Finding) Do() string {
	if f.Set == "" {
		return Of(f.ID).Do
	}
	return "set " + f.Set
}
