package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"net"
	"os"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"kerbline/cmd/kerbline/internal/publish"
)

func newListen() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "listen [HOST:PORT]",
		Short: "Reference consumer: hear published verdicts and say USABLE or NOT USABLE",
		Long: `Hear the verdicts that kerbline live --publish sends and print a line for each
change. It is meant to be read (cmd/kerbline/listen.go): the few lines a
controller needs. What is not heard in time means NOT USABLE.`,
		Args: wrong(cobra.MaximumNArgs(1)),
		RunE: func(cmd *cobra.Command, args []string) error {
			addr := publish.DefaultAddr
			if len(args) > 0 {
				addr = strings.TrimPrefix(args[0], "udp://")
			}
			conn, err := net.ListenPacket("udp", addr)
			if err != nil {
				return err
			}
			defer conn.Close()
			go func() { <-cmd.Context().Done(); conn.Close() }()
			return consume(conn, func(usable bool, why string) {
				fmt.Fprintf(cmd.OutOrStdout(), "%s %s\n", map[bool]string{true: "USABLE    ", false: "NOT USABLE"}[usable], why)
			})
		},
	}
	return cmd
}

// consume is the reference consumer. It calls say at each change, first of all
// with "nothing heard", and returns when conn is closed.
//
// The rule: the position is usable from the moment a verdict that says so
// arrives until that verdict's own time is up, and at no other moment. Time is
// measured by our own clock, since the sender's may be another one: a verdict is
// old when it was longer on its way than the quickest by more than it may be.
func consume(conn net.PacketConn, say func(usable bool, why string)) error {
	var (
		buf   = make([]byte, 65536)
		start = time.Now()
		until = start       // end of the last verdict's time
		last  float64       // sender's time of the newest verdict, Unix s
		least = math.Inf(1) // s, shortest way here, give or take the clocks' difference
		heard float64       // s since start, of the last verdict taken
		was   = ""
	)
	for {
		_ = conn.SetReadDeadline(until)
		n, _, err := conn.ReadFrom(buf)
		var v struct {
			T          float64 `json:"t"`
			ValidUntil float64 `json:"valid_until"`
			Verdict    string  `json:"verdict"`
			Advice     string  `json:"advice"`
		}
		now := time.Since(start).Seconds()
		switch {
		case errors.Is(err, net.ErrClosed):
			return nil
		case errors.Is(err, os.ErrDeadlineExceeded):
			v.Verdict, until = "nothing heard", time.Time{} // no deadline: until something comes
		case err != nil || json.Unmarshal(buf[:n], &v) != nil || v.ValidUntil <= v.T:
			continue // rubbish: the time of the last verdict runs on
		default:
			if now-heard > 5 { // after so long, another monitor or another clock
				last, least = 0, math.Inf(1)
			}
			hold, way := v.ValidUntil-v.T, now-v.T
			least = math.Min(least+1e-4*(now-heard), way) // clocks drift apart
			if v.T <= last || way-least > hold {
				continue // repeated, overtaken, or old
			}
			last, heard = v.T, now
			until = start.Add(time.Duration((now + hold) * 1e9))
		}
		if text := v.Verdict + " " + v.Advice; text != was {
			say(v.Verdict == "usable" && v.Advice != "stop", text)
			was = text
		}
	}
}
