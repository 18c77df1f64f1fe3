package bus

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"fmt"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"reflect"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats.go"

	"kerbline/cmd/kerbline/internal/lines"
	"kerbline/cmd/kerbline/internal/publish"
	"kerbline/fusion"
	"kerbline/gnss/geodesy"
	"kerbline/gnss/reception"
	"kerbline/tui"
)

func serve(t *testing.T, o ServeOptions) *Server {
	t.Helper()
	if o.Addr == "" {
		o.Addr = "127.0.0.1:0"
	}
	s, err := Serve(o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	return s
}

func publisher(t *testing.T, s *Server, car string) *Publisher {
	t.Helper()
	nc, err := s.Connect()
	if err != nil {
		t.Fatal(err)
	}
	p, err := NewPublisher(nc, car)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { p.Close() })
	return p
}

func watch(t *testing.T, url string) *Watcher {
	t.Helper()
	target, err := Parse(url)
	if err != nil {
		t.Fatal(err)
	}
	w, err := Watch(target)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(w.Close)
	if err := w.nc.FlushTimeout(time.Minute); err != nil { // the server knows the subscription
		t.Fatal(err)
	}
	return w
}

// fresh is the snapshot of a monitor that has just begun.
var fresh = sync.OnceValue(func() fusion.Snapshot { return *fusion.NewMonitor(fusion.DefaultConfig(), nil).Snapshot() })

func snapshot(seq uint64) *fusion.Snapshot {
	s := fresh()
	s.T, s.Seq, s.Verdict, s.Advice, s.SpeedCap = 1000+0.1*float64(seq), seq, fusion.Usable, fusion.AdviseMap, 20
	s.Frame = geodesy.NewFrame(geodesy.LLA{Lat: 0.77, Lon: 0.2, H: 120})
	return &s
}

// until reads messages until ok.
func until(t *testing.T, w *Watcher, what string, ok func(Heard) bool) Heard {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	for {
		h, err := w.Next(ctx)
		if err != nil {
			t.Fatalf("%s: %v", what, err)
		}
		if ok(h) {
			return h
		}
	}
}

// What a car publishes arrives as it was sent: verdict line, event, link and the
// whole snapshot, those of another car apart.
func TestThereAndBack(t *testing.T) {
	srv := serve(t, ServeOptions{})
	red, blue := publisher(t, srv, "red"), publisher(t, srv, "blue-2")
	all, one := watch(t, srv.URL()), watch(t, srv.URL()+"/red")
	s := snapshot(1)
	event := fusion.Event{T: 999, End: 1000, Kind: fusion.EventJump, Size: 0.4, Where: 12, Detail: "0.40 m"}
	red.Events([]fusion.Event{event})
	red.State([]tui.Source{{Name: "nmea", OK: true, Words: "open"}}, tui.Recording{Wanted: true, OK: true, File: "run.mcap"})
	blue.Send(snapshot(7))
	red.Send(s)
	v, err := lines.ParseVerdict(until(t, one, "a verdict", func(h Heard) bool { return h.Verdict != nil }).Verdict)
	if err != nil || v.Seq != 1 || v.N != 1 || len(v.Session) != 16 || float64(v.Hold) != publish.Hold {
		t.Errorf("%+v, %v", v, err)
	}
	if e := until(t, one, "an event", func(h Heard) bool { return h.Event != nil }).Event; *e != event {
		t.Errorf("event %+v, want %+v", e, event)
	}
	if l := until(t, one, "the link", func(h Heard) bool { return h.Link != nil }).Link; !strings.Contains(string(l), `"condition":"untapped"`) {
		t.Errorf("link %s", l)
	}
	w := until(t, one, "the whole", func(h Heard) bool { return h.Whole != nil }).Whole
	if got, want := lines.AppendVerdict(nil, &w.Snapshot), lines.AppendVerdict(nil, s); string(got) != string(want) || w.Snapshot.Frame != s.Frame || w.Sources[0].Words != "open" || w.Recording.File != "run.mcap" {
		t.Errorf("whole %s %+v", got, w.Sources)
	}
	cars := map[string]bool{}
	until(t, all, "both cars", func(h Heard) bool { cars[h.Car] = true; return len(cars) == 2 })
	if !cars["red"] || !cars["blue-2"] {
		t.Errorf("cars %v", cars)
	}
	// Who joins late asks.
	late := watch(t, srv.URL()+"/red")
	if got := late.Past(context.Background(), "red"); len(got.Events) != 1 || got.Events[0] != event || len(got.Verdicts) != 1 || got.Verdicts[0].Verdict != "usable" || len(got.Links) != 1 {
		t.Errorf("of late %+v", got)
	}
	if got := late.Past(context.Background(), "nobody"); got.Events != nil || got.Verdicts != nil {
		t.Errorf("of nobody %+v", got)
	}
}

// fill gives every field of v a value that is not zero.
func fill(v reflect.Value) {
	switch v.Kind() {
	case reflect.Struct:
		for i := range v.NumField() {
			if f := v.Field(i); f.CanSet() {
				fill(f)
			}
		}
	case reflect.Array:
		for i := range v.Len() {
			fill(v.Index(i))
		}
	case reflect.Bool:
		v.SetBool(true)
	case reflect.String:
		v.SetString("x")
	case reflect.Float64, reflect.Float32:
		v.SetFloat(1.5)
	case reflect.Slice:
		v.Set(reflect.MakeSlice(v.Type(), 1, 1))
		fill(v.Index(0))
	default:
		switch {
		case v.CanInt():
			v.SetInt(1)
		case v.CanUint():
			v.SetUint(1)
		}
	}
}

// A watcher's screen has every field of the snapshot that the source's has, of whatever
// page; the monitor's own part of it is not sent.
func TestWholeHoldsAll(t *testing.T) {
	srv := serve(t, ServeOptions{})
	p := publisher(t, srv, "car")
	p.Risks(1e-5, 1e-2)
	var s fusion.Snapshot
	fill(reflect.ValueOf(&s).Elem())
	s.NReasons, s.Link.NTypes = 1, 1
	s.Reception = new(reception.State)
	w := watch(t, srv.URL()+"/car")
	p.Send(&s)
	got := until(t, w, "the whole", func(h Heard) bool { return h.Whole != nil }).Whole
	s.Reception = nil
	if got.Risk != 1e-5 || got.RiskCoast != 1e-2 {
		t.Errorf("risks %g, %g", got.Risk, got.RiskCoast)
	}
	a, b := reflect.ValueOf(got.Snapshot), reflect.ValueOf(s)
	for i := range a.NumField() {
		if name := a.Type().Field(i).Name; !reflect.DeepEqual(a.Field(i).Interface(), b.Field(i).Interface()) {
			t.Errorf("%s: %v, want %v", name, a.Field(i), b.Field(i))
		}
	}
}

// Who joins late is given the last five minutes, and nothing of them is a verdict to
// drive by: not for the rule that hears it as if it were sent now, nor for one that
// follows the car.
func TestJoinLate(t *testing.T) {
	srv := serve(t, ServeOptions{})
	p := publisher(t, srv, "car")
	const n = 4000 // 400 s
	for i := range uint64(n) {
		s := snapshot(i + 1)
		if i%1000 == 999 {
			p.Events([]fusion.Event{{T: s.T, End: s.T, Kind: fusion.EventJump, Size: 0.4, Where: 12, Detail: fmt.Sprint(i)}})
		}
		p.Send(s)
		for len(p.queue) > 0 { // so that none is dropped
			runtime.Gosched()
		}
	}
	w := watch(t, srv.URL()+"/car")
	began := time.Now()
	var past Past
	for len(past.Verdicts) == 0 || past.Verdicts[len(past.Verdicts)-1].Seq < n-9 {
		if past = w.Past(context.Background(), "car"); time.Since(began) > time.Minute {
			t.Fatalf("never whole: %d verdicts", len(past.Verdicts))
		}
	}
	t.Logf("%d verdicts, %d links, %d events after %v", len(past.Verdicts), len(past.Links), len(past.Events), time.Since(began))
	if len(past.Verdicts) != keepPast || len(past.Links) != keepPast || len(past.Events) != n/1000 {
		t.Errorf("%d verdicts, %d links, %d events", len(past.Verdicts), len(past.Links), len(past.Events))
	}
	var rule publish.Rule
	for i := range past.Verdicts {
		v := &past.Verdicts[i]
		if i > 0 && !(v.T > past.Verdicts[i-1].T) {
			t.Errorf("%v after %v", v.T, past.Verdicts[i-1].T)
		}
		if rule.Hear(float64(i), "car", v, true) == "" || rule.Decide(float64(i)).Usable {
			t.Fatal("an old verdict is taken for one to drive by")
		}
	}
	l, err := Listen(w.t)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	w.Past(context.Background(), "car")
	if _, err := l.Next(context.Background()); !errors.Is(err, publish.ErrSilent) || l.Decide(l.Now()).Usable {
		t.Errorf("who follows the car hears what was asked for: %v", err)
	}
}

// A server that is not there yet, and one that goes away, hold up nobody; when it
// is back, watchers hear again.
func TestServerComesAndGoes(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	addr := l.Addr().String()
	l.Close()
	target, err := Parse("nats://" + addr)
	if err != nil {
		t.Fatal(err)
	}
	nc, err := Connect(target)
	if err != nil {
		t.Fatal(err)
	}
	p, err := NewPublisher(nc, "car")
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	w, err := Watch(target)
	if err != nil {
		t.Fatal(err)
	}
	defer w.Close()
	if words, ok := w.Words(); ok || !strings.Contains(words, "no server there") {
		t.Errorf("%q, %v", words, ok)
	}
	for i := range uint64(1000) { // were the server waited for, this would not end
		p.Send(snapshot(i))
	}
	for round := range 2 {
		srv, err := Serve(ServeOptions{Addr: addr})
		if err != nil {
			t.Fatal(err)
		}
		began := time.Now()
		heard := make(chan struct{})
		go func() {
			defer close(heard)
			until(t, w, "a verdict", func(h Heard) bool { return h.Verdict != nil })
		}()
		for i, waiting := uint64(0), true; waiting; i++ {
			p.Send(snapshot(i))
			select {
			case <-heard:
				waiting = false
			case <-time.After(20 * time.Millisecond):
			}
		}
		if words, ok := w.Words(); !ok || words != "connected to nats://"+addr {
			t.Errorf("round %d: %q, %v", round, words, ok)
		}
		t.Logf("round %d: heard after %v", round, time.Since(began))
		if d := time.Since(began); os.Getenv("KERBLINE_WALL") != "" && d > 2*time.Second {
			t.Errorf("round %d: heard after %v, want 2 s", round, d)
		}
		srv.Close()
	}
	if _, dropped := p.Counts(); dropped == 0 {
		t.Error("nothing was dropped without a server")
	}
}

// Users: who is refused is told in words, who may only watch cannot send, and no
// word holds a password.
func TestUsers(t *testing.T) {
	dir := t.TempDir()
	users := filepath.Join(dir, "users")
	file := func(text string, mode os.FileMode) string {
		os.Remove(users)
		if err := os.WriteFile(users, []byte(text), mode); err != nil {
			t.Fatal(err)
		}
		return users
	}
	for _, tt := range []struct {
		o   ServeOptions
		say string
	}{
		{ServeOptions{Addr: "nonsense"}, "want host:port"},
		{ServeOptions{Addr: "192.0.2.1:4222"}, "--publish-remote"},
		{ServeOptions{Addr: "0.0.0.0:0", Remote: true}, "want --bus-users"},
		{ServeOptions{Addr: "127.0.0.1:0", Users: filepath.Join(dir, "none")}, "no such file"},
		{ServeOptions{Addr: "127.0.0.1:0", Users: file("pit s3cret-pit watch\n", 0o644)}, "chmod 600"},
	} {
		if s, err := Serve(tt.o); err == nil || !strings.Contains(err.Error(), tt.say) || strings.Contains(err.Error(), "s3cret") {
			t.Errorf("%+v: %v, want %q", tt.o, err, tt.say)
			if s != nil {
				s.Close()
			}
		}
	}
	for text, say := range map[string]string{"pit s3cret-pit\n": "line 1: 2 words", "pit s3cret-pit rule\n": "want: name password watch", "pit s3cret watch\n": "shorter than 8", "# nobody\n": "names nobody"} {
		if _, err := Serve(ServeOptions{Addr: "127.0.0.1:0", Users: file(text, 0o600)}); err == nil || !strings.Contains(err.Error(), say) || strings.Contains(err.Error(), "s3cret") {
			t.Errorf("%q: %v, want %q", text, err, say)
		}
	}
	srv := serve(t, ServeOptions{Users: file("# who\npit s3cret-pit watch\ncar2 s3cret-car publish\n", 0o600)})
	host := strings.TrimPrefix(srv.URL(), "nats://")
	p := publisher(t, srv, "car")

	for _, tt := range []struct{ user, password, say string }{
		{"", "", "wants a user"}, {"pit@", "wrong-s3cret", `user "pit" or its password`}, {"nobody@", "s3cret-pit", `user "nobody" or its password`},
	} {
		t.Setenv(passwordEnv, tt.password)
		target, err := Parse("nats://" + tt.user + host)
		if err != nil {
			t.Fatal(err)
		}
		w, err := Watch(target)
		if err != nil {
			t.Fatal(err)
		}
		words, ok := w.Words()
		for i := 0; i < 600 && !strings.Contains(words, tt.say); i++ {
			time.Sleep(100 * time.Millisecond)
			words, ok = w.Words()
		}
		if ok || !strings.Contains(words, tt.say) || strings.Contains(words, "s3cret") {
			t.Errorf("%+v: %q, %v", tt, words, ok)
		}
		w.Close()
	}
	t.Setenv(passwordEnv, "s3cret-pit")
	w := watch(t, "nats://pit@"+host+"/car")
	// A watcher's forgery goes nowhere.
	if err := w.nc.Publish(subject("car", subVerdict), []byte(`{"forged":true}`)); err != nil {
		t.Fatal(err)
	}
	if err := w.nc.FlushTimeout(time.Minute); err != nil {
		t.Fatal(err)
	}
	p.Send(snapshot(1))
	h := until(t, w, "a verdict", func(h Heard) bool { return h.Verdict != nil })
	if strings.Contains(string(h.Verdict), "forged") {
		t.Error("a watcher sent a verdict")
	}
	if _, err := Parse("nats://pit:s3cret-pit@" + host); err == nil || strings.Contains(err.Error(), "s3cret") || !strings.Contains(err.Error(), passwordEnv) {
		t.Errorf("a password in the URL: %v", err)
	}
	for _, bad := range []string{"nats://", "http://x", "nats://h/a/b", "nats://h/a*", "nats://h?x=1", "nats://[::1"} {
		if _, err := Parse(bad); err == nil || !strings.Contains(err.Error(), "want") {
			t.Errorf("Parse(%q): %v", bad, err)
		}
	}
}

// TLS: the authority named is believed, an unknown one is not.
func TestTLS(t *testing.T) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "bus"}, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), IsCA: true, BasicConstraintsValid: true,
		KeyUsage: x509.KeyUsageDigitalSignature | x509.KeyUsageCertSign, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	kb, err := x509.MarshalECPrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	cert, private := filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	os.WriteFile(cert, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), 0o600)
	os.WriteFile(private, pem.EncodeToMemory(&pem.Block{Type: "EC PRIVATE KEY", Bytes: kb}), 0o600)
	srv := serve(t, ServeOptions{Cert: cert, Key: private})
	p := publisher(t, srv, "car")
	target, _ := Parse(strings.Replace(srv.URL(), "nats://", "tls://", 1))
	target.CA = cert
	w, err := Watch(target)
	if err != nil {
		t.Fatal(err)
	}
	defer w.Close()
	if err := w.nc.FlushTimeout(time.Minute); err != nil {
		t.Fatal(err)
	}
	p.Send(snapshot(1))
	until(t, w, "a verdict", func(h Heard) bool { return h.Verdict != nil })
	target.CA = ""
	if w, err := Watch(target); err == nil {
		words, ok := w.Words()
		for i := 0; i < 600 && !strings.Contains(words, "certificate"); i++ {
			time.Sleep(100 * time.Millisecond)
			words, ok = w.Words()
		}
		if ok || !strings.Contains(words, "certificate") {
			t.Errorf("an unknown authority: %q, %v", words, ok)
		}
		w.Close()
	}
	if _, err := Serve(ServeOptions{Addr: "127.0.0.1:0", Cert: cert, Key: filepath.Join(dir, "none")}); err == nil || !strings.Contains(err.Error(), "none") {
		t.Errorf("no key: %v", err)
	}
}

// Forged, replayed, doubled and delayed verdicts over the bus meet the rule that
// holds by UDP.
func TestListenRule(t *testing.T) {
	srv := serve(t, ServeOptions{})
	forger, err := srv.Connect()
	if err != nil {
		t.Fatal(err)
	}
	defer forger.Close()
	target, _ := Parse(srv.URL())
	l, err := Listen(target)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	raw := watch(t, srv.URL()+"/car")
	p := publisher(t, srv, "car")
	ctx := context.Background()
	now := func() float64 { return float64(time.Now().UnixNano()) / 1e9 }
	var kept []byte
	hear := func() bool { // the next verdict within a minute
		for range 200 {
			s := snapshot(1)
			s.T = now()
			p.Send(s)
			kept = until(t, raw, "a verdict", func(h Heard) bool { return h.Verdict != nil }).Verdict
			if _, err := l.Next(ctx); err == nil && l.Decide(l.Now()).Usable { // within the time it holds
				return true
			} else if err != nil && !errors.Is(err, publish.ErrSilent) {
				t.Fatal(err)
			}
		}
		return false
	}
	if !hear() {
		t.Fatalf("never usable: %v", l.Decide(l.Now()))
	}
	v, _ := lines.ParseVerdict(kept)
	next := func(change func(*lines.Live, *fusion.Snapshot)) []byte {
		s := snapshot(1)
		s.T = now()
		live := lines.Live{Session: v.Session, N: v.N + 1, Hold: publish.Hold}
		change(&live, s)
		return lines.AppendLive(nil, s, live)
	}
	for name, m := range map[string]*nats.Msg{
		"replayed":        {Subject: subject("car", subVerdict), Data: kept},
		"another car":     {Subject: subject("car2", subVerdict), Data: next(func(*lines.Live, *fusion.Snapshot) {})},
		"another session": {Subject: subject("car", subVerdict), Data: next(func(l *lines.Live, _ *fusion.Snapshot) { l.Session = "forged" })},
		"t far ahead":     {Subject: subject("car", subVerdict), Data: next(func(_ *lines.Live, s *fusion.Snapshot) { s.T += 1e6 })},
		"delayed":         {Subject: subject("car", subVerdict), Data: next(func(_ *lines.Live, s *fusion.Snapshot) { s.T -= 1 })},
		"hold far ahead":  {Subject: subject("car", subVerdict), Data: next(func(l *lines.Live, s *fusion.Snapshot) { l.Hold = 1e6; s.T -= 1 })},
		"counter ahead":   {Subject: subject("car", subVerdict), Data: next(func(l *lines.Live, _ *fusion.Snapshot) { l.N += 1 << 40 })},
	} {
		for l.Decide(l.Now()).Usable { // what is held ends
			time.Sleep(20 * time.Millisecond)
		}
		before := l.Refused
		for l.Refused == before {
			if err := forger.PublishMsg(m); err != nil {
				t.Fatal(err)
			}
			if _, err := l.Next(ctx); !errors.Is(err, publish.ErrSilent) {
				t.Errorf("%s: taken (%v)", name, err)
			}
		}
		if d := l.Decide(l.Now()); d.Usable {
			t.Errorf("%s: %v", name, d)
		}
	}
	if !hear() {
		t.Error("the true monitor is not heard any more")
	}
}

// Sending allocates nothing and waits for nobody, whatever the watchers do.
func TestSendAllocatesNothing(t *testing.T) {
	p := &Publisher{queue: make(chan *fusion.Snapshot, ring), free: make(chan *fusion.Snapshot, ring)} // nobody takes
	for range ring {
		p.free <- new(fusion.Snapshot)
	}
	s := snapshot(1)
	if n := testing.AllocsPerRun(1000, func() { p.Send(s) }); n != 0 {
		t.Errorf("%v allocations a snapshot, want none", n)
	}
	if _, dropped := p.Counts(); dropped < 900 || (<-p.queue).Seq != s.Seq {
		t.Errorf("%d dropped", dropped)
	}
}
