//go:build linux

package main

import (
	"net"
	"path/filepath"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"kerbline/cmd/kerbline/internal/dropouts"
	"kerbline/fusion"
	"kerbline/gnss/geodesy"
	"kerbline/gnss/rtcm"
)

// The base's end: it says what the base sends and that it stopped, and its record
// holds marks of life, and an end where a person stopped it but none where the power
// went.
func TestBase(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	var silent atomic.Bool
	go func() {
		arp := geodesy.LLA{Lat: 0.8, Lon: 0.2, H: 100}.ECEF()
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go func() {
				for i := 0; ; i++ {
					time.Sleep(200 * time.Millisecond)
					if silent.Load() {
						continue
					}
					at := rtcm.MSM{System: rtcm.GPS, Type: 7, Station: 7, EpochMs: int64(i) * 200, Sats: []int{3, 9, 14, 22}, Signals: []int{2}}
					if _, err := c.Write(append(rtcm.EncodeMSM(at), rtcm.EncodeBase(1005, 7, arp, 0)...)); err != nil {
						return
					}
				}
			}()
		}
	}()
	for _, sig := range []syscall.Signal{syscall.SIGTERM, syscall.SIGKILL} {
		path := filepath.Join(t.TempDir(), "base.mcap")
		p := start(t, "base", "--corrections", "tcp://"+l.Addr().String(), "--record", path)
		p.until("sends 1005 1077")
		silent.Store(true)
		p.until("SILENT")
		silent.Store(false)
		time.Sleep(1500 * time.Millisecond)
		p.Process.Signal(sig)
		p.Wait()
		list, _ := recorded(t, path)
		frames, alive, ended := 0, 0, false
		for _, r := range list {
			switch {
			case r.Channel == fusion.ChanCorrections:
				frames++
			case r.Channel == fusion.ChanNote && string(r.Data) == dropouts.NoteAlive:
				alive++
			case r.Channel == fusion.ChanNote && string(r.Data) == dropouts.NoteEnded:
				ended = true
			}
		}
		if span := list[len(list)-1].T - list[0].T; frames < 5 || float64(alive) < span-1.5 || ended != (sig == syscall.SIGTERM) {
			t.Errorf("%v: %d chunks, %d marks of life in %.1f s, ended %v\n%s", sig, frames, alive, span, ended, p.said())
		}
	}
	for _, tt := range []struct{ args, want string }{
		{"base", "nothing to watch, want --corrections"},
		{"base --corrections tcp://nowhere", "tcp://"},
		{"base --corrections - --record x.csv", "ends in .mcap"},
		{"dropouts ../../shared/none --base x", "none"},
	} {
		if code, _, errOut := kerbline(t, strings.Fields(tt.args)...); code == exitDone || !strings.Contains(errOut, tt.want) {
			t.Errorf("%s: %d, %s", tt.args, code, errOut)
		}
	}
}
