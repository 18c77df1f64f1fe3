package ntrip

import (
	"bufio"
	"context"
	"io"
	"math"
	"strconv"
	"strings"
	"time"
)

// Table is a caster's source table. A line that is none of the known records
// is counted in Refused.
type Table struct {
	Streams  []STR
	Casters  []CAS
	Networks []NET
	Refused  int
}

// STR is one mount point.
//
//	STR;mountpoint;identifier;format;format-details;carrier;nav-system;network;country;lat;lon;nmea;solution;generator;compr-encryp;authentication;fee;bitrate;misc
type STR struct {
	Mount, Identifier, Format, Details string
	Carrier                            int // 0 none, 1 L1, 2 L1 and L2; -1 not stated
	Systems, Network, Country          string
	Lat, Lon                           float64 // deg, NaN when not stated
	NeedsGGA                           bool    // the caster wants our position
	Networked                          bool    // computed from a network, not one base
	Generator, Encryption              string
	Auth                               string // N none, B basic, D digest
	Fee                                bool
	Bitrate                            int // bit/s, -1 when not stated
	Misc                               string
}

// CAS is another caster.
//
//	CAS;host;port;identifier;operator;nmea;country;lat;lon;fallback host;fallback port;misc
type CAS struct {
	Host, Port, Identifier, Operator string
	NeedsGGA                         bool
	Country                          string
	Lat, Lon                         float64 // deg, NaN when not stated
	FallbackHost, FallbackPort, Misc string
}

// NET is a network of bases.
//
//	NET;identifier;operator;authentication;fee;web-net;web-str;web-reg;misc
type NET struct {
	Identifier, Operator, Auth      string
	Fee                             bool
	WebNet, WebStr, WebReg, Contact string
}

// Table fetches the caster's source table. The error is a *[Refusal], or the
// context's.
func (c *Client) Table(ctx context.Context) (*Table, error) {
	t := *c
	t.Mount = ""
	conn, _, br, resp, err := t.ask(ctx)
	if err != nil {
		return nil, err
	}
	defer conn.Close()
	defer context.AfterFunc(ctx, func() { conn.Close() })()
	limit := 3 * or(c.Timeout, 5*time.Second) // tables are long and radios slow
	_ = conn.SetDeadline(time.Now().Add(limit))
	if resp != nil { // else "ICY 200 OK" and then a table
		br = bufio.NewReader(resp.Body)
	}
	text, err := readTable(br)
	if ctx.Err() != nil {
		return nil, ctx.Err()
	}
	if err != nil {
		return nil, t.readError(err, int64(len(text)), limit)
	}
	table := parseTable(text)
	if len(table.Streams)+len(table.Casters)+len(table.Networks) == 0 && table.Refused > 0 {
		return nil, t.refuse(NotData, nil, "the reply holds no source table: is this a caster?")
	}
	return table, nil
}

// readTable reads up to ENDSOURCETABLE or the end of the reply.
func readTable(br *bufio.Reader) (string, error) {
	var b strings.Builder
	for b.Len() < maxTable {
		line, err := br.ReadSlice('\n')
		b.Write(line)
		if strings.HasPrefix(string(line), "ENDSOURCETABLE") || err == io.EOF {
			return b.String(), nil
		}
		if err != nil && err != bufio.ErrBufferFull {
			return b.String(), err
		}
	}
	return b.String(), nil
}

// parseTable reads the records of a source table, whatever surrounds them. A
// record with too few fields is kept as far as it goes: casters leave out
// what they do not know.
func parseTable(text string) *Table {
	t := new(Table)
	for line := range strings.Lines(text) {
		line = strings.TrimSpace(line)
		kind, _, _ := strings.Cut(line, ";")
		switch kind {
		case "STR":
			f := fields(line, 19)
			t.Streams = append(t.Streams, STR{
				Mount: f[1], Identifier: f[2], Format: f[3], Details: f[4], Carrier: integer(f[5]), Systems: f[6],
				Network: f[7], Country: f[8], Lat: degrees(f[9], 90), Lon: degrees(f[10], 360), NeedsGGA: f[11] == "1",
				Networked: f[12] == "1", Generator: f[13], Encryption: f[14], Auth: f[15], Fee: f[16] == "Y",
				Bitrate: integer(f[17]), Misc: f[18],
			})
		case "CAS":
			f := fields(line, 12)
			t.Casters = append(t.Casters, CAS{
				Host: f[1], Port: f[2], Identifier: f[3], Operator: f[4], NeedsGGA: f[5] == "1", Country: f[6],
				Lat: degrees(f[7], 90), Lon: degrees(f[8], 360), FallbackHost: f[9], FallbackPort: f[10], Misc: f[11],
			})
		case "NET":
			f := fields(line, 9)
			t.Networks = append(t.Networks, NET{Identifier: f[1], Operator: f[2], Auth: f[3], Fee: f[4] == "Y",
				WebNet: f[5], WebStr: f[6], WebReg: f[7], Contact: f[8]})
		case "", "ENDSOURCETABLE":
		default:
			if !strings.HasPrefix(line, "SOURCETABLE") && !strings.Contains(line, ": ") {
				t.Refused++
			}
		}
	}
	return t
}

// fields splits a record into n fields; the last keeps any further
// semicolons, missing ones are empty.
func fields(line string, n int) []string {
	f := strings.SplitN(line, ";", n)
	for len(f) < n {
		f = append(f, "")
	}
	return f
}

func integer(s string) int {
	if n, err := strconv.Atoi(strings.TrimSpace(s)); err == nil && n >= 0 {
		return n
	}
	return -1
}

// degrees reads a coordinate; source tables give longitudes both as -180..180
// and as 0..360.
func degrees(s string, limit float64) float64 {
	v, err := strconv.ParseFloat(strings.TrimSpace(s), 64)
	if err != nil || math.IsNaN(v) || math.Abs(v) > limit {
		return math.NaN()
	}
	if v > 180 {
		v -= 360
	}
	return v
}
