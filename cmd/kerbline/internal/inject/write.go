package inject

import (
	"bufio"
	"bytes"
	"encoding/hex"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"

	"kerbline/fixtures/faults"
	"kerbline/fusion"
	"kerbline/gnss/nmea"
)

// Names of the files of a recording's folder that Write makes.
const (
	nmeaFile         = "nmea.log"
	correctionsFile  = "corrections.csv"
	observationsFile = "observations.csv"
	imuFile          = "imu.csv"
	wheelFile        = "wheel.csv"
	truthFile        = "truth.csv"
	labelsFile       = "labels.json"
)

// File is a small file that belongs to a recording.
type File struct {
	Name string
	Data []byte
}

// Write writes the recording as files into the folder dir, which it makes;
// every sentence gets a TAG block with its host time where it has none. others
// (map, settings, truth) are written beside them as they are, but that truth.csv
// follows steps of the clock. A folder that holds a recording already is refused.
func (r *Result) Write(dir string, others []File) error {
	if _, err := os.Stat(filepath.Join(dir, nmeaFile)); !errors.Is(err, os.ErrNotExist) {
		return fmt.Errorf("inject: %s holds a recording already, want a new folder", dir)
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return fmt.Errorf("inject: %w", err)
	}
	var n [fusion.NumChannels]int
	for i := range r.Records {
		n[r.Records[i].Channel]++
	}
	for _, f := range []struct {
		name, head string
		c          fusion.Channel
		form       func(dst []byte, rec *fusion.Record) []byte
	}{
		{nmeaFile, "", fusion.ChanNMEA, tagged},
		{correctionsFile, "t,hex\n", fusion.ChanCorrections, hexLine},
		{observationsFile, "t,hex\n", fusion.ChanObservations, hexLine},
		{imuFile, "t,wx,wy,wz,fx,fy,fz\n", fusion.ChanIMU, plain},
		{wheelFile, "t,v\n", fusion.ChanWheel, plain},
	} {
		if n[f.c] == 0 && f.c != fusion.ChanNMEA {
			continue
		}
		if err := r.writeChannel(filepath.Join(dir, f.name), f.head, f.c, f.form); err != nil {
			return fmt.Errorf("inject: %w", err)
		}
	}
	out, err := os.Create(filepath.Join(dir, labelsFile))
	if err != nil {
		return fmt.Errorf("inject: %w", err)
	}
	if err := errors.Join(r.Labels.Write(out, r.Start), out.Close()); err != nil {
		return fmt.Errorf("inject: %s: %w", out.Name(), err)
	}
	for _, f := range others {
		b := f.Data
		if f.Name == truthFile {
			b = r.retimeTruth(b)
		}
		if err := os.WriteFile(filepath.Join(dir, filepath.Base(f.Name)), b, 0o600); err != nil {
			return fmt.Errorf("inject: %w", err)
		}
	}
	return nil
}

func (r *Result) writeChannel(path, head string, c fusion.Channel, form func(dst []byte, rec *fusion.Record) []byte) error {
	out, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	w := bufio.NewWriterSize(out, 1<<16)
	// A recording's own header line passes through as its first record.
	var buf []byte
	first := true
	for i := range r.Records {
		rec := &r.Records[i]
		if rec.Channel != c {
			continue
		}
		if first && !bytes.HasPrefix(rec.Data, []byte("t,")) {
			w.WriteString(head)
		}
		first = false
		buf = form(buf[:0], rec)
		w.Write(buf)
	}
	return errors.Join(w.Flush(), out.Close())
}

// tagged is one sentence with its TAG block, and a line end.
func tagged(dst []byte, rec *fusion.Record) []byte {
	b := rec.Data
	if len(b) > 0 && b[0] == '$' {
		dst = nmea.AppendTag(dst, int64(math.Round(rec.T*1000)), nil)
	}
	dst = append(dst, b...)
	if len(b) > 0 && (b[0] == '$' || b[0] == '\\') && b[len(b)-1] != '\n' {
		dst = append(dst, "\r\n"...)
	}
	return dst
}

func hexLine(dst []byte, rec *fusion.Record) []byte {
	dst = strconv.AppendFloat(dst, rec.T, 'f', 6, 64)
	dst = append(dst, ',')
	dst = hex.AppendEncode(dst, rec.Data)
	return append(dst, '\n')
}

func plain(dst []byte, rec *fusion.Record) []byte {
	dst = append(dst, rec.Data...)
	if n := len(dst); n > 0 && dst[n-1] != '\n' {
		dst = append(dst, '\n')
	}
	return dst
}

// retimeTruth moves the column t along with the clock.
func (r *Result) retimeTruth(b []byte) []byte {
	if !slices.ContainsFunc(r.host, func(f faults.Fault) bool { return f.Kind == faults.Clock }) {
		return b
	}
	head, rows, _ := bytes.Cut(b, []byte{'\n'})
	col := -1
	for i, h := range bytes.Split(bytes.TrimSpace(head), []byte{','}) {
		if string(bytes.ToLower(bytes.TrimSpace(h))) == "t" {
			col = i
		}
	}
	if col < 0 {
		return b
	}
	out := append(bytes.Clone(head), '\n')
	for len(rows) > 0 {
		var line []byte
		line, rows, _ = bytes.Cut(rows, []byte{'\n'})
		f := bytes.Split(line, []byte{','})
		if col < len(f) {
			if t, err := strconv.ParseFloat(string(f[col]), 64); err == nil {
				f[col] = strconv.AppendFloat(nil, r.HostTime(t), 'f', 6, 64)
			}
		}
		out = append(append(out, bytes.Join(f, []byte{','})...), '\n')
	}
	return out
}
