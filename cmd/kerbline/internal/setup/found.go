package setup

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"kerbline/cmd/kerbline/internal/settings"
	"kerbline/fusion/calibrate"
)

// Finding is a setting that the recording shows to be another than it is.
type Finding struct {
	Key      string // of the setting
	Value    string // as the settings file has it
	Was      string // the same, of what is set
	Evidence string // unit, sigma, what it rests on
}

// Found returns the settings that a calibration measured, in the order of the
// settings file.
func Found(cfg *settings.File, res *calibrate.Result) (out []Finding) {
	put := func(key, value, evidence string) {
		out = append(out, Finding{Key: key, Value: value, Evidence: evidence})
	}
	if value, sigma, evidence := foundLever(cfg, res); value != "" {
		put(leverKey, value, evidence)
		put("vehicle.antenna_sigma_m", sigma, "m: largest of the axes above")
	}
	for _, sec := range []string{"gnss.", "imu."} { // a table may stand only once
		for i := range res.Items {
			it := &res.Items[i]
			if !strings.HasPrefix(it.Key, sec) || it.Verdict != calibrate.Measured || isMount(it) {
				continue
			}
			value, sigma := it.Text()
			evidence := fmt.Sprintf("%s: ±%s", it.Unit, sigma)
			if it.Note != "" {
				evidence += ", " + it.Note
			}
			put(it.Key, decimal(value), evidence)
			if it.Key == "gnss.latency_s" {
				put("gnss.latency_sigma_s", latencySigma(it), "s: by the above, 5 ms at least")
			}
		}
	}
	for _, it := range foundMount(res) {
		value, sigma := it.Text()
		put(it.Key, decimal(value), "deg: ±"+sigma)
	}
	return out
}

// latencySigma returns how well a latency is known on another day, under another load
// of the receiver: no better than 5 ms.
func latencySigma(it *calibrate.Item) string {
	return strconv.FormatFloat(math.Max(0.005, math.Ceil(it.Sigma*1e3)/1e3), 'f', 3, 64)
}

const leverKey = "vehicle.antenna_m"

// foundLever returns the lever arm to write and the largest sigma of it, empty
// where no axis was measured. An axis that agrees with the settings stays as it
// is where they know it better, and so does one that the recording does not
// show.
func foundLever(cfg *settings.File, res *calibrate.Result) (value, sigma, evidence string) {
	tape := cfg.Vehicle.AntennaSigma
	var v, e []string
	worst, measured := 0.0, false
	for i := range res.Items {
		it := &res.Items[i]
		if it.Key != leverKey {
			continue
		}
		axis := it.Name[len(it.Name)-1:]
		text, s := it.Text()
		kept := strconv.FormatFloat(it.Configured, 'f', -1, 64)
		switch agrees := math.Abs(it.Value-it.Configured) <= 3*math.Hypot(it.Sigma, tape); {
		case it.Verdict != calibrate.Measured:
			v, e = append(v, decimal(kept)), append(e, axis+" as it was, "+it.Verdict.String())
		case agrees && tape < it.Sigma:
			measured = true
			worst = math.Max(worst, tape)
			v, e = append(v, decimal(kept)), append(e, fmt.Sprintf("%s as it was, %s ±%s agrees", axis, text, s))
		default:
			measured = true
			worst = math.Max(worst, it.Sigma)
			v, e = append(v, decimal(text)), append(e, fmt.Sprintf("%s ±%s", axis, s))
		}
	}
	if !measured {
		return "", "", ""
	}
	return "[" + strings.Join(v, ", ") + "]", decimal(strconv.FormatFloat(worst, 'g', 2, 64)), "m: " + strings.Join(e, "; ")
}

func isMount(it *calibrate.Item) bool { return strings.HasPrefix(it.Key, "imu.mount_") }

// foundMount returns the mounting angles to write. The three belong together:
// all of them, or none where the drive agrees with the settings.
func foundMount(res *calibrate.Result) (angles []*calibrate.Item) {
	differs := false
	for i := range res.Items {
		it := &res.Items[i]
		if !isMount(it) {
			continue
		}
		angles = append(angles, it)
		off := math.Abs(math.Remainder(it.Value-it.Configured, 360))
		// Roll alone is not searched for: it comes with the axes.
		if roll := it.Key == "imu.mount_roll_deg"; !roll && it.Verdict != calibrate.Measured {
			return nil
		} else if it.Verdict == calibrate.Measured && off > 3*it.Sigma {
			differs = true
		}
	}
	if !differs {
		return nil
	}
	return angles
}

// decimal makes a number one that TOML reads as a float.
func decimal(s string) string {
	if strings.ContainsAny(s, ".e") {
		return s
	}
	return s + ".0"
}
