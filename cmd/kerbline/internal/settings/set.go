package settings

import (
	"bytes"
	"fmt"
	"reflect"
	"strings"

	"github.com/pelletier/go-toml/v2"

	"kerbline/fusion"
)

// Set changes one key, written as in the file but dotted: "tests.dwell_s=2",
// "vehicle.antenna_m=[0.5, 0, 0.9]". Text needs no quotes. On an error f is as
// it was.
func (f *File) Set(assignment string) error {
	name, value, ok := strings.Cut(assignment, "=")
	name, value = strings.TrimSpace(name), strings.TrimSpace(value)
	if !ok {
		return fmt.Errorf("settings: %q, want key=value", assignment)
	}
	k := byName[name]
	if k == nil || section(name) == marksName {
		return fmt.Errorf("settings: %s", unknownKey(name))
	}
	if k.kind() == reflect.String && !strings.HasPrefix(value, `"`) {
		value = quote(value)
	}
	doc := []byte(name + " = " + value)
	bad := fmt.Errorf("settings: %s is %q, want %s", name, value, k.want())
	if bytes.ContainsAny(doc, "\n\r") {
		return bad // a second line would be a second key
	}
	found, syntaxOK := walk("", doc)
	if !syntaxOK {
		return bad
	}
	if len(found) > 0 {
		return fmt.Errorf("settings: %s", found[0].Text)
	}
	changed := *f
	if err := toml.NewDecoder(bytes.NewReader(doc)).DisallowUnknownFields().Decode(&changed); err != nil {
		return bad
	}
	if ps := plausible("", &changed.Config); len(ps) > 0 {
		return fmt.Errorf("settings: %s", ps[0].Text)
	}
	*f = changed
	return nil
}

// Get returns the value of a key as the settings file has it; "" for a key that
// does not exist.
func (f *File) Get(name string) string {
	k := byName[name]
	if k == nil || section(name) == marksName {
		return ""
	}
	return format(reflect.ValueOf(f).Elem().FieldByIndex(k.index))
}

// Take changes settings for one run alone: "key = value, key = value". What is taken
// stands in Taken. On an error f is as it was.
func (f *File) Take(list string) error {
	tried := *f
	for _, a := range fusion.Assignments(list) {
		if err := tried.Set(a); err != nil {
			return err
		}
	}
	return f.Config.Take(list)
}
