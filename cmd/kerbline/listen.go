package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"sync/atomic"

	"github.com/spf13/cobra"

	"kerbline/cmd/kerbline/internal/bus"
	"kerbline/cmd/kerbline/internal/publish"
)

func newListen() *cobra.Command {
	var b busFlags
	var key string
	cmd := &cobra.Command{
		Use:   "listen [HOST:PORT | nats://HOST/CAR]",
		Short: "Reference consumer: hear published verdicts and say USABLE or NOT USABLE",
		Long: `Hear the verdicts that kerbline live --publish sends and print a line for each
change: the word, the advice to obey and the speed cap. It is meant to be read:
cmd/kerbline/internal/publish/rule.go is all that a controller needs. What is
not heard in time means NOT USABLE.

A monitor that starts again is another session. It is taken after 5 s of silence
and only when the controller is disengaged. Here the return key stands for a
controller that disengages; it engages at the first USABLE.`,
		Args: wrong(cobra.MaximumNArgs(1)),
		RunE: func(cmd *cobra.Command, args []string) error {
			addr := publish.DefaultAddr
			if len(args) > 0 {
				addr = args[0]
			}
			l, err := hearFrom(addr, &b, key)
			if err != nil {
				return err
			}
			defer l.Close()
			stop := context.AfterFunc(cmd.Context(), func() { l.Close() })
			defer stop()
			return consume(l, cmd.InOrStdin(), func(d publish.Decision) { fmt.Fprintln(cmd.OutOrStdout(), d) })
		},
	}
	b.watcher(cmd)
	keyFlag(cmd, &key)
	return cmd
}

// hearFrom opens a listener by UDP or on a bus.
func hearFrom(addr string, b *busFlags, keyFile string) (*publish.Listener, error) {
	if !bus.Is(addr) {
		key, err := publish.LoadKey(keyFile)
		if err != nil {
			return nil, usage(err)
		}
		return publish.Listen(addr, key)
	}
	t, err := b.target(addr)
	if err != nil {
		return nil, usage(err)
	}
	return bus.Listen(t)
}

// consume is the reference consumer around the rule. It calls say at each
// change, first of all with what it begins with, and returns when l is closed.
// Each line of confirm says that the controller is disengaged.
func consume(l *publish.Listener, confirm io.Reader, say func(publish.Decision)) error {
	var disengaged atomic.Bool
	disengaged.Store(true) // as a controller starts
	go func() {
		for r := bufio.NewReader(confirm); ; disengaged.Store(true) {
			if _, err := r.ReadString('\n'); err != nil {
				return
			}
		}
	}()
	l.Disengaged = disengaged.Load
	was := ""
	for {
		d := l.Decide(l.Now())
		if d.Usable {
			disengaged.Store(false)
		}
		if text := d.String(); text != was {
			say(d)
			was = text
		}
		_, err := l.Next(context.Background())
		if errors.Is(err, net.ErrClosed) {
			return nil
		}
		if err != nil && !errors.Is(err, publish.ErrSilent) {
			return err
		}
	}
}
