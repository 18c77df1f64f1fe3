package publish

import (
	"bytes"
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"kerbline/cmd/kerbline/internal/lines"
	"kerbline/fusion"
)

func testKey(t testing.TB, phrase string) *Key {
	t.Helper()
	path := filepath.Join(t.TempDir(), "key")
	if err := os.WriteFile(path, []byte(phrase+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	k, err := LoadKey(path)
	if err != nil {
		t.Fatal(err)
	}
	return k
}

// The mac is that of RFC 4231, test cases 4 and 6 (keys of 25 and 131 bytes).
func TestKey_Published(t *testing.T) {
	for _, tt := range []struct {
		key        []byte
		data, want string
	}{
		{mustHex("0102030405060708090a0b0c0d0e0f10111213141516171819"), strings.Repeat("\xcd", 50), "82558a389a443c0ea4cc819899f2083a85f0faa3e578f8077a2e3ff46729665b"},
		{bytes.Repeat([]byte{0xaa}, 131), "Test Using Larger Than Block-Size Key - Hash Key First", "60e431591ee0b67f0d8a26aacbf5b77f8e0bc6213728c5140546040f0ee37f54"},
	} {
		t.Setenv(KeyEnv, string(tt.key))
		k, err := LoadKey("")
		if err != nil {
			t.Fatal(err)
		}
		if got := hex.EncodeToString(k.of([]byte(tt.data))); got != tt.want {
			t.Errorf("%s, want %s", got, tt.want)
		}
	}
}

func mustHex(s string) []byte {
	b, err := hex.DecodeString(s)
	if err != nil {
		panic(err)
	}
	return b
}

// Keys that are none are refused in words that do not repeat them.
func TestLoadKey(t *testing.T) {
	dir := t.TempDir()
	file := func(name, text string, mode os.FileMode) string {
		p := filepath.Join(dir, name)
		if err := os.WriteFile(p, []byte(text), mode); err != nil {
			t.Fatal(err)
		}
		return p
	}
	t.Setenv(KeyEnv, "")
	if k, err := LoadKey(""); k != nil || err != nil {
		t.Errorf("no key: %v, %v", k, err)
	}
	for path, say := range map[string]string{
		filepath.Join(dir, "none"):                         "no such file",
		file("open", "a secret of many words", 0o644):      "chmod 600",
		file("short", "a secret", 0o600):                   "shorter than 16",
		file("empty", "\n", 0o600):                         "shorter than 16",
		file("zero", "a secret of \x00 many words", 0o600): "zero byte",
	} {
		if _, err := LoadKey(path); err == nil || !strings.Contains(err.Error(), say) || strings.Contains(err.Error(), "a secret") {
			t.Errorf("%s: %v, want %q", path, err, say)
		}
	}
	t.Setenv(KeyEnv, "too short")
	if _, err := LoadKey(""); err == nil || !strings.Contains(err.Error(), KeyEnv) || strings.Contains(err.Error(), "too short") {
		t.Errorf("%v", err)
	}
	for _, f := range []func() error{
		func() error { _, err := Dial("192.0.2.7:47100", true, nil); return err }, // TEST-NET-1, RFC 5737: nobody
		func() error { _, err := Listen("0.0.0.0:0", nil); return err },
	} {
		if err := f(); err == nil || !strings.Contains(err.Error(), "want a key in "+KeyEnv) && !strings.Contains(err.Error(), "or a key in "+KeyEnv) {
			t.Errorf("beyond this computer without a key: %v", err)
		}
	}
}

// What is signed with another key, not at all, or changed anywhere is not taken, though it
// is the very verdict that is due; the consumer in C judges alike.
func TestSigned(t *testing.T) {
	const phrase = "halfmoon at quarry loop"
	key, other := testKey(t, phrase), testKey(t, "another phrase of words")
	good := func(b []byte) []byte { return key.Sign(b) }
	type way struct {
		name string
		line func(b []byte) []byte
		want bool
	}
	ways := []way{
		{"signed", good, true},
		{"unsigned", func(b []byte) []byte { return b }, false},
		{"another key", other.Sign, false},
		{"signed twice", func(b []byte) []byte { return other.Sign(good(b)) }, false},
		{"cut", func(b []byte) []byte { b = good(b); return b[:len(b)-4] }, false},
		{"a field behind", func(b []byte) []byte { return bytes.Replace(good(b), []byte(`"}`), []byte(`","n":2}`), 1) }, false},
		{"the mac in front", func(b []byte) []byte {
			b = good(b)
			n := len(b) - macSize - 1
			return []byte("{" + string(b[n+1:len(b)-2]) + "," + string(b[1:n]) + "}")
		}, false},
		{"a mac of nothing", func(b []byte) []byte { return []byte(macField + strings.Repeat("0", 64) + macTail) }, false},
		{"nothing", func(b []byte) []byte { return nil }, false},
	}
	for i := 0; i < 700; i += 11 {
		ways = append(ways, way{fmt.Sprintf("byte %d changed", i), func(b []byte) []byte { b = good(b); b[i%(len(b)-1)] ^= 1; return b }, false})
	}
	var in bytes.Buffer
	var want strings.Builder
	var rule Rule
	live := lines.Live{Session: "0123456789abcdef", Hold: Hold}
	now := 0.0
	hear := func(make func([]byte) []byte) bool {
		now += 0.107
		live.N++
		s := full(1000+now, 1)
		s.Verdict, s.Advice = fusion.Usable, fusion.AdviseMap
		line := bytes.TrimSuffix(make(lines.AppendLive(nil, s, live)), []byte("\n"))
		taken := false
		if key.Check(line) {
			v, err := lines.ParseVerdict(line)
			taken = err == nil && rule.Hear(now, "a", &v, true) == ""
		}
		fmt.Fprintf(&in, "%.6f a 1 %s\n", now, line)
		fmt.Fprintf(&want, "%d", map[bool]int{true: 1}[taken])
		return taken
	}
	for range 15 {
		hear(good)
	}
	for _, w := range ways {
		if got := hear(w.line); got != w.want {
			t.Errorf("%s: taken %v", w.name, got)
		}
		if !hear(good) {
			t.Errorf("%s: the monitor is refused after it", w.name)
		}
	}
	cmd := exec.Command(consumerC(t), "-")
	cmd.Env = append(os.Environ(), KeyEnv+"="+phrase)
	cmd.Stdin = &in
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	got := ""
	for line := range strings.Lines(string(out)) {
		got += line[:1]
	}
	if got != want.String() {
		t.Errorf("C takes\n%s\nGo\n%s", got, want.String())
	}
}

// A listener with the key takes the monitor with the key, and says of another why not.
func TestSignedHears(t *testing.T) {
	l, err := Listen("127.0.0.1:0", testKey(t, "halfmoon at quarry loop"))
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	for _, tt := range []struct {
		phrase string
		want   bool
	}{{"another phrase of words", false}, {"", false}, {"halfmoon at quarry loop", true}} {
		var key *Key
		if tt.phrase != "" {
			key = testKey(t, tt.phrase)
		}
		p, err := Dial(l.Addr(), false, key)
		if err != nil {
			t.Fatal(err)
		}
		s := full(0, 1)
		s.Verdict, s.Advice = fusion.Usable, fusion.AdviseMap
		usable, why := false, ""
		for began := time.Now(); !usable && time.Since(began) < time.Minute && (tt.want || !strings.Contains(why, "not signed")); {
			s.T = float64(time.Now().UnixNano()) / 1e9
			p.Send(s)
			if _, err := l.Next(context.Background()); err != nil && !errors.Is(err, ErrSilent) {
				t.Fatal(err)
			}
			d := l.Decide(l.Now())
			usable, why = d.Usable, d.String()
		}
		if usable != tt.want {
			t.Errorf("key %q: %s", tt.phrase, why)
		}
		p.Close()
	}
}
