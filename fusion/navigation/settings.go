package navigation

import (
	"math"

	"kerbline/fusion/eskf"

	"gonum.org/v1/gonum/num/quat"
)

// The tags are those of fusion.Config: key, unit, meaning, source, and the
// possible values.

// GNSS holds the fix gate, the noise floors and the time settings.
type GNSS struct {
	Latency      float64 `toml:"latency_s" unit:"s" doc:"minimum latency of an epoch, validity to arrival; estimated from the turns starting here" min:"0" max:"2" src:"receivers need 30-200 ms, common practice"`
	LatencySigma float64 `toml:"latency_sigma_s" unit:"s" doc:"how well that is known, 1 sigma" min:"0.0001" max:"1" src:"common practice"`
	MaxAge       float64 `toml:"max_age_s" unit:"s" doc:"correction age beyond which a fix is not used as one" min:"0.1" max:"120" src:"common practice"`
	MinSats      int     `toml:"min_sats" unit:"" doc:"satellites used, at least" min:"4" max:"60" src:"common practice"`
	MaxHDOP      float64 `toml:"max_hdop" unit:"" doc:"horizontal dilution of precision, at most" min:"0.3" max:"50" src:"common practice"`
	MaxSigma     float64 `toml:"max_sigma_m" unit:"m" doc:"reported horizontal 1 sigma of a fix, at most" min:"0.001" max:"10" src:"common practice"`
	FixedSigma   float64 `toml:"fixed_sigma_m" unit:"m" doc:"floor of the horizontal 1 sigma of a fixed position" min:"0.001" max:"1" src:"RTK class statement 1 cm + 1 ppm"`
	BlankSigma   float64 `toml:"blank_sigma_m" unit:"m" doc:"horizontal 1 sigma of a fixed position that reports none (no GST), factor included" min:"0.001" max:"1" src:"above what receivers report of a good fix, 0.008-0.015 m times the factor, common practice"`
	FloatSigma   float64 `toml:"float_sigma_m" unit:"m" doc:"floor of the horizontal 1 sigma of a float position" min:"0.01" max:"10" src:"RTK float 0.2-1 m, common practice"`
	DiffSigma    float64 `toml:"diff_sigma_m" unit:"m" doc:"floor for code differential" min:"0.05" max:"20" src:"code differential 0.5-3 m, common practice"`
	SingleSigma  float64 `toml:"single_sigma_m" unit:"m" doc:"floor for autonomous" min:"0.1" max:"50" src:"single point 1-5 m, common practice"`
	Vertical     float64 `toml:"vertical_ratio" unit:"" doc:"vertical floor as a multiple of the horizontal one" min:"0.5" max:"10" src:"RTK class statement 1 cm / 2 cm"`
	Inflation    float64 `toml:"inflation" unit:"" doc:"factor on the reported sigma (GST)" min:"0.1" max:"20" src:"common practice"`
	Correlated   float64 `toml:"correlated_share" unit:"" doc:"share of the position variance that is correlated in time" min:"0" max:"1" src:"common practice"`
	Multipath    float64 `toml:"multipath_m" unit:"m" doc:"what reflections do to a fixed position for tens of seconds, 1 sigma east and north each, until the recording itself shows how much" min:"0.001" max:"1" src:"phase multipath up to a quarter of a wavelength, common practice"`
	CorrTime     float64 `toml:"correlation_s" unit:"s" doc:"correlation time of that share" min:"0.1" max:"1000" src:"tens of seconds, common practice"`
	SpeedSigma   float64 `toml:"speed_sigma_mps" unit:"m/s" doc:"1 sigma of the reported velocity, each axis, fixed or float" min:"0.001" max:"5" src:"common practice"`
	VelocityLag  float64 `toml:"speed_lag_s" unit:"s" doc:"by how much the reported velocity may be late, smoothed by the receiver, 1 sigma" min:"0" max:"1" src:"a walking receiver's was 0.14 s; others do not smooth"`
	MinCourse    float64 `toml:"course_min_mps" unit:"m/s" doc:"speed from which the course is believed" min:"0.1" max:"10" src:"common practice"`
	HeadingSigma float64 `toml:"heading_sigma_deg" unit:"deg" doc:"1 sigma of a dual-antenna heading" min:"0.01" max:"20" src:"common practice"`
	HeadingYaw   float64 `toml:"heading_offset_deg" unit:"deg" doc:"dual-antenna baseline against forward, positive clockwise" min:"-360" max:"360" src:"mounting"`
	Stall        float64 `toml:"stall_s" unit:"s" doc:"how late an epoch may arrive and still be used" min:"0.1" max:"5" src:"common practice"`
	Silence      float64 `toml:"silence_s" unit:"s" doc:"without an epoch for this long the receiver counts as silent" min:"0.1" max:"10" src:"screen must tell within 0.5 s"`
}

// IMU holds the noise model of the inertial sensor.
type IMU struct {
	Gyro          float64    `toml:"gyro_noise" unit:"rad/s/sqrt(Hz)" doc:"angle random walk" min:"1e-7" max:"0.1" src:"consumer MEMS, common practice"`
	Acc           float64    `toml:"acc_noise" unit:"m/s^2/sqrt(Hz)" doc:"velocity random walk" min:"1e-6" max:"1" src:"consumer MEMS, common practice"`
	GyroWalk      float64    `toml:"gyro_walk" unit:"rad/s^2/sqrt(Hz)" doc:"gyro rate random walk" min:"0" max:"0.01" src:"consumer MEMS, common practice"`
	AccWalk       float64    `toml:"acc_walk" unit:"m/s^3/sqrt(Hz)" doc:"accelerometer random walk" min:"0" max:"0.1" src:"consumer MEMS, common practice"`
	GyroBias      float64    `toml:"gyro_bias_sigma" unit:"rad/s" doc:"turn-on gyro bias, 1 sigma" min:"1e-5" max:"0.5" src:"consumer MEMS, common practice"`
	AccBias       float64    `toml:"acc_bias_sigma" unit:"m/s^2" doc:"turn-on accelerometer bias, 1 sigma" min:"1e-4" max:"2" src:"consumer MEMS, common practice"`
	Latency       float64    `toml:"latency_s" unit:"s" doc:"sample to arrival" min:"0" max:"0.1" src:"serial or USB transfer of one sample, common practice"`
	Gap           float64    `toml:"gap_s" unit:"s" doc:"without a sample for this long the IMU counts as silent" min:"0.01" max:"2" src:"common practice"`
	GyroRange     float64    `toml:"gyro_range" unit:"rad/s" doc:"full scale; samples at it are saturated" min:"0.5" max:"100" src:"2000 deg/s, common practice"`
	AccRange      float64    `toml:"acc_range" unit:"m/s^2" doc:"full scale; samples at it are saturated" min:"10" max:"2000" src:"16 g, common practice"`
	Position      [3]float64 `toml:"position_m" unit:"m" doc:"body origin to the sensor, forward, left, up" min:"-20" max:"20" src:"measure it, or calibrate"`
	PositionSigma float64    `toml:"position_sigma_m" unit:"m" doc:"how well that is known, 1 sigma forward and left each" min:"0" max:"2" src:"tape measure to the middle of a housing, common practice"`
	GyroScale     float64    `toml:"gyro_scale_sigma" unit:"" doc:"scale error of the yaw gyro, 1 sigma" min:"0" max:"0.1" src:"consumer MEMS 1-3 %, common practice"`
	AccScale      float64    `toml:"acc_scale_sigma" unit:"" doc:"scale and cross-axis error of an accelerometer, 1 sigma" min:"0" max:"0.1" src:"consumer MEMS 0.5-1 %, common practice"`
	GyroPerG      float64    `toml:"gyro_per_force" unit:"rad/s/(m/s^2)" doc:"what a gyro reads of specific force, 1 sigma" min:"0" max:"0.01" src:"consumer MEMS 0.1 deg/s/g, common practice"`
	MountSigma    float64    `toml:"mount_sigma_deg" unit:"deg" doc:"how well the mounting is known, 1 sigma each axis" min:"0" max:"10" src:"a housing bolted on by eye, common practice"`
	MountYaw      float64    `toml:"mount_yaw_deg" unit:"deg" doc:"mounting yaw, IMU to body" min:"-180" max:"180" src:"mounting"`
	MountPitch    float64    `toml:"mount_pitch_deg" unit:"deg" doc:"mounting pitch, IMU to body" min:"-90" max:"90" src:"mounting"`
	MountRoll     float64    `toml:"mount_roll_deg" unit:"deg" doc:"mounting roll, IMU to body" min:"-180" max:"180" src:"mounting"`
}

// Mounting returns the rotation from the axes of the samples to the body's.
func (c *IMU) Mounting() quat.Number {
	const d = math.Pi / 180
	return eskf.FromEuler(c.MountRoll*d, c.MountPitch*d, c.MountYaw*d)
}

// Wheel holds the wheel speed and slip model.
type Wheel struct {
	Sigma      float64 `toml:"sigma_mps" unit:"m/s" doc:"1 sigma of a wheel speed sample at rest" min:"0.001" max:"5" src:"common practice"`
	SigmaRel   float64 `toml:"sigma_rel" unit:"" doc:"further 1 sigma as a share of the speed" min:"0" max:"0.5" src:"common practice"`
	ScaleSigma float64 `toml:"scale_sigma" unit:"" doc:"initial 1 sigma of the scale factor" min:"0.0001" max:"0.5" src:"tyre radius 1 %, common practice"`
	Latency    float64 `toml:"latency_s" unit:"s" doc:"sample to arrival" min:"0" max:"0.5" src:"bus transfer, common practice"`
	SlipSigma  float64 `toml:"slip_sigma" unit:"rad/(m/s^2)" doc:"1 sigma of the side-slip angle per lateral acceleration" min:"0" max:"0.1" src:"kart: a degree or more at 0.6 g, common practice"`
	SideSigma  float64 `toml:"side_sigma_mps" unit:"m/s" doc:"1 sigma of sideways and vertical body velocity driving straight" min:"0.001" max:"5" src:"common practice"`
	SideLat    float64 `toml:"side_per_lateral" unit:"s" doc:"further 1 sigma of sideways velocity per lateral acceleration" min:"0" max:"1" src:"common practice"`
}
