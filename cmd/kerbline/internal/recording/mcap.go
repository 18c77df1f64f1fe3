package recording

import (
	"errors"
	"fmt"
	"io"
	"math"
	"strings"

	"kerbline/cmd/kerbline/internal/recorder"
	"kerbline/fusion"
)

// topicPrefix marks a flag's value as the name of a topic in an MCAP file.
const topicPrefix = "topic:"

// openMCAP opens an MCAP file. Settings, course and truth may come from files;
// the inputs of p, where given, name topics.
func openMCAP(path string, p Paths) (*Recording, error) {
	if len(p.Navigation) > 0 {
		return nil, fmt.Errorf("recording: --navigation %s does not go with the MCAP file %s, want it with plain files", p.Navigation[0], path)
	}
	r := &Recording{mcap: path}
	for _, f := range []struct {
		flag, value string
		topic       *string
	}{
		{"--gnss", p.GNSS, &r.topics.NMEA}, {"--corrections", p.Corrections, &r.topics.Corrections},
		{"--observations", p.Observations, &r.topics.Observations},
		{"--imu", p.IMU, &r.topics.IMU}, {"--wheel", p.Wheel, &r.topics.Wheel},
	} {
		if f.value == "" {
			continue
		}
		name, ok := strings.CutPrefix(f.value, topicPrefix)
		if !ok || f.topic == nil {
			return nil, fmt.Errorf("recording: %s %s does not go with the MCAP file %s, want %sNAME of --gnss, --observations, --corrections or --imu, or plain files alone", f.flag, f.value, path, topicPrefix)
		}
		*f.topic = name
	}
	reader, err := recorder.Open(path, r.topics)
	if err != nil {
		return nil, fmt.Errorf("recording: %w, want a folder or an MCAP file (single files go with --gnss, --imu, ...)", err)
	}
	defer reader.Close()
	first, err := reader.Next()
	if err == io.EOF {
		return nil, fmt.Errorf("recording: %s: holds no records, want at least sentences", path)
	}
	if err != nil {
		return nil, err
	}
	r.from, r.to = first.T, math.NaN()
	for _, a := range []struct {
		name, flag, say string
		in              **input
	}{{recorder.SettingsName, p.Config, "--config", &r.config}, {recorder.CourseName, p.Course, "--course", &r.course}, {recorder.TruthName, p.Truth, "--truth", &r.truth}} {
		if data := reader.Attachment(a.name); data != nil {
			*a.in = memoryInput(path+": "+a.name, data)
			(*a.in).attached = true
		} else if err := reader.Lost(a.name); err != nil && a.flag == "" {
			return nil, fmt.Errorf("recording: %w, want %s FILE", err, a.say)
		}
	}
	for _, f := range []struct {
		path string
		in   **input
	}{{p.Truth, &r.truth}, {p.Course, &r.course}, {p.Config, &r.config}} {
		if f.path == "" {
			continue
		}
		if *f.in, err = fileInput(f.path); err != nil {
			return nil, err
		}
	}
	return r, nil
}

// recorded reads an MCAP file: the records of all channels, in order.
type recorded struct {
	*recorder.Reader
	clock
	rec     fusion.Record
	held    bool // rec waits behind ticks
	started bool
	foreign bool // by another program: without ticks
	err     error
}

// openRecorded opens the file of r anew.
func (r *Recording) openRecorded() (*recorded, error) {
	reader, err := recorder.Open(r.mcap, r.topics)
	if err != nil {
		return nil, err
	}
	return &recorded{Reader: reader, foreign: !reader.Own()}, nil
}

// next returns the next record; in a file of another program, with the ticks
// that its silences lack.
func (m *recorded) next(s *Stream) (fusion.Record, bool) {
	if !m.held {
		var err error
		if m.rec, err = m.Reader.Next(); err != nil {
			if !errors.Is(err, io.EOF) {
				m.err = err
			}
			return fusion.Record{}, false
		}
		if !m.started {
			m.start(m.rec.T)
			m.started = true
		}
		m.line(m.rec.T, func() float64 { return m.rec.T })
		m.held = true
	}
	if m.foreign && s.tickBefore(m.key) {
		return s.tickRecord(m.shift), true
	}
	m.held = false
	return m.rec, true
}
