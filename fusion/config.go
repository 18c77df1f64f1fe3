package fusion

import (
	"math"

	"kerbline/fusion/civil"
	"kerbline/fusion/columns"
	"kerbline/fusion/integrity"
	"kerbline/fusion/navigation"
	"kerbline/fusion/trust"
	"kerbline/fusion/verdict"
	"kerbline/gnss/bothends"
)

// Config holds every setting of the monitor. The tags are the one place where
// a key's name, unit, meaning and source are written; the settings file, its
// printed defaults and the tuning sweep all read them.
//
// Tags: toml is the key, unit its unit, doc its meaning, src where the default
// comes from, min and max the possible values (both inclusive).
type Config struct {
	Driven   string           `toml:"driven" doc:"who steers at the start: \"manual\", \"reactive\" or \"map\"; key d changes it live. While the map steers, or nobody says, the path of earlier laps and the map's edges are no evidence for a fix" src:"tell it"`
	TimeZone string           `toml:"time_zone" doc:"whose local time stands beside UTC on screens and pages, a name of the IANA database like \"Europe/Berlin\"; empty for UTC alone. The monitor does not judge by it" src:"where you are"`
	Taken    string           `toml:"taken" doc:"values that were taken for one run alone, as live recordings note them; leave it out" src:"--take, or key t"`
	Vehicle  Vehicle          `toml:"vehicle" doc:"the car"`
	Limits   verdict.Limits   `toml:"limits" doc:"what map-based driving needs"`
	Base     Base             `toml:"base" doc:"the surveyed reference station; leave out to take the first one heard"`
	GNSS     navigation.GNSS  `toml:"gnss" doc:"fix gate, noise floors and time"`
	IMU      navigation.IMU   `toml:"imu" doc:"inertial sensor"`
	Wheel    navigation.Wheel `toml:"wheel" doc:"wheel speed and tyre slip"`
	Columns  columns.Settings `toml:"columns" doc:"what the columns of text tables hold"`
	Memory   Memory           `toml:"memory" doc:"what is remembered of the lap from session to session"`
	Map      Map              `toml:"map" doc:"the map's survey"`
	Tests    Tests            `toml:"tests" doc:"false-alarm and missed-detection probabilities, windows, dwell"`
	Link     Link             `toml:"link" doc:"when the correction link counts as late, sparse or silent"`
	Radio    Radio            `toml:"radio" doc:"the correction radio, for a link budget; 0 where not known"`
	Day      Day              `toml:"day" doc:"what the day check asks of a session; the monitor does not read it"`
	Marks    []Mark           `toml:"marks" doc:"surveyed check marks at which a person may confirm the position"`
}

// Vehicle describes the car.
type Vehicle struct {
	Antenna      [3]float64 `toml:"antenna_m" unit:"m" doc:"lever arm: body origin (middle of the rear axle, which does not move sideways) to antenna phase centre, forward, left, up" min:"-20" max:"20" src:"measure it"`
	AntennaSigma float64    `toml:"antenna_sigma_m" unit:"m" doc:"how well the lever arm is known, 1 sigma each axis" min:"0" max:"1" src:"tape measure, common practice"`
	AxleSigma    float64    `toml:"axle_sigma_m" unit:"m" doc:"how far ahead of the body origin or behind it the point of the car may be that does not move sideways, 1 sigma" min:"0" max:"3" src:"middle of the rear axle by eye, common practice"`
	verdict.Car
}

// Base is the surveyed reference station.
type Base struct {
	ECEF      [3]float64 `toml:"ecef_m" unit:"m" doc:"surveyed antenna reference point, Earth-centred Earth-fixed; 0,0,0 means not surveyed" min:"-7e6" max:"7e6" src:"survey"`
	Station   int        `toml:"station" unit:"" doc:"expected reference station id, -1 for any" min:"-1" max:"4095" src:"base settings"`
	Tolerance float64    `toml:"tolerance_m" unit:"m" doc:"how far broadcast coordinates may be from the surveyed ones" min:"0.001" max:"10" src:"common practice"`
}

// Map says which base the map was surveyed by, where its file does not.
type Map struct {
	Base [3]float64 `toml:"base_ecef_m" unit:"m" doc:"where the base stood at the map's survey, or when laps or a check mark showed that the map fits it; the map file's own base_ecef_m goes first; 0,0,0 means not known" min:"-7e6" max:"7e6" src:"survey, or kerbline setup"`
}

// Tests holds the probabilities and windows of the integrity tests, and how long
// belief takes.
type Tests struct {
	integrity.Settings
	trust.Requalification
	verdict.Timing
}

// Link holds the limits of the correction link.
type Link struct {
	LateAfter    float64 `toml:"late_s" unit:"s" doc:"latency of whole frames beyond which the link is late" min:"0.1" max:"60" src:"common practice"`
	SilentAfter  float64 `toml:"silent_s" unit:"s" doc:"without a byte for this long the link is silent" min:"0.2" max:"60" src:"common practice"`
	AgeEpisode   float64 `toml:"episode_age_s" unit:"s" doc:"correction age at which an outage episode begins" min:"0.5" max:"60" src:"common practice"`
	CorruptShare float64 `toml:"corrupt_share" unit:"" doc:"share of bytes outside valid frames beyond which the link is corrupt" min:"0.001" max:"1" src:"common practice"`
	SparseShare  float64 `toml:"sparse_share" unit:"" doc:"share of the usual messages below which the link is sparse" min:"0.01" max:"1" src:"common practice"`
}

// Radio describes the correction radio; zeros mean not known.
type Radio struct {
	Frequency float64 `toml:"frequency_mhz" unit:"MHz" min:"0" max:"6000" doc:"carrier frequency" src:"data sheet"`
	Power     float64 `toml:"power_dbm" unit:"dBm" min:"-20" max:"50" doc:"transmitter power" src:"data sheet"`
	Gains     float64 `toml:"gains_dbi" unit:"dBi" min:"-30" max:"60" doc:"of both antennas together, less cable losses" src:"data sheet"`
	Floor     float64 `toml:"sensitivity_dbm" unit:"dBm" min:"-150" max:"0" doc:"receiver sensitivity at the data rate used" src:"data sheet"`
	Base      float64 `toml:"base_antenna_m" unit:"m" min:"0" max:"200" doc:"height of the base's radio antenna above the ground" src:"tape"`
	Car       float64 `toml:"car_antenna_m" unit:"m" min:"0" max:"10" doc:"height of the car's radio antenna above the ground" src:"tape"`
}

// Both is r as package bothends takes it.
func (r *Radio) Both() bothends.Radio {
	return bothends.Radio{MHz: r.Frequency, PowerDBm: r.Power, Gains: r.Gains, FloorDBm: r.Floor, Base: r.Base, Car: r.Car}
}

// Day holds the limits of the day check. Rates are compared as they were seen;
// how sure they are is said beside them.
type Day struct {
	Confidence   float64 `toml:"confidence" unit:"" doc:"confidence of every bound that is printed" min:"0.5" max:"0.9999" src:"common practice"`
	LeastDriving float64 `toml:"least_driving_s" unit:"s" doc:"driving without which nothing is claimed" min:"0" max:"36000" src:"common practice"`
	LeastPasses  int     `toml:"least_passes" unit:"" doc:"times a place must be driven to count as seen" min:"1" max:"100" src:"common practice"`
	Coverage     float64 `toml:"coverage_share" unit:"" doc:"share of the lap that must be seen" min:"0" max:"1" src:"common practice"`
	Fixed        float64 `toml:"fixed_share" unit:"" doc:"share of driving with a fixed position" min:"0" max:"1" src:"common practice"`
	Usable       float64 `toml:"usable_share" unit:"" doc:"share of driving with the verdict usable" min:"0" max:"1" src:"common practice"`
	Place        float64 `toml:"place_share" unit:"" doc:"share of passes usable throughout at the worst place, where two or more were not" min:"0" max:"1" src:"common practice"`
	Jumps        float64 `toml:"jumps_per_hour" unit:"1/h" doc:"position steps and drifts under a fixed quality" min:"0" max:"1000" src:"common practice"`
	Handovers    float64 `toml:"handovers_per_hour" unit:"1/h" doc:"times the car must be given to reactive driving" min:"0" max:"1000" src:"common practice"`
	Outages      float64 `toml:"outages_per_hour" unit:"1/h" doc:"correction outages, those that cost nothing included; more is a caution" min:"0" max:"1000" src:"common practice"`
	AgeShare     float64 `toml:"age_share" unit:"" doc:"highest correction age as a share of gnss.max_age_s; more is a caution" min:"0" max:"1" src:"common practice"`
	Repeat       float64 `toml:"repeat_m" unit:"m" doc:"shift of a whole lap against the laps before, rms; more is a caution" min:"0.001" max:"10" src:"common practice"`
	Rest         float64 `toml:"rest_m" unit:"m" doc:"horizontal scatter of fixed positions at rest, rms" min:"0.001" max:"10" src:"RTK class statement 1 cm + 1 ppm, and the slow part of multipath"`
	FirstFix     float64 `toml:"first_fix_s" unit:"s" doc:"time to first fix; more is a caution" min:"1" max:"3600" src:"common practice"`
	FirstUsable  float64 `toml:"first_usable_s" unit:"s" doc:"from moving off to usable; more is a caution" min:"1" max:"600" src:"common practice"`
	Latency      float64 `toml:"latency_s" unit:"s" doc:"latency of an epoch; more is a caution" min:"0.01" max:"2" src:"receivers need 30-200 ms, common practice"`
	IMURatio     float64 `toml:"imu_ratio" unit:"" doc:"measured inertial noise or bias against the settings; more is a caution" min:"1" max:"100" src:"common practice"`
}

// Mark is a surveyed point on the ground at which a person may confirm the
// position (the car's body origin over the mark).
type Mark struct {
	Name string  `toml:"name" doc:"what it is called"`
	Lat  float64 `toml:"lat_deg" unit:"deg" doc:"WGS 84 latitude" min:"-90" max:"90"`
	Lon  float64 `toml:"lon_deg" unit:"deg" doc:"WGS 84 longitude" min:"-180" max:"180"`
	H    float64 `toml:"h_m" unit:"m" doc:"height above the ellipsoid" min:"-1000" max:"10000"`
}

// DefaultConfig returns the settings used where a file says nothing.
func DefaultConfig() Config {
	return Config{
		Vehicle: Vehicle{Antenna: [3]float64{0, 0, 1}, AntennaSigma: 0.02, AxleSigma: 0.3, Car: verdict.DefaultCar()},
		Limits:  verdict.DefaultLimits(),
		Base:    Base{Station: -1, Tolerance: 0.05},
		GNSS: navigation.GNSS{Latency: 0.08, LatencySigma: 0.04, MaxAge: 15, MinSats: 6, MaxHDOP: 3, MaxSigma: 0.10,
			FixedSigma: 0.01, BlankSigma: 0.02, FloatSigma: 0.25, DiffSigma: 0.7, SingleSigma: 1.5, Vertical: 1.5, Inflation: 1.2,
			Correlated: 0.7, Multipath: 0.02, CorrTime: 15, SpeedSigma: 0.05, VelocityLag: 0.12, MinCourse: 1.5, HeadingSigma: 0.5, Stall: 0.7, Silence: 0.35},
		IMU: navigation.IMU{Gyro: 1e-4, Acc: 1e-3, GyroWalk: 5e-5, AccWalk: 5e-4, GyroBias: 0.01, AccBias: 0.1,
			PositionSigma: 0.05, GyroScale: 0.01, AccScale: 0.005, GyroPerG: 1e-4, MountSigma: 2,
			Latency: 0.002, Gap: 0.1, GyroRange: 2000 * math.Pi / 180, AccRange: 16 * 9.80665},
		Wheel: navigation.Wheel{Sigma: 0.02, SigmaRel: 0.003, ScaleSigma: 0.01, Latency: 0.004, SlipSigma: 0.006, SideSigma: 0.07, SideLat: 0.015},
		Tests: Tests{integrity.DefaultSettings(), trust.DefaultRequalification(), verdict.DefaultTiming()},
		Link:  Link{LateAfter: 2.5, SilentAfter: 2.5, AgeEpisode: 3, CorruptShare: 0.1, SparseShare: 0.6},
		Day: Day{Confidence: 0.95, LeastDriving: 240, LeastPasses: 3, Coverage: 0.95, Fixed: 0.95, Usable: 0.95, Place: 0.8,
			Jumps: 2, Handovers: 4, Outages: 6, AgeShare: 0.8, Repeat: 0.15, Rest: 0.05, FirstFix: 120, FirstUsable: 30,
			Latency: 0.25, IMURatio: 3},
	}
}

// Zone returns the time zone, none where it is not known.
func (c *Config) Zone() civil.Zone { return civil.Of(c.TimeZone) }

// Navigation returns the settings of the filter's driver.
func (c *Config) Navigation() navigation.Settings {
	return navigation.Settings{IMU: c.IMU, Wheel: c.Wheel, GNSS: c.GNSS, Lever: c.Vehicle.Antenna,
		LeverSigma: c.Vehicle.AntennaSigma, AxleSigma: c.Vehicle.AxleSigma}
}
