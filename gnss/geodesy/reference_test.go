package geodesy

import (
	"math"
	"testing"
)

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s is %.12g, want %.12g ± %g", what, got, want, tol)
	}
}

func deg(lat, lon, h float64) LLA { return LLA{lat * Degree, lon * Degree, h} }

// WGS 84: in-dubio-pro-geo.de register/wgs84, and GeographicLib 2.1.2 (gravity
// to its last digit).
func TestConstants_WGS84(t *testing.T) {
	near(t, "A", A, 6378137, 0)
	near(t, "1/F", 1/F, 298.257223563, 1e-12)
	near(t, "GM", GM, 3.986004418e14, 0)
	near(t, "EarthRate", EarthRate, 7.292115e-5, 0)
	near(t, "B", B, 6356752.314245179, 1e-9)
	near(t, "E2", E2, 0.00669437999014132, 1e-16)
	near(t, "second eccentricity squared", E2/(1-E2), 0.00673949674227643, 1e-16)
	near(t, "GammaE", GammaE, 9.7803253359, 5e-11)
	near(t, "GammaP", GammaP, 9.8321849378, 1e-10)
	near(t, "GammaE", GammaE, 9.7803253359038926, 0)
	near(t, "GammaP", GammaP, 9.8321849378634010, 0)
	near(t, "m", EarthRate*EarthRate*A*A*B/GM, 0.00344978650684, 1e-14)
	near(t, "k", somigK, 0.00193185265241, 1e-13) // TR8350.2, from memory
	near(t, "Earth rate in deg/h", EarthRate/Degree*3600, 15.041066876, 1e-8)
}

// EPSG Guidance Note 7-2, methods 9602, 9836 and 9837: coordinates as printed
// at epsg.org (method 9836), latitudes and longitudes from memory and
// recomputed with GeographicLib's CartConvert and PROJ.
func TestFrames_EPSG(t *testing.T) {
	const mm, nano = 1e-3, 1e-6
	point := LLA{(53 + 48/60.0 + 33.820/3600) * Degree, (2 + 7/60.0 + 46.380/3600) * Degree, 73}

	e := point.ECEF()
	near(t, "9602 X", e.X, 3771793.968, mm)
	near(t, "9602 Y", e.Y, 140253.342, mm)
	near(t, "9602 Z", e.Z, 5124304.349, mm)
	near(t, "9602 X, computed", e.X, 3771793.967642, nano)
	near(t, "9602 Y, computed", e.Y, 140253.341900, nano)
	near(t, "9602 Z, computed", e.Z, 5124304.349351, nano)

	l := ECEF{3771793.968, 140253.342, 5124304.349}.LLA()
	near(t, "9602 inverse, latitude", l.Lat/Degree, 53.80939443996, 1e-8)
	near(t, "9602 inverse, longitude", l.Lon/Degree, 2.12955000132, 1e-8)
	near(t, "9602 inverse, height", l.H, 72.99993, mm)

	origin := deg(55, 5, 200)
	o := origin.ECEF()
	near(t, "origin X", o.X, 3652755.305808, nano)
	near(t, "origin Y", o.Y, 319574.679892, nano)
	near(t, "origin Z", o.Z, 5201547.353611, nano)
	near(t, "origin distance from the axis", math.Hypot(o.X, o.Y), 3666708.2376, 1e-4)
	near(t, "origin latitude", origin.Lat, 0.9599310885, 1e-10)
	near(t, "origin longitude", origin.Lon, 0.0872664625, 1e-10)

	f := NewFrame(ECEF{3652755.3058, 319574.6799, 5201547.3536}.LLA())
	v := f.FromECEF(ECEF{3771793.968, 140253.342, 5124304.349})
	near(t, "9836 U", v.E, -189013.869, mm) // EPSG's U, V, W
	near(t, "9836 V", v.N, -128642.040, mm)
	near(t, "9836 W", v.U, -4220.171, mm)

	f = NewFrame(origin)
	v = f.FromLLA(point)
	near(t, "9837 U", v.E, -189013.869, mm)
	near(t, "9837 V", v.N, -128642.040, mm)
	near(t, "9837 W", v.U, -4220.171, mm)
	near(t, "9837 U, computed", v.E, -189013.869151, nano)
	near(t, "9837 V, computed", v.N, -128642.039806, nano)
	near(t, "9837 W, computed", v.U, -4220.170758, nano)
}

// Computed with CartConvert of GeographicLib 2.1.2.
func TestECEF_GeographicLib(t *testing.T) {
	const tol = 1e-6
	for _, tt := range []struct{ lat, lon, h, x, y, z float64 }{
		{0, 0, 0, 6378137, 0, 0},
		{90, 0, 0, 0, 0, 6356752.314245179},
		{-90, 0, 100, 0, 0, -6356852.314245179},
		{0, 180, 0, -6378137, 0, 0},
		{45, 45, 0, 3194419.145060575, 3194419.145060574, 4487348.408865919},
		{51.4779, -0.0015, 45, 3980600.532618471, -104.211878275, 4966866.657855451},
		{35.6812, 139.7671, 40, -3959690.802569009, 3350097.500458844, 3699540.124670239},
		{-33.8568, 151.2153, 20, -4646983.193770600, 2553084.917571168, -3533278.269872974},
		{40.7128, -74.0060, -10, 1333996.367612448, -4654037.556260467, 4138293.716017712},
		{37.4275, -122.1697, 30, -2700117.906602148, -4292747.331359087, 3855195.507978565},
		{48.1173, 11.5166667, 545.4, 4180483.885389232, 851795.526079876, 4725999.768716950},
		{47.0, 8.5, 400, 4310092.074935803, 644147.576506096, 4642057.330301019},
	} {
		p := deg(tt.lat, tt.lon, tt.h)
		e := p.ECEF()
		if d := e.Dist(ECEF{tt.x, tt.y, tt.z}); !(d <= tol) {
			t.Errorf("%+v is %g m off", tt, d)
		}
		back := e.LLA()
		near(t, "latitude back", back.Lat, p.Lat, 1e-14)
		if math.Abs(tt.lat) != 90 {
			near(t, "longitude back", math.Remainder(back.Lon-p.Lon, 2*math.Pi), 0, 1e-14)
		}
		near(t, "height back", back.H, p.H, 5e-9)
	}
}

// Computed with CartConvert -l of GeographicLib 2.1.2, origin 48 N, 11 E, 500 m.
func TestENU_GeographicLib(t *testing.T) {
	const tol = 1e-6
	f := NewFrame(deg(48, 11, 500))
	for _, tt := range []struct{ dlat, dlon, dh, e, n, u float64 }{
		{1e-5, 0, 0, 0, 1.111990494, -0.000000096},
		{0, 1e-5, 0, 0.746311929, 0.000000049, -0.000000044},
		{1e-3, 1e-3, 1, 74.629762204, 111.199560402, 0.998593821},
		{-2e-4, 3e-4, -0.5, 22.389442634, -22.239764154, -0.500078038},
		{0.01, 0.01, 0, 746.167684269, 1112.039849567, -0.140610308},
	} {
		p := deg(48+tt.dlat, 11+tt.dlon, 500+tt.dh)
		v := f.FromLLA(p)
		near(t, "east", v.E, tt.e, tol)
		near(t, "north", v.N, tt.n, tol)
		near(t, "up", v.U, tt.u, tol)
		back := f.ToLLA(v)
		near(t, "latitude back", back.Lat, p.Lat, 1e-14)
		near(t, "longitude back", back.Lon, p.Lon, 1e-14)
		near(t, "height back", back.H, p.H, 5e-9)
	}
	// (1, 2, 3) in Earth-fixed axes at 48 N, 11 E.
	x, y, z := f.RotateToECEF(ENU{1, 2, 3})
	near(t, "dx", x, 0.32071906, 5e-9)
	near(t, "dy", y, 1.08105816, 5e-9)
	near(t, "dz", z, 3.56769569, 5e-9)
	if v := f.RotateToENU(x, y, z); math.Abs(v.E-1)+math.Abs(v.N-2)+math.Abs(v.U-3) > 1e-14 {
		t.Errorf("turned back to %+v", v)
	}
}

// Computed with the Ellipsoid class of GeographicLib 2.1.2.
func TestRadii_GeographicLib(t *testing.T) {
	const tol = 1e-5
	for _, tt := range []struct{ lat, m, n, parallel float64 }{
		{0, 6335439.327293, 6378137.000000, 6378137.000000},
		{10, 6337358.121555, 6378780.843661, 6281872.829603},
		{30, 6351377.103716, 6383480.917690, 5528256.639293},
		{45, 6367381.815620, 6388838.290121, 4517590.878849},
		{47.4, 6370066.861326, 6389736.195133, 4325058.883097},
		{51.5, 6374604.305623, 6391252.986684, 3978648.530665},
		{60, 6383453.857229, 6394209.173848, 3197104.586924},
		{90, 6399593.625758, 6399593.625758, 0},
	} {
		m, n := Radii(tt.lat * Degree)
		near(t, "meridian radius", m, tt.m, tol)
		near(t, "prime vertical radius", n, tt.n, tol)
		near(t, "radius of the parallel", n*math.Cos(tt.lat*Degree), tt.parallel, tol)
		near(t, "radius of the parallel by ECEF", math.Hypot(deg(tt.lat, 30, 0).ECEF().X, deg(tt.lat, 30, 0).ECEF().Y), tt.parallel, tol)
	}
}

// On the ellipsoid Somigliana's closed form, above it the exact normal gravity
// of GeographicLib 2.1.2, both within 1e-9 m/s^2 (at 1 km the second-order term
// leaves 6e-9). Equator and pole are published, the others computed. The
// gradients are those of a first-order series in the flattening, which is
// 1.1e-10 1/s^2 off at the equator.
func TestNormalGravity_GeographicLib(t *testing.T) {
	for _, tt := range []struct{ lat, g0, g100, g1000, slope float64 }{
		{0, 9.780325335904, 9.780016563402, 9.777238264594, -3.087691e-6},
		{30, 9.793247269219, 9.792938606582, 9.790161296096, -3.086622e-6},
		{45, 9.806197769377, 9.805889216855, 9.803112896932, -3.085549e-6},
		{47.4, 9.808367907913, 9.808059373844, 9.805283219916, -3.085369e-6},
		{51.5, 9.812033575052, 9.811725072152, 9.808949198617, -3.085065e-6},
		{60, 9.819176953119, 9.818868510960, 9.816093183844, -3.084471e-6},
		{90, 9.832184937863, 9.831876606319, 9.829102274251, -3.083389e-6},
	} {
		lat := tt.lat * Degree
		near(t, "gravity on the ellipsoid", NormalGravity(lat, 0), tt.g0, 1e-9)
		near(t, "gravity on the southern ellipsoid", NormalGravity(-lat, 0), tt.g0, 1e-9)
		near(t, "gravity at 100 m", NormalGravity(lat, 100), tt.g100, 1e-9)
		near(t, "gravity at 1 km", NormalGravity(lat, 1000), tt.g1000, 6e-9)
		near(t, "its gradient", (NormalGravity(lat, 1)-NormalGravity(lat, -1))/2, tt.slope, 1.2e-10)
	}
}

// Computed: 15.041066876 deg/h turned to 48 N.
func TestEarthRateENU(t *testing.T) {
	w := EarthRateENU(48 * Degree)
	const degPerHour = Degree / 3600
	near(t, "east", w.E, 0, 0)
	near(t, "north", w.N/degPerHour, 10.064438, 1e-6)
	near(t, "up", w.U/degPerHour, 11.177691, 1e-6)
}

// Worked station of the RTCM standard (1005, station 2003): ECEF as sent,
// geodetic by CartConvert.
func TestLLA_RTCMStation(t *testing.T) {
	l := ECEF{1114104.5999, -4850729.7108, 3975521.4643}.LLA()
	near(t, "latitude", l.Lat/Degree, 38.80475943042507, 1e-12)
	near(t, "longitude", l.Lon/Degree, -77.06477359980347, 1e-12)
	near(t, "height", l.H, 114.561138, 1e-6)
}
