//go:build linux

package main

import (
	"bytes"
	"net"
	"path/filepath"
	"syscall"
	"testing"

	"kerbline/fusion"
	"kerbline/gnss/rtcm"
)

// The second port of a receiver: its observations are heard beside the sentences, and
// recorded byte by byte on a channel of their own.
func TestLiveObservations(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	var sent []byte
	for i := range 20 {
		sent = append(sent, rtcm.EncodeMSM(rtcm.MSM{System: rtcm.GPS, Type: 7, EpochMs: int64(i) * 200, Sats: []int{3, 9, 14, 22}, Signals: []int{2}})...)
	}
	go func() {
		c, err := l.Accept()
		if err != nil {
			return
		}
		defer c.Close()
		c.Write(sent)
		c.Read(make([]byte, 1)) // until the program hangs up
	}()
	port := receiver(t)
	path := filepath.Join(t.TempDir(), "run.mcap")
	p := start(t, "live", "--gnss", "serial://"+port.Path, "--observations", "tcp://"+l.Addr().String(), "--record", path, "--plain")
	p.until("observations: connected to")
	got := func() (b []byte) {
		list, _ := recorded(t, path)
		for _, r := range list {
			if r.Channel == fusion.ChanObservations {
				b = append(b, r.Data...)
			}
		}
		return b
	}
	p.until("recording: to " + path)
	eventually(t, "all of the observations", func() bool { return len(got()) >= len(sent) })
	p.Process.Signal(syscall.SIGTERM)
	p.Wait()
	if !bytes.Equal(got(), sent) {
		t.Errorf("%d bytes recorded, want the %d that were sent", len(got()), len(sent))
	}
}
