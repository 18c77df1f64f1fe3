package tune

import (
	"math"
	"reflect"
	"strings"
	"testing"

	"kerbline/fusion"
)

// The present setting stays unless another is better beyond chance, and none is
// taken that costs more misleading seconds.
func TestChoose(t *testing.T) {
	f := func(runs int, misleading, available float64) Figures {
		x := Figures{Settled: 36000, SettledGood: 36000 * available, UsableJudged: 36000 * available, Judged: 36000, Driving: 36000,
			Runs: runs, Misleading: misleading, AlarmHours: 10}
		for i := range 8 {
			x.Each = append(x.Each, available+0.001*float64(i%3))
		}
		return x
	}
	for _, tt := range []struct {
		name   string
		others []Figures
		want   int // index of the setting
	}{
		{"alone", nil, -1},
		{"one misleading run fewer is chance", []Figures{f(9, 9, 0.95)}, -1},
		{"far fewer misleading runs", []Figures{f(0, 0, 0.95)}, 0},
		{"far more available, no more misleading", []Figures{f(10, 10, 0.99)}, 0},
		{"far more available and more misleading seconds", []Figures{f(10, 12, 0.99)}, -1},
		{"far fewer misleading runs, far less available", []Figures{f(0, 0, 0.5)}, -1},
		{"the better of two", []Figures{f(9, 9, 0.95), f(0, 0, 0.96)}, 1},
	} {
		rows := []Ranked{{Index: -1, Figures: f(10, 10, 0.95)}}
		for i, o := range tt.others {
			rows = append(rows, Ranked{Index: i, Steps: 1, Figures: o})
		}
		Rank(rows)
		if got := rows[Choose(rows)].Index; got != tt.want {
			t.Errorf("%s: setting %d, want %d", tt.name, got, tt.want)
		}
	}
}

// Every gate is a setting, and a value beyond the present one on its weak side is
// warned of; so is the edge of what was tried.
func TestWarnings(t *testing.T) {
	cfg := fusion.DefaultConfig()
	for key := range gates {
		section, name, _ := strings.Cut(key, ".")
		v, ok := reflect.ValueOf(cfg), false
		for range 2 {
			for _, fd := range reflect.VisibleFields(v.Type()) {
				if tag := fd.Tag.Get("toml"); tag == section || tag == name {
					v, ok = v.FieldByIndex(fd.Index), tag == name
					break
				}
			}
			if ok || v.Kind() != reflect.Struct {
				break
			}
		}
		if !ok {
			t.Errorf("no setting is called %s", key)
		}
	}
	a := Axis{Key: "gnss.max_age_s", Values: []string{"5", "15", "30"}}
	for _, tt := range []struct {
		to         string
		edge, weak bool
	}{{"5", true, false}, {"15", false, false}, {"30", true, true}} {
		got := strings.Join(a.Warnings(15, tt.to), "\n")
		if strings.Contains(got, "edge") != tt.edge || strings.Contains(got, "weakens a gate") != tt.weak {
			t.Errorf("from 15 to %s: %q", tt.to, got)
		}
	}
	dwell := Axis{Key: "tests.dwell_s", Values: []string{"1", "2", "3", "4"}}
	if got := dwell.Warnings(3, "2"); len(got) != 1 || !strings.Contains(got[0], "believed again sooner") {
		t.Errorf("a shorter dwell: %q", got)
	}
	if got := dwell.Warnings(math.NaN(), "2"); got != nil {
		t.Errorf("from an unknown value: %q", got)
	}
}
