package recorder

import (
	"cmp"
	"encoding/binary"
	"fmt"
	"math"
	"strconv"
	"strings"

	"kerbline/cmd/kerbline/internal/positions"
	"kerbline/fusion"
	"kerbline/gnss"
)

// Messages of robotics middleware (docs.ros.org): the ones read here, and the
// channel each becomes.
//
//	sensor_msgs/Imu      Header, orientation and covariance, angular velocity
//	                     (rad/s) and covariance, acceleration (m/s^2, gravity
//	                     included) and covariance
//	nmea_msgs/Sentence   Header, string
//	std_msgs/String      string
//	sensor_msgs/NavSatFix  Header, status, latitude, longitude (deg), height
//	                     above the ellipsoid (m), covariance (m^2, east north up)
//	geometry_msgs/TwistStamped, TwistWithCovarianceStamped
//	                     Header, linear (m/s) and angular velocity: among the
//	                     receiver's topics east and north, as wheel speed forward
//	nav_msgs/Odometry    Header, frame, pose, twist of the body: wheel speed
//	std_msgs/Float64, Float32  a number: wheel speed, m/s
//	other                Header, bytes; taken for corrections where a topic is
//	                     named as such
const (
	schemaIMU      = "sensor_msgs/Imu"
	schemaSentence = "nmea_msgs/Sentence"
	schemaString   = "std_msgs/String"
	schemaFix      = "sensor_msgs/NavSatFix"
	schemaTwist    = "geometry_msgs/TwistStamped"
	schemaTwistCov = "geometry_msgs/TwistWithCovarianceStamped"
	schemaOdometry = "nav_msgs/Odometry"
	schemaFloat64  = "std_msgs/Float64"
	schemaFloat32  = "std_msgs/Float32"
)

// cdr reads the serialised form of a message: version 1 and 2 of the second
// generation (XTypes 1.3, 7.6.2.1.2: encapsulation identifiers) and the first
// generation, which has no alignment.
type cdr struct {
	b     []byte
	p     int
	align int // of 8-byte numbers; 0 for the first generation
	order binary.ByteOrder
	bad   bool
}

// newCDR returns a reader of a message in the given encoding ("cdr" or "ros1").
func newCDR(encoding string, b []byte) (cdr, error) {
	if encoding == "ros1" {
		return cdr{b: b, order: binary.LittleEndian}, nil
	}
	if len(b) < 4 || b[0] != 0 {
		return cdr{}, fmt.Errorf("recorder: message has no encapsulation header")
	}
	c := cdr{b: b[4:], align: 8, order: binary.BigEndian}
	switch b[1] {
	case 0x00, 0x01:
	case 0x06, 0x07, 0x10, 0x11:
		c.align = 4
	default:
		return cdr{}, fmt.Errorf("recorder: message encapsulation %#x, want plain CDR", b[1])
	}
	if b[1]&1 != 0 {
		c.order = binary.LittleEndian
	}
	return c, nil
}

// take returns the next n bytes, aligned.
func (c *cdr) take(n, align int) []byte {
	if align > 1 && c.align > 0 {
		align = min(align, c.align)
		c.p = (c.p + align - 1) / align * align
	}
	if c.bad || n < 0 || n > len(c.b)-c.p {
		c.bad = true
		return make([]byte, min(max(n, 0), 8))
	}
	c.p += n
	return c.b[c.p-n : c.p]
}

func (c *cdr) uint16() uint16   { return c.order.Uint16(c.take(2, 2)) }
func (c *cdr) uint32() uint32   { return c.order.Uint32(c.take(4, 4)) }
func (c *cdr) float64() float64 { return math.Float64frombits(c.order.Uint64(c.take(8, 8))) }

func (c *cdr) bytes() []byte { return c.take(int(c.uint32()), 1) }

// text is a string, with a terminating zero in the second generation only.
func (c *cdr) text() []byte {
	b := c.bytes()
	if c.align > 0 && len(b) > 0 && b[len(b)-1] == 0 {
		b = b[:len(b)-1]
	}
	return b
}

// header reads the stamp in ns, 0 when the message has none.
func (c *cdr) header() int64 {
	if c.align == 0 {
		c.uint32() // sequence number
	}
	sec, nsec := c.uint32(), c.uint32()
	c.text() // frame
	return int64(sec)*1e9 + int64(nsec)
}

// convert turns a message into a record of channel ch: its host time and the
// bytes a receiver or sensor would have sent, appended to out.
func convert(encoding, schema string, ch fusion.Channel, log int64, msg, out []byte) (int64, []byte, error) {
	c, err := newCDR(encoding, msg)
	if err != nil {
		return 0, nil, err
	}
	read := readers[schemaOf{ch, schema}]
	if read == nil && (ch == fusion.ChanCorrections || ch == fusion.ChanObservations) && !known[schema] {
		read = readBytes
	}
	if read == nil {
		return 0, nil, fmt.Errorf("recorder: message %s is nothing that channel %s is made from", schema, ch)
	}
	stamp, out := read(&c, log, out)
	if c.bad {
		return 0, nil, fmt.Errorf("recorder: message %s is cut short at %d bytes", schema, len(msg))
	}
	// The stamp is when the driver read the bytes, the log time when they
	// reached the recorder; a stamp far off is of another clock.
	t := log
	if d := log - stamp; stamp > 0 && d > -2e9 && d < 2e9 && schema != schemaFix {
		t = stamp
	}
	return t, out, nil
}

// schemaOf is a message and the channel that it becomes.
type schemaOf struct {
	ch     fusion.Channel
	schema string
}

// readers turn each message into the bytes of its channel, appended to out, and
// return its stamp, ns, 0 without one. log is when it was recorded, ns.
var readers = map[schemaOf]func(c *cdr, log int64, out []byte) (int64, []byte){
	{fusion.ChanIMU, schemaIMU}: readIMU,
	{fusion.ChanNMEA, schemaSentence}: func(c *cdr, _ int64, out []byte) (int64, []byte) {
		return c.header(), append(out, sentence(c.text())...)
	},
	{fusion.ChanNMEA, schemaString}:    func(c *cdr, _ int64, out []byte) (int64, []byte) { return 0, append(out, sentence(c.text())...) },
	{fusion.ChanNMEA, schemaFix}:       readFix,
	{fusion.ChanNMEA, schemaTwist}:     readVelocity,
	{fusion.ChanNMEA, schemaTwistCov}:  readVelocity,
	{fusion.ChanWheel, schemaTwist}:    readTwist,
	{fusion.ChanWheel, schemaTwistCov}: readTwist,
	{fusion.ChanWheel, schemaOdometry}: readOdometry,
	{fusion.ChanWheel, schemaFloat64}:  func(c *cdr, log int64, out []byte) (int64, []byte) { return 0, numbers(out, log, c.float64()) },
	{fusion.ChanWheel, schemaFloat32}: func(c *cdr, log int64, out []byte) (int64, []byte) {
		return 0, numbers(out, log, float64(math.Float32frombits(c.uint32())))
	},
}

// known holds the messages that are no bytes of corrections.
var known = func() map[string]bool {
	m := map[string]bool{}
	for k := range readers {
		m[k.schema] = true
	}
	return m
}()

func readBytes(c *cdr, _ int64, out []byte) (int64, []byte) {
	return c.header(), append(out, c.bytes()...)
}

func readIMU(c *cdr, log int64, out []byte) (int64, []byte) {
	stamp := c.header()
	c.take(8*4, 8) // orientation
	c.take(8*9, 8) // and its covariance
	var v [6]float64
	for i := range 3 {
		v[i] = c.float64()
	}
	c.take(8*9, 8)
	for i := range 3 {
		v[3+i] = c.float64()
	}
	return stamp, numbers(out, cmp.Or(stamp, log), v[:]...)
}

// readFix reads a position. The message knows no word for fixed: status 2 (with
// a reference station) counts as that up to a horizontal 1 sigma of centimetres,
// else as float.
func readFix(c *cdr, log int64, out []byte) (int64, []byte) {
	stamp := c.header()
	status := int8(c.take(1, 1)[0])
	c.uint16() // systems used
	f := positions.Unknown()
	f.UTC = Seconds(cmp.Or(stamp, log))
	f.Lat, f.Lon, f.H = c.float64(), c.float64(), c.float64()
	var cov [9]float64
	for i := range cov {
		cov[i] = c.float64()
	}
	if kind := c.take(1, 1)[0]; kind != 0 && cov[0] > 0 && cov[4] > 0 && cov[8] > 0 {
		f.E, f.N, f.U = math.Sqrt(cov[0]), math.Sqrt(cov[4]), math.Sqrt(cov[8])
	}
	switch {
	case status < 0:
		f.Lat = math.NaN()
	case status == 0:
		f.Quality = int(gnss.QualitySingle)
	case status == 1:
		f.Quality = int(gnss.QualityDiff)
	default:
		f.Quality = f.Guess()
	}
	return stamp, f.Append(out)
}

func readVelocity(c *cdr, _ int64, out []byte) (int64, []byte) {
	stamp := c.header()
	e, n := c.float64(), c.float64()
	c.take(8*4, 8)
	return stamp, positions.AppendVelocity(out, e, n)
}

func readTwist(c *cdr, log int64, out []byte) (int64, []byte) {
	stamp := c.header()
	v := c.float64()
	c.take(8*5, 8)
	return stamp, numbers(out, cmp.Or(stamp, log), v)
}

func readOdometry(c *cdr, log int64, out []byte) (int64, []byte) {
	stamp := c.header()
	c.text()        // frame of the body
	c.take(8*7, 8)  // pose
	c.take(8*36, 8) // and its covariance
	v := c.float64()
	c.take(8*5, 8)
	return stamp, numbers(out, cmp.Or(stamp, log), v)
}

// numbers appends a line of our own tables.
func numbers(out []byte, ns int64, v ...float64) []byte {
	out = strconv.AppendFloat(out, Seconds(ns), 'f', -1, 64)
	for _, x := range v {
		out = append(out, ',')
		out = strconv.AppendFloat(out, x, 'g', -1, 64)
	}
	return append(out, '\n')
}

func sentence(b []byte) []byte {
	return []byte(strings.TrimRight(string(b), "\r\n\x00") + "\r\n")
}

// plainSchema removes the folder that the second generation puts into names.
func plainSchema(name string) string { return strings.Replace(name, "/msg/", "/", 1) }

// suits says which channel a topic becomes without being named, if any.
// Velocities are not among them: whose they are only a person knows.
func suits(schema string) (fusion.Channel, bool) {
	switch schema {
	case schemaIMU:
		return fusion.ChanIMU, true
	case schemaSentence, schemaFix:
		return fusion.ChanNMEA, true
	case schemaOdometry:
		return fusion.ChanWheel, true
	}
	return 0, false
}

// Becomes says what a topic would become: the channel that it is taken for
// unasked, or the flags that may name it; "" for one that is of no use.
func (t *Topic) Becomes() string {
	if ch, ok := suits(t.Schema); ok {
		return ch.String()
	}
	var flags []string
	for _, f := range []struct {
		ch   fusion.Channel
		flag string
	}{{fusion.ChanNMEA, "--gnss"}, {fusion.ChanIMU, "--imu"}, {fusion.ChanWheel, "--wheel"}} {
		if readers[schemaOf{f.ch, t.Schema}] != nil {
			flags = append(flags, f.flag)
		}
	}
	if len(flags) == 0 {
		return ""
	}
	return "with " + strings.Join(flags, " or ") + " topic:" + t.Name
}
