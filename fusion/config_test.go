package fusion

import (
	"fmt"
	"math"
	"reflect"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// fields calls visit with every setting of v that is a number, by its key.
func fields(v reflect.Value, section string, visit func(key string, tag reflect.StructTag, x float64)) {
	for i := range v.NumField() {
		f, x := v.Type().Field(i), v.Field(i)
		key, _, _ := strings.Cut(f.Tag.Get("toml"), ",")
		switch {
		case f.Anonymous:
			fields(x, section, visit)
		case x.Kind() == reflect.Struct:
			fields(x, key+".", visit)
		case x.CanFloat():
			visit(section+key, f.Tag, x.Float())
		case x.CanInt():
			visit(section+key, f.Tag, float64(x.Int()))
		case x.Kind() == reflect.Array && x.Type().Elem().Kind() == reflect.Float64:
			for k := range x.Len() {
				visit(fmt.Sprintf("%s%s[%d]", section, key, k), f.Tag, x.Index(k).Float())
			}
		}
	}
}

// Every default lies within what the setting may be.
func TestDefaults_Allowed(t *testing.T) {
	cfg, n := DefaultConfig(), 0
	fields(reflect.ValueOf(cfg), "", func(key string, tag reflect.StructTag, x float64) {
		n++
		lo, err := strconv.ParseFloat(tag.Get("min"), 64)
		hi, err2 := strconv.ParseFloat(tag.Get("max"), 64)
		if err != nil || err2 != nil || !(lo < hi) || !(lo <= x && x <= hi) {
			t.Errorf("%s is %g, may be %s to %s", key, x, tag.Get("min"), tag.Get("max"))
		}
		if tag.Get("doc") == "" || tag.Get("src") == "" {
			t.Errorf("%s has no meaning or no source", key)
		}
	})
	if n < 80 {
		t.Errorf("%d settings were looked at", n)
	}
}

// Where the source of a default names a figure or a range, the default is it: the
// tag is what the printout of the settings shows.
func TestDefaults_AsTheirSourcesSay(t *testing.T) {
	cfg := DefaultConfig()
	have, tags := map[string]float64{}, map[string]reflect.StructTag{}
	fields(reflect.ValueOf(cfg), "", func(key string, tag reflect.StructTag, x float64) { have[key], tags[key] = x, tag })
	const perDegree = math.Pi / 180
	for key, tt := range map[string]struct {
		says   string // in the source
		lo, hi float64
	}{
		"limits.lateral_m":       {"0.29 and freeway 0.57", 0.29, 0.57},
		"limits.along_m":         {"0.29 and freeway 1.40", 0.29, 1.40},
		"gnss.latency_s":         {"30-200 ms", 0.03, 0.2},
		"gnss.fixed_sigma_m":     {"1 cm", 0.01, 0.01},
		"gnss.vertical_ratio":    {"1 cm / 2 cm", 1, 2},
		"gnss.float_sigma_m":     {"0.2-1 m", 0.2, 1},
		"gnss.diff_sigma_m":      {"0.5-3 m", 0.5, 3},
		"gnss.single_sigma_m":    {"1-5 m", 1, 5},
		"gnss.silence_s":         {"within 0.5 s", 0.2, 0.5},
		"gnss.correlation_s":     {"tens of seconds", 10, 99},
		"gnss.multipath_m":       {"quarter of a wavelength", 0.002, 0.19 / 4}, // L1 0.19 m
		"gnss.speed_lag_s":       {"0.14 s", 0.1, 0.14},
		"imu.gyro_range":         {"2000 deg/s", 2000 * perDegree, 2000 * perDegree},
		"imu.acc_range":          {"16 g", 16 * 9.80665, 16 * 9.80665},
		"imu.gyro_scale_sigma":   {"1-3 %", 0.01, 0.03},
		"imu.acc_scale_sigma":    {"0.5-1 %", 0.005, 0.01},
		"imu.gyro_per_force":     {"0.1 deg/s/g", 0.05 * perDegree / 9.80665, 0.1 * perDegree / 9.80665},
		"wheel.scale_sigma":      {"1 %", 0.01, 0.01},
		"tests.false_alarm":      {"1 in 10 h at 10 Hz is 2.8e-6", 0, 2.8e-6},
		"day.latency_s":          {"30-200 ms", 0.2, 0.5}, // beyond what a good one needs
		"day.rest_m":             {"1 cm", 0.01, 0.1},
		"vehicle.half_width_m":   {"kart", 0.6, 0.75}, // CIK-FIA: 1.40 m over all (from memory)
		"wheel.slip_sigma":       {"a degree or more at 0.6 g", 1 * perDegree / (0.6 * 9.80665), 3 * perDegree / (0.6 * 9.80665)},
		"limits.risk":            {"common practice", 1e-5, 1e-5}, // README, the proof page
		"limits.risk_coast":      {"common practice", 1e-2, 1e-2},
		"limits.heading_deg":     {"common practice", 3, 3},
		"vehicle.reaction_s":     {"common practice", 0.5, 0.5},
		"vehicle.brake_mps2":     {"common practice", 4, 4},
		"vehicle.max_speed_mps":  {"", 20, 40},
		"tests.missed_detection": {"common practice", 1e-3, 1e-3}, // DEVELOPERS.md, where the risk goes
	} {
		x, ok := have[key]
		if !ok {
			t.Errorf("no setting %s", key)
			continue
		}
		if src := tags[key].Get("src"); !strings.Contains(src, tt.says) {
			t.Errorf("%s: the source is now %q", key, src)
		}
		const rounding = 1e-9
		if x < tt.lo*(1-rounding) || x > tt.hi*(1+rounding) {
			t.Errorf("%s is %g, its source says %q: %g to %g", key, x, tt.says, tt.lo, tt.hi)
		}
	}
	// Shares are shares, and a confidence is more than a coin.
	share := regexp.MustCompile(`_share$|confidence$`)
	for key, x := range have {
		if share.MatchString(key) && !(x > 0 && x < 1) {
			t.Errorf("%s is %g", key, x)
		}
	}
	// What rests on one another: a link is late before its episode opens, a stall is
	// longer than the silence that is shown at once, a slower window is longer.
	d := cfg
	for name, ok := range map[string]bool{
		"late before an episode":             d.Link.LateAfter < d.Link.AgeEpisode,
		"silent before an episode":           d.Link.SilentAfter < d.Link.AgeEpisode,
		"an episode before a fix is too old": d.Link.AgeEpisode < d.GNSS.MaxAge,
		"silence within a stall":             d.GNSS.Silence < d.GNSS.Stall,
		"windows grow":                       d.Tests.Windows[0] < d.Tests.Windows[1] && d.Tests.Windows[1] < d.Tests.Windows[2],
		"suspected before alarmed":           d.Tests.SuspectPFA > d.Tests.DriftPFA,
		"sigmas by class":                    d.GNSS.FixedSigma < d.GNSS.FloatSigma && d.GNSS.FloatSigma < d.GNSS.DiffSigma && d.GNSS.DiffSigma < d.GNSS.SingleSigma,
		"the fix gate above its floor":       d.GNSS.MaxSigma > 2*d.GNSS.FixedSigma && d.GNSS.MaxSigma < d.GNSS.FloatSigma,
		"a loss is rarer than its risk":      d.Limits.Risk < d.Limits.RiskCoast,
	} {
		if !ok {
			t.Error(name)
		}
	}
}
