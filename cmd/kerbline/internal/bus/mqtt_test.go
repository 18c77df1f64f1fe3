package bus

import (
	"bytes"
	"encoding/binary"
	"io"
	"net"
	"os"
	"path/filepath"
	"testing"
	"time"

	"kerbline/cmd/kerbline/internal/lines"
)

// mqtt is a client of MQTT 3.1.1 (OASIS standard) as far as the tests need one: packet
// types 1 connect, 2 connack, 3 publish, 8 subscribe, 9 suback; layouts from memory.
type mqtt struct {
	net.Conn
	t *testing.T
}

func (m mqtt) send(kind byte, body []byte) {
	m.t.Helper()
	if len(body) > 127 {
		m.t.Fatal("a longer body needs more length bytes")
	}
	if _, err := m.Write(append([]byte{kind, byte(len(body))}, body...)); err != nil {
		m.t.Fatal(err)
	}
}

func (m mqtt) read() (kind byte, body []byte) {
	m.t.Helper()
	m.SetReadDeadline(time.Now().Add(time.Minute))
	one := make([]byte, 1)
	next := func() byte {
		if _, err := io.ReadFull(m, one); err != nil {
			m.t.Fatal(err)
		}
		return one[0]
	}
	kind = next()
	n := 0
	for shift := 0; ; shift += 7 {
		b := next()
		n |= int(b&127) << shift
		if b < 128 {
			break
		}
	}
	body = make([]byte, n)
	if _, err := io.ReadFull(m, body); err != nil {
		m.t.Fatal(err)
	}
	return kind, body
}

func text(s string) []byte { return append(binary.BigEndian.AppendUint16(nil, uint16(len(s))), s...) }

// dialMQTT connects; code is the server's answer, 0 for taken.
func dialMQTT(t *testing.T, addr, user, password string) (m mqtt, code byte) {
	t.Helper()
	c, err := net.Dial("tcp", addr)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	m = mqtt{c, t}
	flags := byte(2) // a clean session
	body := append(text("MQTT"), 4)
	rest := text("watcher")
	if user != "" {
		flags |= 0x80 | 0x40
		rest = append(append(rest, text(user)...), text(password)...)
	}
	m.send(0x10, append(append(body, flags, 0, 60), rest...))
	kind, answer := m.read()
	if kind != 0x20 || len(answer) != 2 {
		t.Fatalf("answer %x %x", kind, answer)
	}
	return m, answer[1]
}

// A robotics bridge hears verdicts over MQTT, by the rules of the same users.
func TestMQTT(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	addr := l.Addr().String()
	if _, err := Serve(ServeOptions{Addr: "127.0.0.1:0", MQTT: addr}); err == nil {
		t.Error("a port that is taken is served")
	}
	l.Close()
	users := filepath.Join(t.TempDir(), "users")
	if err := os.WriteFile(users, []byte("pit secret-word watch\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	srv := serve(t, ServeOptions{MQTT: addr, Users: users})
	store := srv.store
	red := publisher(t, srv, "red")
	if _, code := dialMQTT(t, addr, "pit", "another"); code == 0 {
		t.Error("a wrong password is taken")
	}
	m, code := dialMQTT(t, addr, "pit", "secret-word")
	if code != 0 {
		t.Fatalf("refused: %d", code)
	}
	m.send(0x82, append(append([]byte{0, 1}, text("kerbline/v1/+/verdict")...), 0))
	if kind, answer := m.read(); kind != 0x90 || answer[2] != 0 {
		t.Fatalf("subscription: %x %x", kind, answer)
	}
	// Who may only watch publishes nothing.
	m.send(0x30, append(text("kerbline/v1/red/verdict"), `{"t":1,"verdict":"usable"}`...))
	s := snapshot(3)
	deadline := time.Now().Add(time.Minute)
	for got := false; !got; { // the gateway may know the subscription a little later
		if time.Now().After(deadline) {
			t.Fatal("never heard")
		}
		red.Send(s)
		kind, body := m.read()
		topic := text("kerbline/v1/red/verdict")
		if kind&0xf0 != 0x30 || !bytes.HasPrefix(body, topic) {
			t.Fatalf("%x %q", kind, body)
		}
		v, err := lines.ParseVerdict(body[len(topic):])
		if err != nil || v.Seq != 3 || len(v.Session) != 16 {
			t.Fatalf("%+v, %v: what a watcher sent is heard", v, err)
		}
		got = true
	}
	srv.Close()
	if _, err := os.Stat(store); !os.IsNotExist(err) {
		t.Errorf("the store is left behind: %v", err)
	}
	for _, o := range []ServeOptions{{Addr: "127.0.0.1:0", MQTT: "0.0.0.0:1883"}, {Addr: "127.0.0.1:0", MQTT: "here"}} {
		if s, err := Serve(o); err == nil {
			s.Close()
			t.Errorf("%+v is served", o)
		}
	}
}
