package ntrip

import (
	"encoding/base64"
	"fmt"
	"net"
	"net/url"
	"os"
	"strings"
)

// PasswordEnv names the environment variable that holds the caster's password.
const PasswordEnv = "KERBLINE_NTRIP_PASSWORD"

// defaultPort is the IANA port rtcm-sc104.
const defaultPort = "2101"

// Target is where a stream comes from. Printing it never shows the password.
type Target struct {
	TLS     bool
	Host    string // host:port
	Mount   string // without the leading slash; empty for the source table
	User    string
	Version int  // 1 or 2; 0 tries 2 and falls back
	NoGGA   bool // never send the caster a position

	password secret
}

// secret is a password that no verb of fmt and no encoder prints.
type secret string

func (secret) Format(s fmt.State, _ rune)   { fmt.Fprint(s, "(hidden)") }
func (secret) MarshalText() ([]byte, error) { return []byte("(hidden)"), nil }

// Parse reads ntrip://[user@]host[:port]/MOUNT or ntrips://, with the optional
// settings ?version=1 (or 2) and ?gga=off, and takes the password from
// [PasswordEnv]. A password inside the URL is refused: anyone who lists the
// processes of the computer could read it there. No error repeats it.
func Parse(raw string) (Target, error) {
	u, err := url.Parse(raw)
	if err != nil {
		// The error of net/url quotes what it could not read, password and all.
		return Target{}, fmt.Errorf("ntrip: URL cannot be read, want ntrip://user@host:port/MOUNT")
	}
	t := Target{TLS: u.Scheme == "ntrips", Mount: strings.TrimPrefix(u.Path, "/"), User: u.User.Username()}
	if _, set := u.User.Password(); set {
		return Target{}, fmt.Errorf("ntrip: the URL holds a password, want it in the environment variable %s", PasswordEnv)
	}
	if u.Scheme != "ntrip" && u.Scheme != "ntrips" {
		return Target{}, fmt.Errorf("ntrip: scheme is %q, want ntrip or ntrips", u.Scheme)
	}
	if u.Hostname() == "" {
		return Target{}, fmt.Errorf("ntrip: URL has no host, want ntrip://user@host:port/MOUNT")
	}
	port := u.Port()
	if port == "" {
		port = defaultPort
	}
	t.Host = net.JoinHostPort(u.Hostname(), port)
	for k, v := range u.Query() {
		switch {
		case k == "version" && (v[0] == "1" || v[0] == "2"):
			t.Version = int(v[0][0] - '0')
		case k == "gga" && (v[0] == "off" || v[0] == "on"):
			t.NoGGA = v[0] == "off"
		default:
			return Target{}, fmt.Errorf("ntrip: setting %q in the URL, want version=1, version=2, gga=on or gga=off", k)
		}
	}
	for _, r := range t.Mount {
		if r <= ' ' || r == 0x7f {
			return Target{}, fmt.Errorf("ntrip: mount point holds a space or control character, want a name as the source table lists it")
		}
	}
	t.password = secret(os.Getenv(PasswordEnv))
	return t, nil
}

// String is the URL without the password.
func (t Target) String() string {
	s := "ntrip://"
	if t.TLS {
		s = "ntrips://"
	}
	if t.User != "" {
		s += url.User(t.User).String() + "@"
	}
	return s + t.Host + "/" + t.Mount
}

// Format prints the URL whatever the verb: %#v would otherwise look through
// unexported fields and show the password.
func (t Target) Format(s fmt.State, _ rune) { fmt.Fprint(s, t.String()) }

// hide replaces the password, plain or encoded, in text of the caster.
func (t Target) hide(s string) string {
	if t.password != "" {
		s = strings.ReplaceAll(s, string(t.password), "(hidden)")
	}
	if b := t.basic(); b != "" {
		s = strings.ReplaceAll(s, b, "(hidden)")
	}
	return s
}

// basic is the credential of RFC 7617, empty without a user.
func (t Target) basic() string {
	if t.User == "" {
		return ""
	}
	return base64.StdEncoding.EncodeToString([]byte(t.User + ":" + string(t.password)))
}

// clean makes text of a caster fit to print: one short line, nothing
// unprintable, and no echo of the password, plain or encoded.
func (t Target) clean(s string) string {
	s = t.hide(s)
	s = strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f || r == '\uFFFD' {
			return ' '
		}
		return r
	}, s)
	s = strings.Join(strings.Fields(s), " ")
	if len(s) > 80 {
		s = s[:80]
	}
	return strings.ToValidUTF8(s, "")
}
