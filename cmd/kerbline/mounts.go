package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"kerbline/gnss/geodesy"
	"kerbline/gnss/ntrip"
	"kerbline/tui"
)

func newMounts() *cobra.Command {
	var (
		near   string
		asJSON bool
	)
	cmd := &cobra.Command{
		Use:   "mounts URL",
		Short: "List the correction streams of an NTRIP caster",
		Long: `Fetch the source table of an NTRIP caster and list its mount points: what they
send, for which constellations, whether they want our position (GGA) or a
password. With --near, the closest base comes first.

The password, where one is needed, is taken from ` + ntrip.PasswordEnv + `.`,
		Example: `  kerbline mounts ntrip://caster.example
  kerbline mounts ntrips://me@caster.example:443 --near 44.291,11.863`,
		Args: wrong(cobra.ExactArgs(1)),
		RunE: func(cmd *cobra.Command, args []string) error {
			target, err := ntrip.Parse(args[0])
			if err != nil {
				return usage(err)
			}
			from, err := position(near)
			if err != nil {
				return usage(err)
			}
			table, err := (&ntrip.Client{Target: target}).Table(cmd.Context())
			if err != nil {
				return err
			}
			rows := make([]mount, 0, len(table.Streams))
			for _, s := range table.Streams {
				rows = append(rows, mount{s, distance(from, s.Lat, s.Lon)})
			}
			if near != "" {
				slices.SortStableFunc(rows, func(a, b mount) int { return compare(a.km, b.km) })
			}
			if asJSON {
				return writeMountsJSON(cmd, rows)
			}
			w := tabwriter.NewWriter(cmd.OutOrStdout(), 0, 0, 2, ' ', 0)
			fmt.Fprintln(w, "MOUNT\tKM\tFORMAT\tSYSTEMS\tGGA\tLOGIN\tPLACE\tMESSAGES")
			for _, m := range rows {
				fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\n", tui.Clean(m.Mount), kilometres(m.km), tui.Clean(m.Format), tui.Clean(m.Systems),
					yes(m.NeedsGGA), login(m.Auth), tui.Clean(m.Identifier), tui.Clean(m.Details))
			}
			if err := w.Flush(); err != nil {
				return err
			}
			if table.Refused > 0 {
				fmt.Fprintf(cmd.ErrOrStderr(), "%d lines of the table are no records and were passed over\n", table.Refused)
			}
			return nil
		},
	}
	cmd.Flags().StringVar(&near, "near", "", "lat,lon in degrees: sort by distance from there")
	cmd.Flags().BoolVar(&asJSON, "json", false, "one JSON object a line")
	return cmd
}

// mount is a stream and how far its base is, km, NaN unknown.
type mount struct {
	ntrip.STR
	km float64
}

// position reads "lat,lon" in degrees.
func position(s string) (p [2]float64, err error) {
	p = [2]float64{math.NaN(), math.NaN()}
	if s == "" {
		return p, nil
	}
	lat, lon, ok := strings.Cut(s, ",")
	for i, v := range []string{lat, lon} {
		x, perr := strconv.ParseFloat(strings.TrimSpace(v), 64)
		if perr != nil || !ok || !(math.Abs(x) <= []float64{90, 180}[i]) {
			return p, errors.New("--near is " + strconv.Quote(s) + ", want lat,lon in degrees, such as 44.291,11.863")
		}
		p[i] = x
	}
	return p, nil
}

// distance returns km along the ground, on a sphere: good enough to choose a
// base by.
func distance(from [2]float64, lat, lon float64) float64 {
	a, b := from[0]*geodesy.Degree, lat*geodesy.Degree
	dLat, dLon := b-a, (lon-from[1])*geodesy.Degree
	h := math.Pow(math.Sin(dLat/2), 2) + math.Cos(a)*math.Cos(b)*math.Pow(math.Sin(dLon/2), 2)
	return 2 * 6371 * math.Asin(math.Min(1, math.Sqrt(h)))
}

// compare sorts unknown distances last.
func compare(a, b float64) int {
	switch {
	case a < b || !math.IsNaN(a) && math.IsNaN(b):
		return -1
	case b < a || math.IsNaN(a) && !math.IsNaN(b):
		return 1
	}
	return 0
}

func kilometres(km float64) string {
	if math.IsNaN(km) {
		return "-"
	}
	return strconv.FormatFloat(km, 'f', 1, 64)
}

func yes(b bool) string {
	if b {
		return "yes"
	}
	return "no"
}

func login(auth string) string {
	switch auth {
	case "N", "":
		return "no"
	case "B":
		return "yes"
	}
	return "yes (digest)"
}

func writeMountsJSON(cmd *cobra.Command, rows []mount) error {
	e := json.NewEncoder(cmd.OutOrStdout())
	num := func(x float64) any {
		if math.IsNaN(x) {
			return nil
		}
		return x
	}
	for _, m := range rows {
		err := e.Encode(map[string]any{"mount": m.Mount, "identifier": m.Identifier, "format": m.Format, "messages": m.Details,
			"systems": m.Systems, "network": m.Network, "country": m.Country, "lat_deg": num(m.Lat), "lon_deg": num(m.Lon),
			"distance_km": num(m.km), "needs_gga": m.NeedsGGA, "networked": m.Networked, "auth": m.Auth, "fee": m.Fee})
		if err != nil {
			return err
		}
	}
	return nil
}
