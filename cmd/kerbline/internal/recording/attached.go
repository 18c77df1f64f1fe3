package recording

import "kerbline/cmd/kerbline/internal/recorder"

// Attached returns the settings, the map and the truth that came with the
// recording, byte for byte, under their names in a folder; those that did not
// come are not among them. They are what a copy of the recording needs besides
// its records.
func (r *Recording) Attached() ([]recorder.Attachment, error) {
	var out []recorder.Attachment
	for _, f := range []struct {
		name string
		in   *input
	}{{configFile, r.config}, {courseFile, r.course}, {truthFile, r.truth}} {
		if f.in == nil {
			continue
		}
		data, err := f.in.all()
		if err != nil {
			return nil, err
		}
		out = append(out, recorder.Attachment{Name: f.name, Data: data})
	}
	return out, nil
}
