package ntrip

import (
	"bufio"
	"bytes"
	"encoding/base64"
	"errors"
	"io"
	"math/rand/v2"
	"net"
	"strings"
	"testing"
	"testing/iotest"
)

// A caster that sends back the request, as data or after data, does not put the
// credential into the stream, which is recorded and forwarded. The correction
// frames around it are untouched.
func TestEchoedRequest(t *testing.T) {
	addr := raw(t, func(req string, c net.Conn, _ *bufio.Reader) {
		if strings.Contains(req, "HTTP/1.1") {
			io.WriteString(c, "HTTP/1.1 200 OK\r\nContent-Type: gnss/data\r\n\r\n")
		} else {
			io.WriteString(c, "ICY 200 OK\r\n\r\n")
		}
		c.Write(rtcm1005)
		io.WriteString(c, req+testPassword)
		c.Write(rtcm1005)
	})
	for _, v := range []string{"1", "2"} {
		c := client(t, "ntrip://halfmoon@"+addr+"/QUARRY?version="+v)
		got, err := drain(c)
		var r *Refusal
		if !errors.As(err, &r) {
			t.Errorf("version %s: %v", v, err)
		}
		for _, secret := range []string{testPassword, c.basic()} {
			if strings.Contains(string(got), secret) {
				t.Errorf("version %s: the stream holds %q", v, secret)
			}
		}
		if !bytes.HasPrefix(got, rtcm1005) || !bytes.HasSuffix(got, rtcm1005) || !bytes.Contains(got, []byte("Authorization: Basic ***")) {
			t.Errorf("version %s: %q", v, got)
		}
	}
}

// However the pieces are cut, secrets are overwritten and nothing else is, and
// no piece waits that does not end like a secret.
func TestMask(t *testing.T) {
	target := Target{User: "halfmoon", password: testPassword}
	basic := base64.StdEncoding.EncodeToString([]byte("halfmoon:" + testPassword))
	rng := rand.New(rand.NewPCG(3, 3))
	for range 300 {
		var in, want []byte
		for range rng.IntN(8) {
			n := rng.IntN(40)
			for range n {
				in = append(in, byte(rng.Uint32()))
			}
			want = append(want, in[len(in)-n:]...)
			secret := []string{testPassword, basic, testPassword[:2], testPassword + basic}[rng.IntN(4)]
			in = append(in, secret...)
			if len(secret) > 2 {
				secret = strings.Repeat("*", len(secret))
			}
			want = append(want, secret...)
		}
		var r io.Reader = bytes.NewReader(in)
		switch rng.IntN(3) {
		case 0:
			r = iotest.OneByteReader(r)
		case 1:
			r = iotest.HalfReader(r)
		}
		got, err := io.ReadAll(iotest.OneByteReader(target.mask(r)))
		if err != nil {
			t.Fatal(err)
		}
		for _, secret := range []string{testPassword, basic} {
			if bytes.Contains(got, []byte(secret)) {
				t.Fatalf("%q holds a secret", got)
			}
		}
		// The first two bytes of a secret may have been given before the third came.
		same := len(got) == len(want)
		for i := range min(len(got), len(want)) {
			same = same && (got[i] == want[i] || want[i] == '*' && got[i] == in[i])
		}
		if !same {
			t.Fatalf("%q became %q", in, got)
		}
	}
	// A secret that is cut off at the end of the stream.
	got, _ := io.ReadAll(target.mask(strings.NewReader("data" + basic[:len(basic)-1])))
	if string(got) != "data"+strings.Repeat("*", len(basic)-1) {
		t.Errorf("cut off: %q", got)
	}
	// A piece that does not end like a secret is given at once.
	pr, pw := io.Pipe()
	go pw.Write(rtcm1005)
	b := make([]byte, 100)
	if n, err := target.mask(pr).Read(b); err != nil || n != len(rtcm1005) {
		t.Errorf("%d bytes of a frame, %v", n, err)
	}
	if r := strings.NewReader(""); (Target{}).mask(r) != io.Reader(r) {
		t.Error("a stream without a user goes through the mask")
	}
}
