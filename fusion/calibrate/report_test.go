package calibrate

import (
	"bytes"
	"encoding/json"
	"encoding/xml"
	"io"
	"math"
	"strings"
	"testing"
)

// Two digits of the standard deviation, and as many places of the value.
func TestItem_Text(t *testing.T) {
	for _, tt := range []struct {
		v, s         float64
		value, sigma string
	}{
		{0.54217, 0.0248, "0.542", "0.025"},
		{-0.0004, 0.12, "0.00", "0.12"},
		{1.004283, 0.00011, "1.00428", "0.00011"},
		{-0.0052638, 4.3e-5, "-0.005264", "0.000043"},
		{8.0567e-5, 4.9e-7, "8.057e-05", "4.9e-07"},
		{0, 3.8e-5, "0", "3.8e-05"},
		{179.93, 0.062, "179.930", "0.062"},
		{3.5, math.Inf(1), "3.5", "-"},
	} {
		if v, s := (&Item{Value: tt.v, Sigma: tt.s}).Text(); v != tt.value || s != tt.sigma {
			t.Errorf("%g ± %g is written %s ± %s, want %s ± %s", tt.v, tt.s, v, s, tt.value, tt.sigma)
		}
	}
}

// The same recording gives the same bytes, as a table, as JSON and as a drawing.
func TestReport_Forms(t *testing.T) {
	var first [3]string
	for i := range 2 {
		c, _ := bench()
		res, err := Run(c, nil)
		if err != nil {
			t.Fatal(err)
		}
		var table, svg bytes.Buffer
		if err := res.Write(&table); err != nil {
			t.Fatal(err)
		}
		if err := res.WriteSVG(&svg); err != nil {
			t.Fatal(err)
		}
		js, err := json.Marshal(res)
		if err != nil {
			t.Fatal(err)
		}
		now := [3]string{table.String(), string(js), svg.String()}
		if i == 0 {
			first = now
		} else if now != first {
			t.Error("the second run writes other bytes")
		}
	}
	for _, want := range []string{
		"still 7199 s, driven 0 s, 0 epochs used\n",
		"gyro noise             ", "rad/s/sqrt(Hz)       0.0001  measured     three axes together\n",
		"antenna x                         -          -  m                         0  no data      the car never moved\n",
	} {
		if !strings.Contains(first[0], want) {
			t.Errorf("the table has no %q:\n%s", want, first[0])
		}
	}
	var doc struct {
		Still float64 `json:"still_s"`
		Items []struct {
			Name, Verdict string
			Value         *float64
		}
		Findings []string
		Allan    []struct {
			Axis, Unit string
			White      struct{ Value float64 }
			Points     [][2]float64
		}
	}
	if err := json.Unmarshal([]byte(first[1]), &doc); err != nil {
		t.Fatal(err)
	}
	if doc.Findings == nil || len(doc.Allan) != 6 || doc.Allan[3].Axis != "acc x" || len(doc.Allan[3].Points) < 20 || !(doc.Allan[0].White.Value > 0) {
		t.Errorf("%+v", doc)
	}
	for _, it := range doc.Items {
		if (it.Verdict == "no data") != (it.Value == nil) {
			t.Errorf("%+v: null is for what is not known", it)
		}
	}
	d := xml.NewDecoder(strings.NewReader(first[2]))
	for {
		if _, err := d.Token(); err == io.EOF {
			break
		} else if err != nil {
			t.Fatal(err)
		}
	}
	for _, want := range []string{"averaging time, s", "Allan deviation, rad/s", "Allan deviation, m/s^2", ">x: ", "rad/s/√Hz"} {
		if !strings.Contains(first[2], want) {
			t.Errorf("the drawing has no %q", want)
		}
	}
}

// Without a still part, and with a sensor that never changes, a drawing says so.
func TestReport_NothingToDraw(t *testing.T) {
	var b bytes.Buffer
	if err := (&Result{Still: 3}).WriteSVG(&b); err != nil || !strings.Contains(b.String(), "still for 3 s: too short") {
		t.Errorf("%v: %s", err, b.String())
	}
	b.Reset()
	flat := Curve{Points: []AllanPoint{{Tau: 1}, {Tau: 2}}}
	if err := (&Result{Curves: []Curve{flat, flat, flat, flat, flat, flat}}).WriteSVG(&b); err != nil || !strings.Contains(b.String(), "reads the same all the time") {
		t.Errorf("%v: %s", err, b.String())
	}
}
