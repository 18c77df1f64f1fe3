package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"time"

	"github.com/spf13/cobra"

	"kerbline/cmd/kerbline/internal/bus"
	"kerbline/cmd/kerbline/internal/wall"
	"kerbline/gnss/geodesy"
)

func newWall() *cobra.Command {
	var (
		b              busFlags
		listen, course string
		remote         bool
	)
	cmd := &cobra.Command{
		Use:   "wall nats://HOST[/CAR]",
		Short: "A page for a browser or a phone: every car on a bus, read-only, and /metrics",
		Long: `Serve a page that shows every car on a bus, or one: the word, the advice, the
cap, the countdown, the reasons, the map. It is read-only, needs nothing from
outside, and says itself when it hears nothing. /metrics gives figures in the
open metrics text format.`,
		Example: `  kerbline wall nats://pit@car.local --listen 127.0.0.1:8090 --course track.geojson`,
		Args:    wrong(cobra.ExactArgs(1)),
		RunE: func(cmd *cobra.Command, args []string) error {
			t, err := b.target(args[0])
			if err != nil {
				return usage(err)
			}
			crs, _, err := loadCourse(course)
			if err != nil {
				return usage(err)
			}
			var line []geodesy.LLA
			if crs != nil {
				frame := geodesy.NewFrame(crs.Origin())
				crs.Bind(frame)
				for _, p := range crs.Vertices() {
					line = append(line, frame.ToLLA(p))
				}
			}
			l, err := wallAt(listen, remote)
			if err != nil {
				return usage(err)
			}
			defer l.Close()
			w, err := bus.Watch(t)
			if err != nil {
				return err
			}
			defer w.Close()
			fmt.Fprintf(cmd.ErrOrStderr(), "kerbline: wall at http://%s/\n", l.Addr())
			return serveWall(cmd.Context(), l, wall.New(line), w)
		},
	}
	b.watcher(cmd)
	f := cmd.Flags()
	f.StringVar(&listen, "listen", "127.0.0.1:8090", "where the page is served, host:port")
	f.StringVar(&course, "course", "", "map: GeoJSON line")
	f.BoolVar(&remote, "publish-remote", false, "allow --listen on addresses that other computers reach: whoever reaches it may look")
	return cmd
}

// wallAt listens at an address that only this computer reaches, or with remote at
// any.
func wallAt(addr string, remote bool) (net.Listener, error) {
	l, err := net.Listen("tcp", addr)
	if err != nil {
		return nil, fmt.Errorf("wall: %w, want a free host:port such as 127.0.0.1:8090", err)
	}
	if a, ok := l.Addr().(*net.TCPAddr); ok && !a.IP.IsLoopback() && !remote {
		l.Close()
		return nil, fmt.Errorf("wall: %s is not this computer alone, want a loopback address, or --publish-remote where others may look", addr)
	}
	return l, nil
}

// serveWall serves the wall until ctx ends.
func serveWall(ctx context.Context, l net.Listener, page *wall.Wall, w *bus.Watcher) error {
	srv := &http.Server{Handler: page.Handler(), ReadHeaderTimeout: 5 * time.Second, MaxHeaderBytes: 16 << 10, BaseContext: func(net.Listener) context.Context { return ctx }}
	served := make(chan error, 1)
	go func() { served <- srv.Serve(l) }()
	defer srv.Close()
	for {
		page.Bus(w.Words())
		c, cancel := context.WithTimeout(ctx, time.Second)
		h, err := w.Next(c)
		cancel()
		switch {
		case ctx.Err() != nil:
			return nil
		case err == nil:
			known := page.Knows(h.Car)
			if page.Hear(h); !known && page.Knows(h.Car) {
				go func() { page.Past(h.Car, w.Past(ctx, h.Car)) }()
			}
		case !errors.Is(err, context.DeadlineExceeded):
			return err
		}
		select {
		case err := <-served:
			return err
		default:
		}
	}
}
