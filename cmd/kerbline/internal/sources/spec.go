package sources

import (
	"fmt"
	"net"
	"net/netip"
	"net/url"
	"path/filepath"
	"strconv"
	"strings"

	"kerbline/gnss/ntrip"
)

// Kind is how a source is read.
type Kind uint8

const (
	Serial Kind = iota
	TCP
	UDP
	NTRIP
	Path // file, pipe or device
	Stdin
)

// Spec says where bytes come from. Printing it shows no password.
type Spec struct {
	Kind   Kind
	Paths  []string // Serial: devices or patterns, in order of preference; Path: one
	Baud   int
	Addr   string         // TCP, UDP: host:port
	From   netip.AddrPort // UDP: the only sender listened to; its port, or all of it, may be zero: not said
	Target ntrip.Target

	text string
}

// defaultBaud is used where a serial URL names none. USB receivers ignore it.
const defaultBaud = 115200

// Forms lists the forms [Parse] reads, for messages and help texts.
const Forms = "serial:///dev/ttyACM0?baud=460800, tcp://host:port, udp://:port, ntrip://user@host:port/MOUNT, ntrips://..., a path, or -"

// Parse reads a source URL:
//
//	serial:///dev/ttyACM0?baud=460800      a device, several with commas, or a pattern:
//	serial:///dev/serial/by-id/usb-*-if00  the first that can be opened is taken
//	tcp://host:port                        connect and read
//	udp://:port                            listen to the first that sends
//	udp://:port?from=192.0.2.7             listen to this sender; its port may follow
//	ntrip://user@host:port/MOUNT           see package ntrip; ntrips:// over TLS
//	file:///path, /path, ./path            a file, or a named pipe that is reopened
//	-                                      standard input
func Parse(s string) (Spec, error) {
	scheme, rest, ok := strings.Cut(s, "://")
	if !ok {
		switch {
		case s == "":
			return Spec{}, fmt.Errorf("sources: empty, want %s", Forms)
		case s == "-":
			return Spec{Kind: Stdin, text: "-"}, nil
		case strings.HasPrefix(s, "/dev/tty"):
			return Spec{}, fmt.Errorf("sources: %s is a serial port, want serial://%s?baud=%d", s, s, defaultBaud)
		}
		return Spec{Kind: Path, Paths: []string{s}, text: s}, nil
	}
	spec := Spec{text: s}
	switch scheme {
	case "serial":
		spec.Kind = Serial
		list, query, _ := strings.Cut(rest, "?")
		for _, p := range strings.Split(list, ",") {
			if p == "" {
				return Spec{}, fmt.Errorf("sources: %s: names no device, want serial:///dev/ttyACM0?baud=%d", s, defaultBaud)
			}
			if _, err := filepath.Match(p, ""); err != nil {
				return Spec{}, fmt.Errorf("sources: %s: %q is no pattern: %w", s, p, err)
			}
			spec.Paths = append(spec.Paths, p)
		}
		values, err := url.ParseQuery(query)
		if err != nil {
			return Spec{}, fmt.Errorf("sources: %s: settings %q cannot be read, want baud=%d", s, query, defaultBaud)
		}
		spec.Baud = defaultBaud
		for k, v := range values {
			n, err := strconv.Atoi(v[0])
			if k != "baud" || err != nil || n < 50 || n > 12_000_000 {
				return Spec{}, fmt.Errorf("sources: %s: setting %s=%s, want baud= and a number from 50 to 12000000", s, k, v[0])
			}
			spec.Baud = n
		}
	case "tcp", "udp":
		return spec.network(scheme, rest)
	case "ntrip", "ntrips":
		spec.Kind = NTRIP
		t, err := ntrip.Parse(s)
		if err != nil {
			return Spec{}, fmt.Errorf("sources: %w", err)
		}
		if t.Mount == "" {
			return Spec{}, fmt.Errorf("sources: %s: names no mount point, want ntrip://user@host:port/MOUNT (kerbline mounts lists them)", t)
		}
		spec.Target, spec.text = t, t.String()
	case "file":
		return Spec{Kind: Path, Paths: []string{rest}, text: rest}, nil
	default:
		return Spec{}, fmt.Errorf("sources: scheme %q, want %s", scheme, Forms)
	}
	return spec, nil
}

// network reads what stands behind tcp:// or udp://. No error repeats a user or
// password: none belongs there.
func (s Spec) network(scheme, rest string) (Spec, error) {
	want := map[string]string{"tcp": "tcp://host:port", "udp": "udp://:port, perhaps with ?from=address"}[scheme]
	if i := strings.LastIndexByte(rest, '@'); i >= 0 {
		return Spec{}, fmt.Errorf("sources: %s://(hidden)@%s: holds a user or password, want %s", scheme, rest[i+1:], want)
	}
	s.Kind = TCP
	if scheme == "udp" {
		s.Kind = UDP
		var query string
		var asked bool
		if rest, query, asked = strings.Cut(rest, "?"); asked {
			from, ok := strings.CutPrefix(query, "from=")
			if addr, err := netip.ParseAddr(from); ok && err == nil {
				s.From = netip.AddrPortFrom(addr.Unmap(), 0)
			} else if s.From, err = netip.ParseAddrPort(from); !ok || err != nil {
				return Spec{}, fmt.Errorf("sources: %s: setting %q, want from= and an address such as 192.0.2.7 or 192.0.2.7:4000", s.text, query)
			}
		}
	}
	host, port, err := net.SplitHostPort(strings.TrimSuffix(rest, "/"))
	if err != nil || port == "" || scheme == "tcp" && host == "" {
		return Spec{}, fmt.Errorf("sources: %s: want %s", s.text, want)
	}
	if n, err := strconv.Atoi(port); err != nil || n < 0 || n > 65535 {
		return Spec{}, fmt.Errorf("sources: %s: port %q, want a number up to 65535", s.text, port)
	}
	s.Addr = net.JoinHostPort(host, port)
	return s, nil
}

// String is the URL without secrets.
func (s Spec) String() string { return s.text }
