package fusion

import (
	"fmt"
	"math"
	"reflect"
	"strconv"
	"strings"
)

// A value may be taken for one run: from the command line, or at a key while the run
// goes on. It reaches a monitor as the word "take KEY = VALUE, ..." among the
// records, so that a replay takes it where the live run did; the settings file stays
// as it is. What was taken is said by snapshots, lines, recordings and reports.

const takeNote = "take "

// TakeNote is the word that takes values for the rest of a run: assignments as a
// finding proposes them.
func TakeNote(assignments string) string { return takeNote + assignments }

// Assignments cuts "a = 1, b = [1, 2], c = \"t,v\"" at the commas between its parts.
func Assignments(list string) (out []string) {
	from, depth, quoted := 0, 0, false
	for i, r := range list {
		switch {
		case r == '"':
			quoted = !quoted
		case quoted:
		case r == '[':
			depth++
		case r == ']':
			depth--
		case r == ',' && depth == 0:
			out = append(out, strings.TrimSpace(list[from:i]))
			from = i + 1
		}
	}
	return append(out, strings.TrimSpace(list[from:]))
}

// Take changes settings for one run, and notes in Taken what was changed and from
// what. On an error c is as it was.
func (c *Config) Take(list string) error {
	changed := *c
	for _, a := range Assignments(list) {
		name, text, ok := strings.Cut(a, "=")
		name, text = strings.TrimSpace(name), strings.TrimSpace(text)
		f, tag := setting(reflect.ValueOf(&changed).Elem(), name)
		if !ok || !f.IsValid() || name == takenKey {
			return fmt.Errorf("fusion: %q, want KEY = VALUE with a key of the settings", a)
		}
		was := writeSetting(f)
		if err := readSetting(f, tag, text); err != nil {
			return fmt.Errorf("fusion: %s: %w", name, err)
		}
		if changed.Taken != "" {
			changed.Taken += "; "
		}
		changed.Taken += fmt.Sprintf("%s = %s (was %s)", name, writeSetting(f), was)
	}
	for _, read := range []func() error{
		func() error { _, err := changed.Columns.IMUTable(); return err },
		func() error { _, err := changed.Columns.WheelTable(); return err },
		func() error { _, err := changed.Columns.FixTable(); return err },
	} {
		if err := read(); err != nil {
			return err
		}
	}
	*c = changed
	return nil
}

const takenKey = "taken"

// setting returns the field of a dotted key, invalid where there is none.
func setting(v reflect.Value, name string) (reflect.Value, reflect.StructTag) {
	for i := range v.NumField() {
		f := v.Type().Field(i)
		tag := f.Tag.Get("toml")
		rest, in := strings.CutPrefix(name, tag+".")
		switch kind := f.Type.Kind(); {
		case f.Anonymous:
			if g, t := setting(v.Field(i), name); g.IsValid() {
				return g, t
			}
		case kind == reflect.Struct && in:
			return setting(v.Field(i), rest)
		case tag == name && kind != reflect.Struct && kind != reflect.Slice:
			return v.Field(i), f.Tag
		}
	}
	return reflect.Value{}, ""
}

// readSetting gives a field the value that a text says, within the limits of its tag.
func readSetting(f reflect.Value, tag reflect.StructTag, text string) error {
	number := func(text string) (float64, error) {
		x, err := strconv.ParseFloat(strings.TrimSpace(text), 64)
		least, most := tagged(tag, "min", math.Inf(-1)), tagged(tag, "max", math.Inf(1))
		if err != nil || math.IsInf(x, 0) || !(x >= least && x <= most) {
			return 0, fmt.Errorf("%q, want a number from %g to %g %s", text, least, most, tag.Get("unit"))
		}
		return x, nil
	}
	switch f.Kind() {
	case reflect.String:
		if s, err := strconv.Unquote(text); err == nil {
			text = s
		}
		f.SetString(text)
		return nil
	case reflect.Array:
		parts := strings.Split(strings.TrimSuffix(strings.TrimPrefix(text, "["), "]"), ",")
		if len(parts) != f.Len() {
			return fmt.Errorf("%q, want [%d numbers]", text, f.Len())
		}
		for i, p := range parts {
			x, err := number(p)
			if err != nil {
				return err
			}
			f.Index(i).SetFloat(x)
		}
		return nil
	}
	x, err := number(text)
	switch {
	case err != nil:
		return err
	case f.Kind() == reflect.Float64:
		f.SetFloat(x)
	case f.Kind() == reflect.Int && x == math.Trunc(x):
		f.SetInt(int64(x))
	default:
		return fmt.Errorf("%q, want a whole number", text)
	}
	return nil
}

func tagged(tag reflect.StructTag, key string, absent float64) float64 {
	if x, err := strconv.ParseFloat(tag.Get(key), 64); err == nil {
		return x
	}
	return absent
}

func writeSetting(f reflect.Value) string {
	switch f.Kind() {
	case reflect.String:
		return strconv.Quote(f.String())
	case reflect.Array:
		var parts []string
		for i := range f.Len() {
			parts = append(parts, strconv.FormatFloat(f.Index(i).Float(), 'g', -1, 64))
		}
		return "[" + strings.Join(parts, ", ") + "]"
	}
	return fmt.Sprint(f.Interface())
}

// takeValues takes what the word says: this decoder reads on by it, and so does the
// monitor behind it.
func (d *Decoder) takeValues(list string) {
	cfg := d.cfg
	if err := cfg.Take(list); err != nil {
		d.refuse(d.t, ChanNote, RefusedField, err.Error())
		return
	}
	d.configure(cfg)
	m := Measurement{T: d.t, Kind: KindTake, Channel: ChanNote, Config: &cfg}
	d.emit(&m)
	d.tellColumns(ChanIMU, &d.imu)
	d.tellColumns(ChanWheel, &d.wheel)
}

// retake begins anew with other settings, at the time and with the link that it has:
// what the filter came to by the old ones counts no more.
func (m *Monitor) retake(cfg *Config) {
	was := *m
	*m = Monitor{crs: was.crs, link: was.link, episode: was.episode, now: was.now, shift: was.shift, started: true, zero: was.zero, lastLine: was.lastLine,
		claim: was.claim, driven: was.driven, recv: was.recv, baseChanges: was.baseChanges, lap: was.lap, memory: was.memory, events: was.events}
	driven := m.driven
	m.begin(cfg)
	m.driven = driven
	m.snap.Seq, m.snap.Counts = was.snap.Seq, was.snap.Counts
	m.rcv.lastSeen = was.rcv.lastSeen
	m.tellTaken()
}

func (m *Monitor) tellTaken() {
	if m.cfg.Taken != "" {
		m.event(Event{T: m.host(m.now), End: math.NaN(), Kind: EventTaken, Size: math.NaN(), Where: math.NaN(),
			Detail: "taken for this run: " + m.cfg.Taken})
	}
}
