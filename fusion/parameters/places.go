package parameters

import (
	"fmt"
	"math"

	"kerbline/fusion/navigation"
	"kerbline/fusion/symptoms"
)

// Where the antenna is from the sensor shows in every turn; where both are in the
// body hardly does. One of the two places is the tape's, so what a drive
// contradicts is their difference, and both are named.

// seen is what the recording alone says of it, the settings' word taken off.
func seen(d *navigation.Driver, i int) (off, sigma, told float64) {
	off, left, told := d.Places(i)
	share := 1 - left*left/(told*told) // of the information that is the recording's
	if !(share > 0.01) {
		return 0, math.Inf(1), told
	}
	return off / share, left / math.Sqrt(share), told
}

// PlacesLeft returns how well the place of the antenna from the sensor is known
// by now, 1 sigma, m.
func (u *Watch) PlacesLeft(d *navigation.Driver) float64 {
	_, x, _ := d.Places(0)
	_, y, _ := d.Places(1)
	return math.Hypot(x, y)
}

// Shown returns how far forward and left the antenna is from where the settings
// have it, by the recording alone, and 1 sigma of that, m; infinite where it has
// not shown it.
func (u *Watch) Shown(d *navigation.Driver) (off, sigma [2]float64) {
	for i := range off {
		off[i], sigma[i], _ = seen(d, i)
	}
	return off, sigma
}

// Disputed returns by how much the body origin would be elsewhere, forward and
// left, m, were the antenna's place wrong and not the sensor's: what the recording
// shows of it beyond 1 sigma. At one speed a forward arm is latency, so what has been
// seen of it says less than it claims.
func (u *Watch) Disputed(d *navigation.Driver) (xy [2]float64) {
	const (
		sharp  = 0.05 // m, 1 sigma, which only a change of speed in turns gives
		hidden = 4.0  // sigmas that latency may hide before. Common practice, no source.
	)
	for i := range xy {
		if off, sigma, told := seen(d, i); !math.IsInf(sigma, 0) {
			xy[i] = math.Max(0, math.Abs(off)-math.Hypot(sigma, told))
			if i == 0 && sigma > sharp {
				xy[i] = math.Max(xy[i], math.Abs(off)+hidden*sigma)
			}
		}
	}
	return xy
}

// OnPlaces looks at what the filter has come to after an epoch.
func (u *Watch) OnPlaces(d *navigation.Driver) {
	const sure = 4.5 // sigmas
	u.turns.add(d.Filter.Yaw())
	if u.wrong[leverArm] {
		u.sharpen(d)
		return
	}
	for i := range 2 {
		off, sigma, told := seen(d, i)
		if !(math.Abs(off) > math.Max(leverClear, sure*math.Hypot(sigma, told))) {
			continue
		}
		x, y, what := u.elsewhere(d)
		u.sayLever(x, y, what)
		return
	}
}

// elsewhere says where the antenna seems to be, and how well that is known.
func (u *Watch) elsewhere(d *navigation.Driver) (x, y float64, what string) {
	a, p := u.antenna, d.Placed()
	x, sx, _ := seen(d, 0)
	y, sy, _ := seen(d, 1)
	u.saidTo = math.Max(sx, sy)
	return x, y, fmt.Sprintf("the antenna moves as if it were %.2f forward, %.2f left (±%.2f, ±%.2f) of the inertial sensor; vehicle.antenna_m less imu.position_m is %.2f, %.2f: check both, and their signs",
		a[0]-p[0]+x, a[1]-p[1]+y, sx, sy, a[0]-p[0], a[1]-p[1])
}

// Contradicted reports whether the drive contradicts the lever arm of the settings: a
// filter that believes it does not show where the antenna is. What such filters said
// was off by 0.02 to 0.9 m.
func (u *Watch) Contradicted() bool {
	return u.wrong[leverArm] && u.found[leverArm].ID == symptoms.LeverArm
}

// Unbelieved notes that the filter no longer believes the lever arm of the settings:
// what it then shows of it is said, once it is sharp. Where the speed is too even it
// never is: a forward arm is latency then.
func (u *Watch) Unbelieved() {
	const sharp = 0.05 // m, 1 sigma
	u.saidTo = sharp / better
	f := &u.found[leverArm]
	f.Set = ""
	f.Seen = "the antenna does not move as where vehicle.antenna_m, less imu.position_m, has it: check both, and their signs"
}

// better is how much sharper, as a share of the sigma that was said, what is said anew is.
const better = 0.7

// sharpen says what was said of the lever arm better, where the drive has shown more.
func (u *Watch) sharpen(d *navigation.Driver) {
	_, sx, _ := seen(d, 0)
	_, sy, _ := seen(d, 1)
	if f := &u.found[leverArm]; f.ID == symptoms.LeverArm && u.saidTo > 0 && math.Max(sx, sy) < better*u.saidTo {
		x, y, what := u.elsewhere(d)
		*f = u.leverFinding(x, y, what)
	}
}

// placesAgree reports whether turns have shown where the antenna is from the sensor
// and that the settings say the same, for a while.
func (u *Watch) placesAgree(d *navigation.Driver) bool {
	const (
		most = 2.0 // sigmas
		// wrongLeast is the least arm that is called wrong, m, and excluded by how many
		// sigmas the drive must have shown that it is not off by as much before settings
		// are believed for the first time: in one bend something else may make up for it.
		wrongLeast = 0.3
		excluded   = 3.0
	)
	now := d.Filter.T
	if !u.shown && u.turns.span() < turnedEnough {
		u.agreed = now
		return false
	}
	for i := range 2 {
		off, sigma, told := seen(d, i)
		if !u.shown && !(sigma <= enough && math.Abs(off)+excluded*sigma <= wrongLeast) || sigma < 2*enough && math.Abs(off) > math.Max(leverClear, most*math.Hypot(sigma, told)) {
			u.agreed = now
			return false
		}
	}
	if now < u.agreed { // the clock was set
		u.agreed = now
	}
	u.shown = u.shown || now-u.agreed > hold
	return u.shown
}
