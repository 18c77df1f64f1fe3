package orbit

import (
	"math"
	"testing"

	"kerbline/gnss/geodesy"
	"kerbline/gnss/gnsstime"
	"kerbline/gnss/satellite"
)

// The sample message and the result of Remondi 2004 (Computing satellite velocity
// using the broadcast ephemeris, GPS Solutions 8): position and velocity of GPS 20
// two hours before its reference time.
func TestPublished_Remondi(t *testing.T) {
	toe := gnsstime.Time{Week: 1124, TOW: 93600}
	e := Ephemeris{Sat: satellite.ID{System: satellite.GPS, Number: 20}, Toe: toe, Toc: toe, Af0: -.857324339449e-4, Af1: -.272848410532e-11,
		Kepler: Kepler{Crs: 88.6875, DeltaN: .465376527657e-8, M0: 1.05827953357, Cuc: .457651913166e-5, Ecc: .223578442819e-2, Cus: .177137553692e-5, SqrtA: 5153.79589081,
			Cic: .651925802231e-7, Omega0: 1.64046615454, Cis: -.856816768646e-7, I0: .961685061380, Crc: 344.96875, Omega: 2.06374037770, OmegaDot: -.856928551657e-8, IDot: .342514267094e-9}}
	s := e.At(gnsstime.Time{Week: 1124, TOW: 86400})
	want := geodesy.ECEF{X: -12611434.19782218677, Y: -13413103.97797041245, Z: 19062913.07357876940}
	speed := geodesy.ECEF{X: 266.2803795674, Y: -2424.7683468482, Z: -1529.7620784616}
	if d := s.Pos.Dist(want); d > 1e-3 {
		t.Errorf("position off by %.6f m", d)
	}
	if d := s.Vel.Dist(speed); d > 1e-6 {
		t.Errorf("velocity off by %.9f m/s", d)
	}
}

// GLONASS ICD, CDMA signals, edition 1.0 (2016), appendix J.2.2: the simplified
// algorithm over 600 s. The document's own two algorithms differ by 0.5 m in this
// example, and its printed answer is what the equations of motion give without the
// acceleration of Sun and Moon, to 1 cm in each axis: that acceleration makes 1 m here.
func TestPublished_GLONASS(t *testing.T) {
	toe := gnsstime.Time{Week: 1704, TOW: 432000}
	e := Ephemeris{Sat: satellite.ID{System: satellite.GLONASS, Number: 1}, Toe: toe, Toc: toe, Inertial: Inertial{
		Pos: geodesy.ECEF{X: 7003008.789, Y: -12206626.953, Z: 21280765.625}, Vel: geodesy.ECEF{X: 783.5417, Y: 2804.2530, Z: 1352.5150}}}
	want := geodesy.ECEF{X: 7523174.853, Y: -10506962.176, Z: 21999239.866}
	speed := geodesy.ECEF{X: 950.12609, Y: 2855.68710, Z: 1040.68137}
	s := e.At(toe.Add(600))
	if d := s.Pos.Dist(want); d > 0.015 {
		t.Errorf("position off by %.4f m: %v", d, s.Pos)
	}
	if d := s.Vel.Dist(speed); d > 1e-4 {
		t.Errorf("velocity off by %.6f m/s", d)
	}
	e.Inertial.Acc = geodesy.ECEF{Y: 1.7e-6, Z: -5.41e-6}
	if d := e.At(toe.Add(600)).Pos.Dist(want); math.Abs(d-0.5*600*600*5.67e-6) > 0.05 {
		t.Errorf("with the broadcast acceleration off by %.4f m, want what it makes in 600 s", d)
	}
}

// Galileo 11 on 2016-03-01, 900 s after its reference time, and GPS 20 at its own, as
// an independent program computed them from the same sets (the test data of a
// geodetic analysis package).
func TestPublished_OtherPrograms(t *testing.T) {
	toe := gnsstime.Time{Week: 1886, TOW: 172800}
	for _, c := range []struct {
		e    Ephemeris
		tow  float64
		want geodesy.ECEF
	}{
		{Ephemeris{Sat: satellite.ID{System: satellite.Galileo, Number: 11}, Source: INAV, Kepler: Kepler{Crs: -32.4375, DeltaN: 3.015839907552e-9, M0: 2.397505637802, Cuc: -1.462176442146e-6, Ecc: 3.306962316856e-4,
			Cus: 8.240342140198e-6, SqrtA: 5440.621692657, Cic: 9.313225746155e-9, Omega0: -1.259905024101, Cis: 5.960464477539e-8, I0: .9679475503522, Crc: 166.3125, Omega: -.6590241211713,
			OmegaDot: -5.572732126661e-9, IDot: 2.775115594704e-10}}, 173699.999, geodesy.ECEF{X: 14067596.917149, Y: 11368467.367032, Z: 23441468.250584}},
		{Ephemeris{Sat: satellite.ID{System: satellite.GPS, Number: 20}, Kepler: Kepler{Crs: -23.15625, DeltaN: .530236372187e-8, M0: .253477496869, Cuc: -.111199915409e-5, Ecc: .483385741245e-2, Cus: .810064375401e-5,
			SqrtA: 5153.69705963, Cic: -.141561031342e-6, Omega0: .304306271006, Cis: .372529029846e-8, I0: .926615731710, Crc: 207.25, Omega: 1.33849764271, OmegaDot: -.843427989304e-8,
			IDot: -.164292557730e-9}}, 172799.92312317, geodesy.ECEF{X: -4833470.67769, Y: 15130611.05029, Z: 21132240.92266}},
	} {
		c.e.Toe, c.e.Toc = toe, toe
		if d := c.e.At(gnsstime.Time{Week: 1886, TOW: c.tow}).Pos.Dist(c.want); d > 2e-3 {
			t.Errorf("%v: off by %.6f m", c.e.Sat, d)
		}
	}
}
