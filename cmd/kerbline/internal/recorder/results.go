package recorder

import (
	"encoding/binary"
	"encoding/json"
	"math"

	"github.com/foxglove/mcap/go/mcap"
)

// Results are topics beside those of a recording, for programs that show any MCAP
// file: what the monitor said of it, in messages of the robotics middleware and in
// JSON. A replay passes them over.
type Results struct {
	f                    *File
	fix, status, verdict int // places of the topics
	cdr                  cdrWriter
}

// Names of these topics.
const (
	fixTopic     = "/kerbline/fix"
	statusTopic  = "/kerbline/diagnostics"
	verdictTopic = "/kerbline/verdict"
)

// AddResults adds the topics to a file that holds no record yet. fields are the names
// of a verdict line, in order, with their JSON types.
func (f *File) AddResults(fields [][2]string) (*Results, error) {
	r := &Results{f: f}
	type property struct {
		Type any `json:"type"`
	}
	schema := struct {
		Title      string              `json:"title"`
		Type       string              `json:"type"`
		Properties map[string]property `json:"properties"`
	}{"kerbline verdict", "object", map[string]property{}}
	for _, f := range fields {
		schema.Properties[f[0]] = property{[]string{f[1], "null"}}
	}
	text, err := json.Marshal(schema)
	if err != nil {
		return nil, err
	}
	for i, t := range []struct {
		place                     *int
		topic, message            string
		schema, schemaName, coded string
	}{
		{&r.fix, fixTopic, "cdr", navSatFix, "sensor_msgs/msg/NavSatFix", "ros2msg"},
		{&r.status, statusTopic, "cdr", diagnosticArray, "diagnostic_msgs/msg/DiagnosticArray", "ros2msg"},
		{&r.verdict, verdictTopic, "json", string(text), "kerbline.Verdict", "jsonschema"},
	} {
		if err := f.w.WriteSchema(&mcap.Schema{ID: uint16(i + 1), Name: t.schemaName, Encoding: t.coded, Data: []byte(t.schema)}); err != nil {
			return nil, err
		}
		*t.place = len(f.index)
		id := uint16(len(f.index) + 1)
		if err := f.w.WriteChannel(&mcap.Channel{ID: id, SchemaID: uint16(i + 1), Topic: t.topic, MessageEncoding: t.message}); err != nil {
			return nil, err
		}
		f.index = append(f.index, &mcap.MessageIndex{ChannelID: id})
		f.seq = append(f.seq, 0)
	}
	f.good = int64(f.w.Offset())
	return r, nil
}

// The messages, as the middleware defines them; only the fields, in order.
const (
	header = `
================================================================================
MSG: std_msgs/Header
builtin_interfaces/Time stamp
string frame_id
================================================================================
MSG: builtin_interfaces/Time
int32 sec
uint32 nanosec
`
	navSatFix = `std_msgs/Header header
sensor_msgs/NavSatStatus status
float64 latitude
float64 longitude
float64 altitude
float64[9] position_covariance
uint8 position_covariance_type` + header + `================================================================================
MSG: sensor_msgs/NavSatStatus
int8 status
uint16 service
`
	diagnosticArray = `std_msgs/Header header
diagnostic_msgs/DiagnosticStatus[] status` + header + `================================================================================
MSG: diagnostic_msgs/DiagnosticStatus
byte level
string name
string message
string hardware_id
diagnostic_msgs/KeyValue[] values
================================================================================
MSG: diagnostic_msgs/KeyValue
string key
string value
`
)

// Fix is a position for [Results].
type Fix struct {
	Lat, Lon, H float64    // deg, m above the ellipsoid, of the body origin; NaN for none
	Cov         [9]float64 // m^2, east north up, row by row
	Corrected   bool       // solved with corrections of a base
}

// Judgement is a verdict for [Results].
type Judgement struct {
	Level   byte // 0 fine, 1 warning, 2 error, as the middleware counts
	Message string
	Values  [][2]string
}

// bodyFrame is the frame of the body in messages: its origin, forward left up.
const bodyFrame = "base_link"

// Write adds a verdict of host time ns in all three forms; line is the verdict line.
func (r *Results) Write(ns int64, fix *Fix, st *Judgement, line []byte) error {
	c := &r.cdr
	c.begin(ns, bodyFrame)
	status := int8(0)
	switch {
	case math.IsNaN(fix.Lat):
		status = -1
	case fix.Corrected:
		status = 2
	}
	c.uint8(byte(status))
	c.uint16(0)
	for _, x := range []float64{fix.Lat, fix.Lon, fix.H} {
		c.float64(x)
	}
	for _, x := range fix.Cov {
		c.float64(x)
	}
	c.uint8(3) // all of it is known
	if err := r.f.write(ns, r.fix, c.b); err != nil {
		return err
	}
	c.begin(ns, "")
	c.uint32(1)
	c.uint8(st.Level)
	c.text("kerbline: verdict")
	c.text(st.Message)
	c.text("kerbline")
	c.uint32(uint32(len(st.Values)))
	for _, v := range st.Values {
		c.text(v[0])
		c.text(v[1])
	}
	if err := r.f.write(ns, r.status, c.b); err != nil {
		return err
	}
	return r.f.write(ns, r.verdict, line)
}

// cdrWriter writes the middleware's encoding, little endian, aligned from behind the
// four bytes that say so.
type cdrWriter struct{ b []byte }

// begin begins a message with a header.
func (c *cdrWriter) begin(ns int64, frame string) {
	c.b = append(c.b[:0], 0, 1, 0, 0)
	c.uint32(uint32(ns / 1e9))
	c.uint32(uint32(ns % 1e9))
	c.text(frame)
}

func (c *cdrWriter) align(n int) {
	for (len(c.b)-4)%n != 0 {
		c.b = append(c.b, 0)
	}
}

func (c *cdrWriter) uint8(x byte) { c.b = append(c.b, x) }

func (c *cdrWriter) uint16(x uint16) {
	c.align(2)
	c.b = binary.LittleEndian.AppendUint16(c.b, x)
}

func (c *cdrWriter) uint32(x uint32) {
	c.align(4)
	c.b = binary.LittleEndian.AppendUint32(c.b, x)
}

func (c *cdrWriter) float64(x float64) {
	c.align(8)
	c.b = binary.LittleEndian.AppendUint64(c.b, math.Float64bits(x))
}

// text writes a string with its length and a zero behind it.
func (c *cdrWriter) text(s string) {
	c.uint32(uint32(len(s) + 1))
	c.b = append(append(c.b, s...), 0)
}
