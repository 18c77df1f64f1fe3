package ntrip

import (
	"bufio"
	"bytes"
	"context"
	"crypto/tls"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"
)

// The password of every test. TestPasswordNowhere looks for it, and for its
// encoded forms, in everything the package can print.
const testPassword = "Tr4ck-s1de!"

// rtcm1005 is the example of message 1005 in the RTCM standard, as carried in
// the tests of pyrtcm (tests/test_stream.py, test1005example).
var rtcm1005, _ = hex.DecodeString("d300133ed7d30202980edeef34b4bd62ac0941986f33360b98")

// raw is a caster in plain TCP: it reads one request up to the blank line,
// hands it to serve and closes the connection.
func raw(t *testing.T, serve func(req string, c net.Conn, r *bufio.Reader)) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	var wg sync.WaitGroup
	t.Cleanup(func() { l.Close(); wg.Wait() })
	wg.Add(1)
	go func() {
		defer wg.Done()
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			wg.Add(1)
			go func() {
				defer wg.Done()
				defer c.Close()
				r := bufio.NewReader(c)
				var req strings.Builder
				for {
					line, err := r.ReadString('\n')
					if err != nil {
						return
					}
					req.WriteString(line)
					if line == "\r\n" {
						break
					}
				}
				serve(req.String(), c, r)
			}()
		}
	}()
	return l.Addr().String()
}

func client(t *testing.T, url string) *Client {
	t.Helper()
	t.Setenv(PasswordEnv, testPassword)
	target, err := Parse(url)
	if err != nil {
		t.Fatal(err)
	}
	return &Client{Target: target, Stall: time.Minute, Timeout: time.Minute}
}

// drain opens the stream and reads it to its end.
func drain(c *Client) ([]byte, error) {
	s, err := c.Open(context.Background())
	if err != nil {
		return nil, err
	}
	defer s.Close()
	var b bytes.Buffer
	_, err = io.Copy(&b, s)
	return b.Bytes(), err
}

func TestVersion1(t *testing.T) {
	// go-gnss/ntrip handler_test.go (0106942), "v1 GET Success", "v1 GET
	// Unauthorized", "v1 GET Not Found", "v1 Sourcetable Success"; the forms
	// with a blank line or headers and "ERROR - Bad Password" are common
	// practice of casters, no source.
	const table = "SOURCETABLE 200 OK\r\nConnection: close\r\nContent-Type: text/plain\r\nContent-Length: 80\r\n\r\n" +
		"STR;OTHER;x;RTCM 3.2;;2;GPS;NET;AUS;1.0;-1.0;0;0;g;none;N;N;0;\r\nENDSOURCETABLE\r\n"
	const basic = "WWW-Authenticate: Basic realm=\"/QUARRY\"\r\nContent-Length: 0\r\n\r\n"
	for _, tt := range []struct {
		name, reply string
		data        bool
		kind        Kind
		say         string
	}{
		{"plain", "ICY 200 OK\r\n", true, Closed, "closed the stream"},
		{"blank line", "ICY 200 OK\r\n\r\n", true, Closed, ""},
		{"headers", "ICY 200 OK\r\nServer: NTRIP Caster\r\nDate: today\r\n\r\n", true, Closed, ""},
		{"line feeds only", "ICY 200 OK\n", true, Closed, ""},
		{"HTTP/1.0", "HTTP/1.0 200 OK\r\n\r\n", true, Closed, ""},
		{"source table", table, false, NoMount, `no mount point "QUARRY"`},
		{"source table lists it", strings.Replace(table, "OTHER", "QUARRY", 1), false, NoMount, "base is not connected"},
		{"401", "HTTP/1.1 401 Unauthorized\r\nConnection: close\r\n" + basic, false, Unauthorized, "401"},
		{"401 HTTP/1.0", "HTTP/1.0 401 Unauthorized\r\n" + basic, false, Unauthorized, "password is wrong"},
		{"404", "HTTP/1.1 404 Not Found\r\nConnection: close\r\n" + basic, false, NoMount, "404"},
		{"ICY 401", "ICY 401 Unauthorized\r\n", false, Unauthorized, "401"},
		{"ICY alone", "ICY \r\n", false, ServerError, ""},
		{"bad password", "ERROR - Bad Password\r\n", false, Unauthorized, "Bad Password"},
		{"garbage", "220 mail ready\r\n", false, Garbled, "is this a caster?"},
		{"TLS", "\x15\x03\x01\x00\x02\x02\x46", false, BadTLS, "ntrips://"},
		{"nothing", "", false, Closed, "closed"},
		{"cut status line", "ICY 2", false, ServerError, ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			var got string
			addr := raw(t, func(req string, c net.Conn, _ *bufio.Reader) {
				got = req
				io.WriteString(c, tt.reply)
				if tt.data {
					time.Sleep(20 * time.Millisecond) // data in a segment of its own
					c.Write(rtcm1005)
				}
			})
			data, err := drain(client(t, "ntrip://halfmoon@"+addr+"/QUARRY?version=1"))
			var r *Refusal
			if !errors.As(err, &r) || r.Kind != tt.kind || !strings.Contains(r.Text, tt.say) {
				t.Errorf("ended with %v, want kind %d and %q", err, tt.kind, tt.say)
			}
			if want := map[bool][]byte{true: rtcm1005}[tt.data]; !bytes.Equal(data, want) {
				t.Errorf("data %x, want %x", data, want)
			}
			// go-gnss/ntrip client.go, NewClientV1; RFC 7617 for the credential.
			for _, want := range []string{"GET /QUARRY HTTP/1.0\r\n", "\r\nUser-Agent: NTRIP ", "\r\nAuthorization: Basic "} {
				if !strings.Contains(got, want) {
					t.Errorf("request %q lacks %q", got, want)
				}
			}
			if strings.Contains(got, "Ntrip-Version") {
				t.Errorf("version 1 request names a version: %q", got)
			}
		})
	}
}

// Data that begins right after the status line, whatever it looks like, is
// not taken for a header. Texts: go-gnss/ntrip handler_test.go (0106942).
func TestVersion1DataLikeText(t *testing.T) {
	for _, data := range []string{"v1 GET Success", "read by v1 GET request", "\r\n\xd3\x00", "Content-Type\xd3: x\r\n", strings.Repeat("A", 600)} {
		for cut := 0; cut <= min(len(data), 20); cut++ {
			addr := raw(t, func(_ string, c net.Conn, _ *bufio.Reader) {
				io.WriteString(c, "ICY 200 OK\r\n"+data[:cut])
				time.Sleep(2 * time.Millisecond)
				io.WriteString(c, data[cut:])
			})
			got, _ := drain(client(t, "ntrip://"+addr+"/M?version=1"))
			if want := strings.TrimPrefix(data, "\r\n"); string(got) != want {
				t.Errorf("cut at %d: data %q, want %q", cut, got, want)
			}
		}
	}
}

// Credentials: RFC 7617 section 2, "Aladdin" with "open sesame" (from memory).
func TestBasic_RFC7617(t *testing.T) {
	for _, tt := range []struct{ user, pass, want string }{
		{"user", "pass", "dXNlcjpwYXNz"},
		{"Aladdin", "open sesame", "QWxhZGRpbjpvcGVuIHNlc2FtZQ=="},
	} {
		t.Setenv(PasswordEnv, tt.pass)
		target, err := Parse("ntrip://" + tt.user + "@caster.example/M")
		if err != nil || target.basic() != tt.want {
			t.Errorf("%s: credential %q (%v), want %q", tt.user, target.basic(), err, tt.want)
		}
	}
}

// handler serves version 2 as go-gnss/ntrip handler.go does (7bd19bc): 401
// with WWW-Authenticate, 404, 409, 501, chunked gnss/data.
func handler(w http.ResponseWriter, r *http.Request) {
	user, pass, _ := r.BasicAuth()
	switch {
	case r.Header.Get("Ntrip-Version") != "Ntrip/2.0" || !strings.HasPrefix(r.UserAgent(), "NTRIP"):
		http.Error(w, "not NTRIP 2", http.StatusBadRequest)
	case r.URL.Path == "/BUSY":
		w.WriteHeader(http.StatusConflict)
	case r.URL.Path == "/FORBIDDEN":
		w.WriteHeader(http.StatusForbidden)
	case r.URL.Path == "/UNSUPPORTED":
		w.WriteHeader(http.StatusNotImplemented)
	case r.URL.Path == "/DOWN":
		w.WriteHeader(http.StatusServiceUnavailable)
	case r.URL.Path == "/PAGE":
		w.Header().Set("Content-Type", "text/html")
		io.WriteString(w, "<html>welcome</html>")
	case r.URL.Path == "/TABLE":
		w.Header().Set("Content-Type", "gnss/sourcetable")
		io.WriteString(w, "STR;QUARRY;x\r\nENDSOURCETABLE\r\n")
	case r.URL.Path == "/PLAINTABLE":
		w.Header().Set("Content-Type", "text/plain")
		io.WriteString(w, "STR;PLAINTABLE;x\r\nENDSOURCETABLE\r\n")
	case r.URL.Path != "/QUARRY":
		w.WriteHeader(http.StatusNotFound)
	case user != "halfmoon" || pass != testPassword:
		w.Header().Set("WWW-Authenticate", `Basic realm="/QUARRY"`)
		w.WriteHeader(http.StatusUnauthorized)
	default:
		w.Header().Set("Content-Type", "gnss/data")
		for _, part := range [][]byte{rtcm1005[:7], rtcm1005[7:]} {
			w.Write(part)
			w.(http.Flusher).Flush()
		}
	}
}

func TestVersion2(t *testing.T) {
	srv := httptest.NewServer(http.HandlerFunc(handler))
	defer srv.Close()
	addr := srv.Listener.Addr().String()
	for _, tt := range []struct {
		user, mount string
		kind        Kind
		say         string
	}{
		{"halfmoon@", "QUARRY", Closed, "closed the stream"},
		{"", "QUARRY", Unauthorized, "wants a user"},
		{"nobody@", "QUARRY", Unauthorized, `user "nobody" or its password is wrong`},
		{"halfmoon@", "NOWHERE", NoMount, "kerbline mounts"},
		{"halfmoon@", "BUSY", Busy, "409"},
		{"halfmoon@", "FORBIDDEN", Forbidden, "403"},
		{"halfmoon@", "UNSUPPORTED", Unsupported, "501"},
		{"halfmoon@", "DOWN", ServerError, "503 Service Unavailable"},
		{"halfmoon@", "PAGE", NotData, "a page and no correction stream"},
		{"halfmoon@", "TABLE", NoMount, "it lists QUARRY"},
		{"halfmoon@", "PLAINTABLE", NoMount, "base is not connected"},
		{"halfmoon@", "", NoMount, "names no mount point"},
	} {
		for _, version := range []string{"?version=2", ""} {
			data, err := drain(client(t, "ntrip://"+tt.user+addr+"/"+tt.mount+version))
			var r *Refusal
			if !errors.As(err, &r) || r.Kind != tt.kind || !strings.Contains(r.Text, tt.say) {
				t.Errorf("%s/%s%s: %v, want kind %d and %q", tt.user, tt.mount, version, err, tt.kind, tt.say)
			}
			if (tt.kind == Closed) != bytes.Equal(data, rtcm1005) {
				t.Errorf("%s/%s%s: data %x", tt.user, tt.mount, version, data)
			}
		}
	}
	t.Run("no password set", func(t *testing.T) {
		c := client(t, "ntrip://halfmoon@"+addr+"/QUARRY")
		c.password = ""
		if _, err := drain(c); err == nil || !strings.Contains(err.Error(), PasswordEnv) {
			t.Errorf("%v, want a word about %s", err, PasswordEnv)
		}
	})
}

// A caster that knows only version 1 and chokes on version 2 is asked again.
func TestFallsBack(t *testing.T) {
	for _, choke := range []string{"", "HTTP/1.1 400 Bad Request\r\nContent-Length: 0\r\n\r\n", "HTTP/1.1 505 Version Not Supported\r\nContent-Length: 0\r\n\r\n", "what?\r\n"} {
		addr := raw(t, func(req string, c net.Conn, _ *bufio.Reader) {
			if strings.Contains(req, "HTTP/1.1") {
				io.WriteString(c, choke)
				return
			}
			io.WriteString(c, "ICY 200 OK\r\n")
			c.Write(rtcm1005)
		})
		if data, err := drain(client(t, "ntrip://"+addr+"/M")); !bytes.Equal(data, rtcm1005) {
			t.Errorf("after %q: data %x, %v", choke, data, err)
		}
	}
}

func TestStall(t *testing.T) {
	for name, reply := range map[string]string{
		"before data": "ICY 200 OK\r\n", "in the data": "ICY 200 OK\r\n\xd3\x00\x13",
		"in a chunk": "HTTP/1.1 200 OK\r\nContent-Type: gnss/data\r\nTransfer-Encoding: chunked\r\n\r\n19\r\n\xd3\x00",
	} {
		addr := raw(t, func(_ string, c net.Conn, r *bufio.Reader) {
			io.WriteString(c, reply)
			r.ReadByte() // until the client leaves
		})
		start := time.Now()
		c := client(t, "ntrip://"+addr+"/M")
		c.Stall = 300 * time.Millisecond
		_, err := drain(c)
		var r *Refusal
		if !errors.As(err, &r) || r.Kind != Stalled {
			t.Errorf("%s: %v, want a stall", name, err)
		}
		if d := time.Since(start); d < c.Stall {
			t.Errorf("%s: gave up after %v, want %v", name, d, c.Stall)
		}
	}
	t.Run("no reply", func(t *testing.T) {
		addr := raw(t, func(_ string, _ net.Conn, r *bufio.Reader) { r.ReadByte() })
		c := client(t, "ntrip://"+addr+"/M")
		c.Timeout = time.Second // holds for connecting too, which a busy computer delays
		var r *Refusal
		if _, err := drain(c); !errors.As(err, &r) || r.Kind != Stalled {
			t.Errorf("%v, want a stall", err)
		}
	})
}

func TestReset(t *testing.T) {
	addr := raw(t, func(_ string, c net.Conn, _ *bufio.Reader) {
		io.WriteString(c, "ICY 200 OK\r\n")
		c.Write(rtcm1005[:11])
		time.Sleep(50 * time.Millisecond)
		c.(*net.TCPConn).SetLinger(0) // close sends a reset
	})
	data, err := drain(client(t, "ntrip://"+addr+"/M?version=1"))
	var r *Refusal
	if !errors.As(err, &r) || r.Kind != Reset || !strings.Contains(r.Text, "after 11 bytes") {
		t.Errorf("%v, want a reset after 11 bytes", err)
	}
	if !bytes.Equal(data, rtcm1005[:11]) {
		t.Errorf("data %x", data)
	}
	t.Run("inside a chunk", func(t *testing.T) {
		addr := raw(t, func(_ string, c net.Conn, _ *bufio.Reader) {
			io.WriteString(c, "HTTP/1.1 200 OK\r\nContent-Type: gnss/data\r\nTransfer-Encoding: chunked\r\n\r\n19\r\n\xd3\x00")
		})
		if _, err := drain(client(t, "ntrip://"+addr+"/M")); err == nil || !strings.Contains(err.Error(), "inside a block") {
			t.Errorf("%v, want a word about the block", err)
		}
	})
}

func TestTLS(t *testing.T) {
	srv := httptest.NewUnstartedServer(http.HandlerFunc(handler))
	srv.Config.ErrorLog = quiet
	srv.StartTLS()
	defer srv.Close()
	addr := srv.Listener.Addr().String()
	_, port, _ := net.SplitHostPort(addr)
	trust := srv.Client().Transport.(*http.Transport).TLSClientConfig

	c := client(t, "ntrips://halfmoon@"+addr+"/QUARRY")
	c.Trust = trust
	if data, err := drain(c); !bytes.Equal(data, rtcm1005) {
		t.Errorf("trusted: data %x, %v", data, err)
	}
	expired := trust.Clone()
	expired.Time = func() time.Time { return time.Date(2100, 1, 1, 0, 0, 0, 0, time.UTC) }
	for _, tt := range []struct {
		name, url string
		trust     *tls.Config
		say       string
	}{
		{"unknown authority", "ntrips://halfmoon@" + addr + "/QUARRY", nil, "signed by nobody"},
		{"another host", "ntrips://halfmoon@localhost:" + port + "/QUARRY", trust, "the certificate is for example.com"},
		{"expired", "ntrips://halfmoon@" + addr + "/QUARRY", expired, "clock is wrong"},
	} {
		c := client(t, tt.url)
		c.Trust = tt.trust
		var r *Refusal
		if _, err := drain(c); !errors.As(err, &r) || r.Kind != BadTLS || !strings.Contains(r.Text, tt.say) {
			t.Errorf("%s: %v, want %q", tt.name, err, tt.say)
		}
	}
	plain := httptest.NewServer(http.HandlerFunc(handler))
	defer plain.Close()
	var r *Refusal
	if _, err := drain(client(t, "ntrips://"+plain.Listener.Addr().String()+"/QUARRY")); !errors.As(err, &r) || r.Kind != BadTLS || !strings.Contains(r.Text, "does not speak TLS") {
		t.Errorf("TLS to a plain port: %v", err)
	}
}

func TestUnreachable(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	addr := l.Addr().String()
	l.Close()
	for url, say := range map[string]string{
		"ntrip://" + addr + "/M":         "nothing listens",
		"ntrip://caster.invalid/M":       "no address for caster.invalid", // RFC 2606: never resolves
		"ntrips://caster.invalid:4430/M": "no address for caster.invalid",
	} {
		var r *Refusal
		if _, err := drain(client(t, url)); !errors.As(err, &r) || r.Kind != Unreachable || !strings.Contains(r.Text, say) {
			t.Errorf("%s: %v, want %q", url, err, say)
		}
	}
}

func TestCancel(t *testing.T) {
	for name, reply := range map[string]string{"waiting for the reply": "", "waiting for data": "ICY 200 OK\r\n"} {
		addr := raw(t, func(_ string, c net.Conn, r *bufio.Reader) { io.WriteString(c, reply); r.ReadByte() })
		c := client(t, "ntrip://"+addr+"/M")
		c.Stall, c.Timeout = time.Hour, time.Hour // only the cancellation ends it
		ctx, cancel := context.WithCancel(context.Background())
		time.AfterFunc(50*time.Millisecond, cancel)
		s, err := c.Open(ctx)
		if err == nil {
			time.AfterFunc(100*time.Millisecond, func() { s.Close() })
			_, err = io.Copy(io.Discard, s)
		}
		if err == nil {
			t.Errorf("%s: no error", name)
		}
	}
}

func TestGGAUpload(t *testing.T) {
	const gga = "$GNGGA,090000.00,4417.4818706,N,01151.7847181,E,1,25,0.55,104.491,M,47.000,M,,*44"
	for _, version := range []string{"1", "2"} {
		for _, setting := range []string{"on", "off"} {
			lines := make(chan string, 8)
			header := make(chan string, 1)
			addr := raw(t, func(req string, c net.Conn, r *bufio.Reader) {
				header <- req
				if version == "1" {
					io.WriteString(c, "ICY 200 OK\r\n")
				} else {
					io.WriteString(c, "HTTP/1.1 200 OK\r\nContent-Type: gnss/data\r\n\r\n")
				}
				most := time.Minute
				if setting == "off" {
					most = 250 * time.Millisecond
				}
				c.SetReadDeadline(time.Now().Add(most))
				for range 2 {
					line, err := r.ReadString('\n')
					if err != nil {
						return
					}
					lines <- line
				}
			})
			c := client(t, fmt.Sprintf("ntrip://%s/VRS?version=%s&gga=%s", addr, version, setting))
			c.GGA, c.GGAEvery = func() string { return gga }, 100*time.Millisecond
			drain(c)
			want := 0
			if setting == "on" {
				want = 2
			}
			if n := len(lines); (n >= 2) != (want >= 2) || want == 0 && n != 0 {
				t.Errorf("version %s, gga=%s: %d lines, want %d or more", version, setting, n, want)
			} else if n > 0 && <-lines != gga+"\r\n" {
				t.Errorf("version %s: line is not the sentence", version)
			}
			if has := strings.Contains(<-header, "\r\nNtrip-GGA: "+gga+"\r\n"); has != (version == "2" && setting == "on") {
				t.Errorf("version %s, gga=%s: header %v", version, setting, has)
			}
		}
	}
}

func TestParseURL(t *testing.T) {
	t.Setenv(PasswordEnv, testPassword)
	for _, tt := range []struct{ in, out string }{
		{"ntrip://caster.example/QUARRY", "ntrip://caster.example:2101/QUARRY"}, // IANA: rtcm-sc104 2101/tcp
		{"ntrips://halfmoon@caster.example:443/Q", "ntrips://halfmoon@caster.example:443/Q"},
		{"ntrip://a%40b@caster.example/Q?version=1&gga=off", "ntrip://a%40b@caster.example:2101/Q"},
		{"ntrip://[::1]:9000/Q", "ntrip://[::1]:9000/Q"},
	} {
		got, err := Parse(tt.in)
		if err != nil || got.String() != tt.out {
			t.Errorf("Parse(%q) = %v, %v, want %s", tt.in, got, err, tt.out)
		}
	}
	for _, tt := range []struct{ in, say string }{
		{"ntrip://u:" + testPassword + "@caster.example/Q", PasswordEnv},
		{"ntrip://u:" + testPassword + "%zz@caster.example/Q", "cannot be read"},
		{"http://caster.example/Q", "want ntrip or ntrips"},
		{"ntrip:///Q", "no host"},
		{"ntrip://caster.example/Q?version=3", "want version=1"},
		{"ntrip://caster.example/Q?colour=red", "want version=1"},
		{"ntrip://caster.example/Q%0d%0aHost:%20x", "control character"},
	} {
		if _, err := Parse(tt.in); err == nil || !strings.Contains(err.Error(), tt.say) || strings.Contains(err.Error(), testPassword) {
			t.Errorf("Parse(%q): %v, want %q", tt.in, err, tt.say)
		}
	}
}

// Nothing the package can say holds the password, not even when the caster
// sends it back.
func TestPasswordNowhere(t *testing.T) {
	var said bytes.Buffer
	echo := func(req string, c net.Conn, _ *bufio.Reader) {
		cred := req[strings.Index(req, "Basic ")+6:]
		cred = cred[:strings.Index(cred, "\r\n")]
		switch {
		case strings.Contains(req, "/ICY"):
			fmt.Fprintf(c, "ICY 403 %s %s\r\n", cred, testPassword)
		case strings.Contains(req, "/ERR"):
			fmt.Fprintf(c, "ERROR - Bad Password %s %s\r\n", testPassword, cred)
		case strings.Contains(req, "/HTTP"):
			fmt.Fprintf(c, "HTTP/1.1 599 %s %s\r\nContent-Length: 0\r\n\r\n", testPassword, cred)
		case strings.Contains(req, "/TYPE"):
			fmt.Fprintf(c, "HTTP/1.1 200 OK\r\nContent-Type: text/%s\r\n\r\nx", testPassword)
		case strings.Contains(req, "/TABLE"):
			fmt.Fprintf(c, "SOURCETABLE 200 OK\r\n\r\nSTR;%s;%s\r\nENDSOURCETABLE\r\n", testPassword, cred)
		case strings.Contains(req, "/BROKEN"):
			fmt.Fprintf(c, "HTTP/1.1 %s\r\n", cred)
		default:
			fmt.Fprintf(c, "%s %s\r\n", testPassword, cred)
		}
	}
	addr := raw(t, echo)
	var basic string
	for _, mount := range []string{"ICY", "ERR", "HTTP", "TYPE", "TABLE", "BROKEN", "ELSE", ""} {
		for _, v := range []string{"?version=1", "?version=2", ""} {
			c := client(t, "ntrip://halfmoon@"+addr+"/"+mount+v)
			basic = c.basic()
			_, err := drain(c)
			_, err2 := c.Table(context.Background())
			fmt.Fprintf(&said, "%v %+v %#v %v %+v %s\n", err, err, err, c.Target, c.Target, c.Target)
			fmt.Fprintf(&said, "%v %+v %#v %v %+v %#v %q %x %s\n", c, c, c, err2, *c, *c, c.password, c.password, c.password)
			for e := err; e != nil; e = errors.Unwrap(e) {
				fmt.Fprintln(&said, e.Error())
			}
		}
	}
	if said.Len() < 1000 {
		t.Fatalf("only %d bytes of output were looked at", said.Len())
	}
	for _, secret := range []string{testPassword, basic, hex.EncodeToString([]byte(testPassword))} {
		if i := strings.Index(said.String(), secret); i >= 0 {
			t.Errorf("password printed: ...%s", said.String()[max(0, i-60):i+len(secret)])
		}
	}
}
