// Package verdict says whether the position may be used for map-based driving,
// why not, at what speed and what to do instead.
//
// [Judge] is a pure function of the evidence of one instant and of the limits:
//
//	unproven --1--> usable --2--> coasting --3--> usable
//	                   \              \---4--> unusable, unproven
//	                    \--------5-----------> unusable
//	unusable --6--> unproven (fixed epochs in use again) --1--> usable
//
// 1 every condition holds. 2 GNSS is absent or refused, dead reckoning is inside
// the limits. 3 as 1. 4 a protection level passed its limit or the time allowed
// is over: unproven where no evidence is left. 5 an alarm that
// dead reckoning cannot answer: drift, base, units. 6 fixed epochs are used
// again.
//
// What needs memory (since when a reason holds, a cap that rises slowly, advice
// that does not flicker) is kept by [Memory]. SI and radians, host seconds; NaN
// is unknown and never counts as good. Start at [Judge].
package verdict

import (
	"math"

	"kerbline/fusion/integrity"
)

// Verdict says whether the position may be used for map-based driving.
type Verdict uint8

const (
	Unproven Verdict = iota // filter not initialised, or not yet requalified
	Usable                  // every condition holds
	Coasting                // GNSS absent or refused, dead reckoning still inside the limits
	Unusable                // a limit is passed or an alarm is open
)

// String returns the word of the output contract.
func (v Verdict) String() string { return verdictNames[v&3] }

var verdictNames = [4]string{"unproven", "usable", "coasting", "unusable"}

// Advice says what the car should do this second.
type Advice uint8

const (
	AdviseStop     Advice = iota // stop
	AdviseReactive               // hand over to reactive driving
	AdviseMapSlow                // map-based driving under the speed cap
	AdviseMap                    // map-based driving
)

// String returns the word of the output contract.
func (a Advice) String() string { return adviceNames[a&3] }

var adviceNames = [4]string{"stop", "reactive", "map_slow", "map"}

// PL is a protection level with its parts, in the unit of the total (m or rad).
type PL struct {
	Total  float64 // NaN when unknown
	Noise  float64 // K times the overbounded sigma
	Step   float64 // largest step the jump test would miss
	Drift  float64 // how far a suspected drift may have gone
	Timing float64 // speed times timing uncertainty
	Sigma  float64 // 1 sigma behind Noise
}

// BlankPL returns a level that is unknown.
func BlankPL() PL {
	n := math.NaN()
	return PL{n, n, n, n, n, n}
}

// Set works out the level from sigma with factor k, a missed step, a suspected
// drift and a rate (m/s, rad/s) over an unmodelled time error, s.
func (p *PL) Set(k, sigma, step, drift, rate, timing float64) {
	p.Sigma, p.Step, p.Drift = sigma, step, drift
	p.Total, p.Noise, p.Timing = integrity.Protection(k, sigma, p.Unseen(), rate, timing)
}

// Unseen is what the tests may not have seen, or not yet proven: no noise, and
// it does not grow with speed.
func (p *PL) Unseen() float64 { return p.Step + p.Drift }

// Limits are the alert limits and the risk behind the protection levels.
type Limits struct {
	Lateral   float64 `toml:"lateral_m" unit:"m" doc:"alert limit across the track" min:"0.01" max:"50" src:"between Reid et al. 2019 local street 0.29 and freeway 0.57"`
	Along     float64 `toml:"along_m" unit:"m" doc:"alert limit along the track" min:"0.01" max:"50" src:"between Reid et al. 2019 local street 0.29 and freeway 1.40"`
	Heading   float64 `toml:"heading_deg" unit:"deg" doc:"alert limit of heading" min:"0.01" max:"90" src:"common practice"`
	Risk      float64 `toml:"risk" unit:"" doc:"two-sided probability behind K of the protection levels" min:"1e-12" max:"0.3" src:"common practice"`
	RiskCoast float64 `toml:"risk_coast" unit:"" doc:"the same for the coast budget: times the chance of a loss it stays within risk" min:"1e-12" max:"0.3" src:"common practice"`
}

// Car is what the verdict has to know of the car.
type Car struct {
	HalfWidth     float64 `toml:"half_width_m" unit:"m" doc:"half of the car's width" min:"0.05" max:"3" src:"kart, common practice"`
	TrackingSigma float64 `toml:"tracking_margin_m" unit:"m" doc:"room the controller needs beside the car" min:"0" max:"5" src:"common practice"`
	Brake         float64 `toml:"brake_mps2" unit:"m/s^2" doc:"braking the fallback may count on" min:"0.1" max:"20" src:"common practice"`
	Reaction      float64 `toml:"reaction_s" unit:"s" doc:"time until the fallback acts" min:"0" max:"10" src:"common practice"`
	ReactiveSpeed float64 `toml:"reactive_speed_mps" unit:"m/s" doc:"speed reactive driving can take over at" min:"0" max:"100" src:"common practice"`
	MaxSpeed      float64 `toml:"max_speed_mps" unit:"m/s" doc:"highest speed cap ever given" min:"0.5" max:"100" src:"common practice"`
}

// Timing holds how long coasting and better advice are allowed and held back.
type Timing struct {
	MaxCoast float64 `toml:"max_coast_s" unit:"s" doc:"dead reckoning is never called coasting for longer" min:"0.5" max:"120" src:"common practice"`
	// UsableHold is one of the waits that keep a person from being told two things a second.
	UsableHold float64 `toml:"usable_hold_s" unit:"s" doc:"usable that was lost a moment ago is told again only once it has held for this long; it is lost at once" min:"0" max:"10" src:"common practice"`
	CapHold    float64 `toml:"advice_hold_s" unit:"s" doc:"advice improves only after this long; it worsens at once" min:"0" max:"30" src:"common practice"`
}

// DefaultLimits, DefaultCar and DefaultTiming are used where a file says nothing.
func DefaultLimits() Limits {
	return Limits{Lateral: 0.5, Along: 1.0, Heading: 3, Risk: 1e-5, RiskCoast: 1e-2}
}

// DefaultCar is a kart.
func DefaultCar() Car {
	return Car{HalfWidth: 0.7, TrackingSigma: 0.3, Brake: 4, Reaction: 0.5, ReactiveSpeed: 6, MaxSpeed: 30}
}

// DefaultTiming is used where a file says nothing.
func DefaultTiming() Timing { return Timing{MaxCoast: 20, UsableHold: 0.5, CapHold: 1} }
