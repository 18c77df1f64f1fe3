package badpath

import (
	"bytes"
	"io"
	"net"
	"testing"
	"time"
)

// A stream arrives whole and in order whatever the way does, late, and after a
// partition only.
func TestTCP(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	p := TCP(t, 1, l.Addr().String())
	p.Set(Faults{Delay: 10 * time.Millisecond, Jitter: 20 * time.Millisecond, Loss: 0.3, Stall: 30 * time.Millisecond})
	c, err := net.Dial("tcp", p.Addr)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	far, err := l.Accept()
	if err != nil {
		t.Fatal(err)
	}
	defer far.Close()
	var sent []byte
	began := time.Now()
	for i := range 50 {
		b := bytes.Repeat([]byte{byte(i)}, 100)
		sent = append(sent, b...)
		if _, err := c.Write(b); err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Millisecond)
		if i == 20 {
			p.Part()
		}
	}
	got := make([]byte, len(sent))
	far.SetReadDeadline(time.Now().Add(200 * time.Millisecond))
	n, err := io.ReadFull(far, got)
	if err == nil || n >= len(sent) {
		t.Fatalf("%d bytes of %d while parted, %v", n, len(sent), err)
	}
	p.Heal()
	far.SetReadDeadline(time.Now().Add(time.Minute))
	if _, err := io.ReadFull(far, got[n:]); err != nil || !bytes.Equal(got, sent) {
		t.Errorf("%v: what came is not what was sent", err)
	}
	if d := time.Since(began); d < 10*time.Millisecond {
		t.Errorf("after %v already", d)
	}
	c.Close()
	if _, err := far.Read(got); err == nil {
		t.Error("the far end is not closed with the near one")
	}
}

// Datagrams are lost, doubled and overtaken in about the share asked for, none comes
// while parted, and none of those later.
func TestUDP(t *testing.T) {
	far, err := net.ListenPacket("udp4", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer far.Close()
	p := UDP(t, 1, far.LocalAddr().String())
	p.Set(Faults{Jitter: 50 * time.Millisecond, Loss: 0.3, Double: 0.3})
	c, err := net.Dial("udp4", p.Addr)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	const n = 200
	for i := range n {
		c.Write([]byte{byte(i)})
		time.Sleep(time.Millisecond)
	}
	time.Sleep(20 * time.Millisecond)
	p.Part()
	c.Write([]byte{255})
	time.Sleep(20 * time.Millisecond)
	p.Heal()
	count := map[byte]int{}
	overtaken, last := 0, byte(0)
	b := make([]byte, 10)
	for {
		far.SetReadDeadline(time.Now().Add(500 * time.Millisecond))
		if _, _, err := far.ReadFrom(b); err != nil {
			break
		}
		if count[b[0]]++; b[0] < last {
			overtaken++
		}
		last = b[0]
	}
	doubled := 0
	for _, k := range count {
		if k == 2 {
			doubled++
		}
	}
	if lost := n - len(count); lost < 30 || lost > 90 || doubled < 20 || doubled > 70 || overtaken < 20 || count[255] > 0 {
		t.Errorf("of %d %d lost, %d doubled, %d overtaken, %d of the partition", n, lost, doubled, overtaken, count[255])
	}
}
