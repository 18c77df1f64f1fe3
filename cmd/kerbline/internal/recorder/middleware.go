package recorder

import (
	"encoding/binary"
	"fmt"
	"math"
	"strconv"
	"strings"

	"kerbline/fusion"
)

// Messages of robotics middleware (docs.ros.org): the ones read here, and the
// channel each becomes.
//
//	sensor_msgs/Imu      Header, orientation and covariance, angular velocity
//	                     (rad/s) and covariance, acceleration (m/s^2, gravity
//	                     included) and covariance
//	nmea_msgs/Sentence   Header, string
//	std_msgs/String      string
//	other                Header, bytes; taken for corrections where a topic is
//	                     named as such
const (
	schemaIMU      = "sensor_msgs/Imu"
	schemaSentence = "nmea_msgs/Sentence"
	schemaString   = "std_msgs/String"
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
	stamp := int64(0)
	var body []byte
	switch {
	case ch == fusion.ChanIMU && schema == schemaIMU:
		stamp = c.header()
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
		if stamp == 0 {
			stamp = log
		}
		out = strconv.AppendFloat(out, Seconds(stamp), 'f', -1, 64)
		for _, x := range v {
			out = append(out, ',')
			out = strconv.AppendFloat(out, x, 'g', -1, 64)
		}
		body = []byte("\n")
	case ch == fusion.ChanNMEA && schema == schemaSentence:
		stamp = c.header()
		body = sentence(c.text())
	case ch == fusion.ChanNMEA && schema == schemaString:
		body = sentence(c.text())
	case ch == fusion.ChanCorrections && schema != schemaIMU && schema != schemaString && schema != schemaSentence:
		stamp = c.header()
		body = c.bytes()
	default:
		return 0, nil, fmt.Errorf("recorder: message %s is nothing that channel %s is made from", schema, ch)
	}
	if c.bad {
		return 0, nil, fmt.Errorf("recorder: message %s is cut short at %d bytes", schema, len(msg))
	}
	// The stamp is when the driver read the bytes, the log time when they
	// reached the recorder; a stamp far off is of another clock.
	t := log
	if d := log - stamp; stamp > 0 && d > -2e9 && d < 2e9 {
		t = stamp
	}
	return t, append(out, body...), nil
}

func sentence(b []byte) []byte {
	return []byte(strings.TrimRight(string(b), "\r\n\x00") + "\r\n")
}

// plainSchema removes the folder that the second generation puts into names.
func plainSchema(name string) string { return strings.Replace(name, "/msg/", "/", 1) }

// suits says which channel a topic becomes without being named, if any.
func suits(schema, topic string) (fusion.Channel, bool) {
	switch schema {
	case schemaIMU:
		return fusion.ChanIMU, true
	case schemaSentence:
		return fusion.ChanNMEA, true
	}
	return 0, false
}
