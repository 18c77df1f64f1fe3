package tui

import (
	"math"
	"time"

	"kerbline/fusion"
	"kerbline/fusion/parameters"
	"kerbline/fusion/symptoms"
	"kerbline/fusion/trust"
	"kerbline/gnss"
	"kerbline/gnss/corrections"
	"kerbline/gnss/geodesy"
	"kerbline/gnss/rtcm"
)

// sampleT is the host time of the samples: 2026-06-20 08:02:17.437 on a host
// that is half a second ahead of UTC.
const sampleT = 1781942537.437 + 0.5

var nan = math.NaN()

// quarryLoop is the invented circuit of the samples: a loop of about 480 m.
func quarryLoop() []geodesy.LLA {
	f := geodesy.NewFrame(geodesy.LLA{Lat: 44.47 * geodesy.Degree, Lon: 11.4 * geodesy.Degree, H: 120})
	var out []geodesy.LLA
	for i := range 96 {
		a := 2 * math.Pi * float64(i) / 96
		e := 85*math.Cos(a) + 14*math.Cos(3*a)
		n := 48*math.Sin(a) + 16*math.Sin(2*a)
		out = append(out, f.ToLLA(geodesy.ENU{E: e, N: n}))
	}
	return out
}

func sampleType(number int, rate float64, every int, dead int) corrections.TypeStat {
	t := corrections.TypeStat{Number: number, Count: 600, Rate: rate, Last: sampleT - 0.4, MaxGap: 2.1, Bytes: 180}
	for i := range t.Minute {
		if i%every == 0 && i < 60-dead {
			t.Minute[i] = 1
		}
	}
	if dead > 0 {
		t.Last = sampleT - float64(dead)
	}
	return t
}

// sampleUsable is a good lap, live and recorded.
func sampleUsable() *View {
	s := fusion.Snapshot{
		Claim: fusion.Claim{Since: nan, LLR: nan, Believe: 6.9, Refute: -6.9, Proven: sampleT},
		T:     sampleT, Seq: 4711, UTC: sampleT - 0.5, Verdict: fusion.Usable, Advice: fusion.AdviseMap, Since: sampleT - 130.2,
		SpeedCap: 14.27, Coast: 6.83, Handover: 2.04, LeaveIn: nan,
		HasPos: true, Yaw: 2.2, Speed: 11.84, YawRate: 0.2,
		SigmaLat: 0.018, SigmaLon: 0.021, SigmaYaw: 0.004,
		PLLat: fusion.PL{Total: 0.213, Noise: 0.101, Step: 0.072, Timing: 0.040, Sigma: 0.0229},
		PLLon: fusion.PL{Total: 0.334, Noise: 0.11, Step: 0.078, Timing: 0.146, Sigma: 0.025},
		PLYaw: fusion.PL{Total: 0.0178, Noise: 0.0178, Sigma: 0.004},
		ALLat: 0.5, ALLon: 1.0, ALYaw: 3 * geodesy.Degree,
		Epoch: gnss.Epoch{UTC: sampleT - 0.6, HasPos: true, HasH: true, Quality: gnss.QualityFixed, Sats: 17, HDOP: 0.8, Age: 1.2, Station: 2101,
			SigmaN: 0.011, SigmaE: 0.009, SigmaU: 0.021, Tracked: 31, CN0: 43.6},
		EpochUsed: true, EpochAge: 0.06, EpochRate: 10, SigmaFix: 0.014,
		IMURate: 200, IMUAge: 0.004, GyroBias: [3]float64{0.003, 0.006, -0.0058}, AccBias: [3]float64{0.013, 0.001, -0.054}, Vibration: 0.83,
		WheelRate: 50, WheelAge: 0.01, WheelSpeed: 11.79, WheelScale: 1.003, Slip: 0.0061,
		HostMinusUTC: 0.5, Latency: 0.087, LatencySigma: 0.004, ClockDrift: -2.1e-7,
		HasCourse: true, Station: 212, LapLength: 481, Lap: 2, Cross: 0.3, HalfWidth: 3.5,
	}
	s.Counts = fusion.Counts{Sentences: 18000, Epochs: 4700, Frames: 1900, IMU: 94000, Wheel: 23500, EpochsUsed: 4688, EpochsRefused: 12, Events: 9}
	s.Link = corrections.State{Condition: corrections.Flowing, Since: sampleT - 200, Tapped: true, LastByte: sampleT - 0.4, BytesPerS: 612,
		Latency: 0.42, UsualLat: 0.4, BadShare: 0.001, CRCErrors: 3, JunkBytes: 180, Frames: 1900, UsualSats: 24, Station: 2101,
		Base: corrections.BaseAsSurveyed, BaseOff: 0.0004, Baseline: 184, RoverAge: 1.2, RoverStn: 2101, LastStart: nan, LastEnd: nan, OpenSince: nan}
	s.Link.Systems[rtcm.GPS], s.Link.Systems[rtcm.Galileo], s.Link.Systems[rtcm.BeiDou] = 9, 7, 8
	for i, t := range []corrections.TypeStat{sampleType(1005, 0.1, 10, 0), sampleType(1074, 1, 1, 0), sampleType(1094, 1, 1, 0), sampleType(1124, 1, 1, 0), sampleType(1230, 0.2, 5, 0)} {
		s.Link.Types[i] = t
		s.Link.NTypes = i + 1
	}
	units := [fusion.NumTests]string{"", "", "m", "m/s", "m/s", "m/s", "m/s", "m/s", "m", ""}
	for i := range s.Tests {
		s.Tests[i] = fusion.TestState{Stat: 1.3 + 0.4*float64(i), Threshold: 28.7, Detectable: 0.12 / float64(1+i), Unit: units[i], Since: nan}
	}
	s.Tests[fusion.TestJump].Detectable = 0.11
	s.Tests[fusion.TestDrift3].Detectable = 0.04
	v := &View{Snap: s, Course: quarryLoop(), Closed: true, Risk: 1e-5, RiskCoast: 1e-2, Name: "Quarry Loop",
		Recording: Recording{Wanted: true, OK: true, File: "run.mcap", Bytes: 12_340_000},
		Sources:   []Source{{"nmea", true, "460800 baud"}, {"corrections", true, "115200 baud"}, {"imu", true, "921600 baud"}},
		Made:      time.Unix(1781942537, 0), Stale: 0.05}
	sampleDrive(v, 42, nil)
	v.Events = []fusion.Event{
		{T: sampleT - 130.2, End: nan, Kind: fusion.EventVerdict, Cause: "usable", Size: nan, Where: 31},
		{T: sampleT - 151, End: sampleT - 137, Kind: fusion.EventOutage, Cause: "link_silent", Size: 14.2, Where: 366,
			Detail: "no byte for 14.2 s while the rover's age grew to 15.1 s and it fell to float"},
		{T: sampleT - 152, End: nan, Kind: fusion.EventQuality, Cause: "float", Size: nan, Where: 371},
		{T: sampleT - 290, End: nan, Kind: fusion.EventJump, Cause: "jump", Size: 0.43, Where: 118, Detail: "GNSS moved 0.43 m in 0.1 s, the IMU 1.19 m less"},
	}
	s2 := &v.Snap.Link
	s2.Episodes, s2.LastCause, s2.LastStart, s2.LastEnd = 1, corrections.LinkSilent, sampleT-151, sampleT-137
	return v
}

// sampleDrive puts the car at vertex n of the course with a trail behind it;
// as changes what the verdict was at some vertices.
func sampleDrive(v *View, n int, as func(i int) (fusion.Verdict, fusion.Advice)) {
	v.Trail = nil
	for i := 0; i <= n; i++ {
		p := TrailPoint{T: v.Snap.T - float64(n-i)*0.45, Pos: v.Course[i], Verdict: fusion.Usable, Advice: fusion.AdviseMap}
		if as != nil {
			p.Verdict, p.Advice = as(i)
		}
		v.Trail = append(v.Trail, p)
	}
	v.Snap.Pos = v.Course[n]
}

func setReasons(v *View, rs ...fusion.Reason) {
	v.Snap.NReasons = copy(v.Snap.Reasons[:], rs)
}

// sampleSlow is usable under a cap that the car does not keep.
func sampleSlow() *View {
	v := sampleUsable()
	s := &v.Snap
	s.Advice, s.SpeedCap, s.Since, s.Speed = fusion.AdviseMapSlow, 9.38, sampleT-12.4, 11.2
	s.Coast, s.Handover = 2.1, 1.8
	s.PLLat = fusion.PL{Total: 0.441, Noise: 0.29, Step: 0.1, Timing: 0.051, Sigma: 0.066}
	setReasons(v, fusion.Reason{Code: "speed", Value: 11.2, Limit: 9.38, Unit: "m/s", Since: sampleT - 2.4})
	sampleDrive(v, 60, func(i int) (fusion.Verdict, fusion.Advice) {
		if i > 40 {
			return fusion.Usable, fusion.AdviseMapSlow
		}
		return fusion.Usable, fusion.AdviseMap
	})
	return v
}

// sampleCoasting is a lost receiver with the countdown running.
func sampleCoasting() *View {
	v := sampleUsable()
	s := &v.Snap
	s.Verdict, s.Advice, s.LeaveIn, s.Coast, s.Handover = fusion.Coasting, fusion.AdviseMapSlow, 3.47, 5.5, 2.03
	s.SpeedCap, s.Since = 12.06, sampleT-1.3
	s.EpochUsed, s.EpochAge, s.EpochRate = false, 1.31, 10
	s.Epoch.Age = 2.4
	setReasons(v, fusion.Reason{Code: "receiver-silent", Value: 1.31, Limit: 0.35, Unit: "s", Since: sampleT - 0.96})
	sampleDrive(v, 45, func(i int) (fusion.Verdict, fusion.Advice) {
		if i > 41 {
			return fusion.Coasting, fusion.AdviseMapSlow
		}
		return fusion.Usable, fusion.AdviseMap
	})
	return v
}

// sampleComputerLate is the first line after this computer stood still.
func sampleComputerLate() *View {
	v := sampleUsable()
	s := &v.Snap
	s.Verdict, s.Advice, s.LeaveIn, s.Coast, s.Handover = fusion.Coasting, fusion.AdviseMapSlow, 4.1, 6.2, 2.03
	s.SpeedCap, s.Since = 12.06, sampleT
	s.EpochUsed, s.EpochAge = false, 0.87
	setReasons(v, fusion.Reason{Code: "computer-late", Value: 0.81, Limit: nan, Unit: "s", Since: sampleT})
	return v
}

// sampleUnusable has several reasons at once, an open outage, a lost source
// and a recording that fails.
func sampleUnusable() *View {
	v := sampleUsable()
	s := &v.Snap
	s.Verdict, s.Advice, s.SpeedCap, s.Coast, s.Since = fusion.Unusable, fusion.AdviseReactive, nan, 0, sampleT-8.2
	s.PLLat = fusion.PL{Total: 1.92, Noise: 1.7, Step: 0.14, Timing: 0.08, Sigma: 0.38}
	s.PLLon = fusion.PL{Total: 1.31, Noise: 1.0, Step: 0.14, Timing: 0.17, Sigma: 0.2}
	s.Epoch.Quality, s.Epoch.Sats, s.Epoch.Age, s.EpochUsed, s.Refused, s.SigmaFix = gnss.QualityFloat, 11, 31.2, false, 8.1, 0.25
	s.NeedsProof = true
	s.Claim = fusion.Claim{Fix: trust.Refuted, Fault: trust.Stepped, Since: sampleT - 8.2, LLR: -38.4, Believe: 6.9, Refute: -6.9,
		Offset: [3]float64{0.41, -0.46, 1.1}, Proven: sampleT - 8.3}
	s.Link.Condition, s.Link.Since, s.Link.BytesPerS, s.Link.Latency, s.Link.RoverAge = corrections.Silent, sampleT-28.7, 0, nan, 31.2
	s.Link.Open, s.Link.OpenSince, s.Link.OpenCause = true, sampleT-28.2, corrections.LinkSilent
	for i, t := range []corrections.TypeStat{sampleType(1005, 0.1, 10, 31), sampleType(1074, 1, 1, 31), sampleType(1094, 1, 1, 31), sampleType(1124, 1, 1, 31), sampleType(1230, 0.2, 5, 31)} {
		s.Link.Types[i] = t
	}
	s.Tests[fusion.TestJump].Alarm, s.Tests[fusion.TestJump].Stat, s.Tests[fusion.TestJump].Since = true, 94.2, sampleT-8.2
	s.Symptom = symptoms.Finding{ID: symptoms.IMUUnits, Seen: "specific force at rest is 1.00: IMU in g, not m/s^2?"}
	setReasons(v,
		fusion.Reason{Code: "jump", Value: 0.62, Limit: 0.11, Unit: "m", Since: sampleT - 8.2},
		fusion.Reason{Code: "pl-lateral", Value: 1.92, Limit: 0.5, Unit: "m", Since: sampleT - 3.4},
		fusion.Reason{Code: "link-silent", Value: 28.7, Limit: nan, Unit: "s", Since: sampleT - 26.2},
		fusion.Reason{Code: "fix-quality", Value: 5, Limit: 4, Since: sampleT - 8.9},
		fusion.Reason{Code: "some-new-[red]code", Value: nan, Limit: nan, Since: nan})
	v.Recording = Recording{Wanted: true, File: "run.mcap", Words: "disk full"}
	v.Sources[1] = Source{"corrections", false, "/dev/ttyUSB1: no such device, trying again"}
	v.Marks = []string{"start-finish", "pit [exit]"}
	sampleDrive(v, 70, func(i int) (fusion.Verdict, fusion.Advice) {
		switch {
		case i > 52:
			return fusion.Unusable, fusion.AdviseReactive
		case i > 44:
			return fusion.Coasting, fusion.AdviseMapSlow
		case i > 30:
			return fusion.Usable, fusion.AdviseMapSlow
		}
		return fusion.Usable, fusion.AdviseMap
	})
	v.Events = append([]fusion.Event{{T: sampleT - 8.2, End: nan, Kind: fusion.EventJump, Cause: "jump", Size: 0.62, Where: 250,
		Detail: "GNSS moved 1.81 m in 0.1 s where the IMU saw 1.19 m"}}, v.Events...)
	return v
}

// sampleUnproven is the first seconds in the paddock: no map, no tap, no wheel.
func sampleUnproven() *View {
	s := fusion.Snapshot{T: sampleT, Seq: 40, UTC: sampleT - 0.5, Verdict: fusion.Unproven, Advice: fusion.AdviseReactive, Since: sampleT - 4,
		SpeedCap: nan, Coast: nan, Handover: nan, LeaveIn: nan, Yaw: nan, Speed: nan, Still: true,
		PLLat: nanPL(), PLLon: nanPL(), PLYaw: nanPL(), ALLat: 0.5, ALLon: 1, ALYaw: 3 * geodesy.Degree,
		Epoch: gnss.Epoch{UTC: sampleT - 0.6, HasPos: true, Quality: gnss.QualitySingle, Sats: 8, HDOP: 1.4, Age: nan, Station: -1,
			SigmaN: nan, SigmaE: nan, SigmaU: nan, Tracked: -1, CN0: nan},
		EpochAge: 0.1, EpochRate: 5, SigmaFix: 1.5, DwellLeft: 3, IMURate: 100, IMUAge: 0.01, Vibration: 0.02,
		WheelRate: nan, WheelAge: nan, WheelSpeed: nan, WheelScale: nan, Slip: nan,
		HostMinusUTC: nan, Latency: 0.08, LatencySigma: 0.04, ClockDrift: nan, Station: nan, LapLength: nan, Cross: nan, HalfWidth: nan}
	s.Counts.Epochs, s.Counts.IMU, s.Counts.Sentences = 20, 400, 60
	s.Link = corrections.State{Condition: corrections.Untapped, Since: nan, LastByte: nan, BytesPerS: nan, Latency: nan, UsualLat: nan, BadShare: nan,
		UsualSats: nan, Station: -1, BaseOff: nan, Baseline: nan, RoverAge: nan, RoverStn: -1, OpenSince: nan, LastStart: nan, LastEnd: nan}
	for i := range s.Tests {
		s.Tests[i] = fusion.TestState{Stat: nan, Threshold: nan, Detectable: nan, Since: nan}
	}
	v := &View{Snap: s, Risk: 1e-5, RiskCoast: 1e-2, Made: time.Unix(1781942537, 0), Stale: 0.02,
		Sources: []Source{{"nmea", true, "/dev/ttyACM0"}, {"imu", true, "tcp 127.0.0.1:7001"}}}
	setReasons(v, fusion.Reason{Code: "aligning", Value: nan, Limit: nan, Since: sampleT - 4},
		fusion.Reason{Code: "fix-quality", Value: 1, Limit: 4, Since: sampleT - 4},
		fusion.Reason{Code: "requalifying", Value: 3, Limit: 0, Unit: "s", Since: sampleT - 4})
	return v
}

// sampleSetup is the first drive: some turns, the lever arm shows by half.
func sampleSetup() *View {
	v := sampleUsable()
	s := &v.Snap
	s.Verdict, s.Advice, s.SpeedCap, s.Since, s.Speed = fusion.Unproven, fusion.AdviseReactive, nan, sampleT-24, 6.2
	s.SigmaYaw = 0.9 * geodesy.Degree
	s.Setup = parameters.Progress{Stood: 41.3, Left: 130 * geodesy.Degree, Right: 38 * geodesy.Degree, Driven: 122,
		Lever: [2]float64{0.127, 0.183}, Enough: 0.09, Hold: 3, Open: true}
	setReasons(v, fusion.Reason{Code: "lever-arm-check", Value: nan, Limit: nan, Since: sampleT - 22})
	return v
}

// sampleSetupWrong is a first drive with another lever arm than that of the settings.
func sampleSetupWrong() *View {
	v := sampleSetup()
	s := &v.Snap
	v.Takes = true
	s.Verdict = fusion.Unusable
	s.Symptom = symptoms.Finding{ID: symptoms.LeverArm, Set: "vehicle.antenna_m = [0.54, -0.21, 1.00]",
		Seen: "the antenna moves as if it were at 0.54 forward, -0.21 left (±0.02, ±0.02); the settings say 0.00, 0.00: check the lever arm and its signs"}
	s.Setup.Lever = [2]float64{0.021, 0.024}
	setReasons(v, fusion.Reason{Code: "lever-arm", Value: nan, Limit: nan, Since: sampleT - 3})
	return v
}

// sampleGuided is a pass of setup in the paddock, standing; the columns of the
// inertial sensor are not known.
func sampleGuided() *View {
	v := sampleUnproven()
	v.Guided = true
	s := &v.Snap
	s.Epoch.Quality, s.Epoch.Age, s.Epoch.Station = gnss.QualityFixed, 0.8, 12
	s.Counts.IMU, s.Counts.Refused[fusion.ChanIMU], s.IMURate = 0, 4200, nan
	s.Setup = parameters.Progress{Stood: 22.7, Lever: [2]float64{math.Inf(1), math.Inf(1)}, Enough: 0.09, Hold: 3, Open: true}
	setReasons(v, fusion.Reason{Code: "imu-silent", Value: nan, Limit: 0.1, Unit: "s", Since: sampleT - 24})
	return v
}

func nanPL() fusion.PL { return fusion.PL{Total: nan, Noise: nan, Step: nan, Timing: nan, Sigma: nan} }

// sampleNothing is a live start before the first byte.
func sampleNothing() *View {
	return &View{Made: time.Unix(1781942537, 0), Risk: 1e-5, RiskCoast: 1e-2, Recording: Recording{Wanted: true, OK: true, File: "run.mcap"},
		Sources: []Source{{"nmea", false, "/dev/ttyACM0: permission denied, trying again"}, {"imu", false, "nothing yet"}}}
}

// sampleStale is the good lap, 2.3 s old.
func sampleStale() *View {
	v := sampleUsable()
	v.Stale = 2.34
	return v
}

// sampleReplay is a paused replay of the good lap.
func sampleReplay() *View {
	v := sampleUsable()
	v.Recording, v.Sources, v.Stale = Recording{}, nil, 1e6
	v.Replay = &Replay{Pos: 83.4, Length: 180, Speed: 2, Paused: true, Seek: nan}
	return v
}

// sampleLeave is a coast whose time is used up.
func sampleLeave() *View {
	v := sampleCoasting()
	s := &v.Snap
	s.Advice, s.LeaveIn, s.Coast, s.Since = fusion.AdviseReactive, -0.2, 1.8, sampleT-6.1
	s.EpochAge, s.SpeedCap = 6.11, 8.2
	setReasons(v, fusion.Reason{Code: "receiver-silent", Value: 6.11, Limit: 0.35, Unit: "s", Since: sampleT - 5.76},
		fusion.Reason{Code: "coast-budget", Value: 1.8, Limit: 2.03, Unit: "s", Since: sampleT - 0.2})
	return v
}

// sampleMoving drives and is not proven: a fix after a break.
func sampleMoving() *View {
	v := sampleUnproven()
	s := &v.Snap
	s.Still, s.Speed, s.HasPos, s.Yaw = false, 6.4, true, 0.3
	s.Epoch.Quality, s.Epoch.Speed = gnss.QualityFixed, 6.4
	s.NeedsProof = true
	s.Claim = fusion.Claim{Fix: trust.Claimed, Since: sampleT - 22, LLR: 1.2, Believe: 4, Refute: -6.9, Followed: true, Proven: sampleT - 60}
	setReasons(v, fusion.Reason{Code: "fix-unproven", Value: 1.2, Limit: 4, Since: sampleT - 22},
		fusion.Reason{Code: "lever-arm-check", Value: nan, Limit: nan, Since: sampleT - 22})
	return v
}

// sampleBlind hears neither sensor any more.
func sampleBlind() *View {
	v := sampleUnusable()
	v.Snap.Advice = fusion.AdviseStop
	v.Snap.NeedsProof = false
	setReasons(v, fusion.Reason{Code: "imu-silent", Value: 3.2, Limit: 0.1, Unit: "s", Since: sampleT - 3.1},
		fusion.Reason{Code: "receiver-silent", Value: 4.1, Limit: 0.35, Unit: "s", Since: sampleT - 3.8})
	return v
}

// sampleNoSensor is unproven with nothing heard of either sensor yet.
func sampleNoSensor() *View {
	v := sampleUnproven()
	v.Snap.Advice = fusion.AdviseStop
	v.Snap.Counts.IMU, v.Snap.IMURate, v.Snap.Counts.Epochs, v.Snap.Epoch.UTC = 0, nan, 0, 0
	setReasons(v, fusion.Reason{Code: "imu-silent", Value: nan, Limit: 0.1, Unit: "s", Since: sampleT - 4},
		fusion.Reason{Code: "receiver-silent", Value: nan, Limit: 0.35, Unit: "s", Since: sampleT - 4})
	return v
}

var samples = []struct {
	name string
	view func() *View
}{
	{"usable", sampleUsable},
	{"map_slow", sampleSlow},
	{"coasting", sampleCoasting},
	{"computer_late", sampleComputerLate},
	{"unusable", sampleUnusable},
	{"unproven", sampleUnproven},
	{"coasting_over", sampleLeave},
	{"unproven_moving", sampleMoving},
	{"unusable_stop", sampleBlind},
	{"unproven_stop", sampleNoSensor},
	{"nothing", sampleNothing},
	{"stale", sampleStale},
	{"replay", sampleReplay},
	{"setup", sampleSetup},
	{"setup_wrong", sampleSetupWrong},
	{"setup_guided", sampleGuided},
}
