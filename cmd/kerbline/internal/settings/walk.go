package settings

import (
	"fmt"
	"net/url"
	"reflect"
	"slices"
	"strconv"
	"strings"

	"github.com/pelletier/go-toml/v2/unstable"
)

// walker goes through the syntax tree of one file and collects what is wrong.
type walker struct {
	file  string
	p     unstable.Parser
	found Problems

	markLine int      // of the [[marks]] entry being read, 0 when none is
	markHas  []string // its keys so far
}

// walk checks spelling, types, array lengths and ranges. The second result is
// false when the text is no TOML at all; then nothing is reported here.
func walk(file string, data []byte) (Problems, bool) {
	w := walker{file: file}
	w.p.Reset(data)
	var table []string
	for w.p.NextExpression() {
		e := w.p.Expression()
		switch e.Kind {
		case unstable.Table, unstable.ArrayTable:
			w.endMark()
			var line int
			table, line = w.path(nil, e)
			w.table(table, line, e.Kind == unstable.ArrayTable)
		case unstable.KeyValue:
			w.keyValue(table, e)
		}
	}
	w.endMark()
	return w.found, w.p.Error() == nil
}

// endMark checks that the mark just read has a place: an absent coordinate
// would silently be 0.
func (w *walker) endMark() {
	if w.markLine == 0 {
		return
	}
	for _, k := range markKeys {
		if k.kind() == reflect.Float64 && !slices.Contains(w.markHas, k.Name) {
			w.add(w.markLine, "mark without %s, want %s", last(k.Name), k.want())
		}
	}
	w.markLine, w.markHas = 0, nil
}

func (w *walker) add(line int, format string, args ...any) {
	w.found = append(w.found, Problem{w.file, line, fmt.Sprintf(format, args...)})
}

// path returns the key of e below table, and its line.
func (w *walker) path(table []string, e *unstable.Node) ([]string, int) {
	path, line := append([]string(nil), table...), 0
	for it := e.Key(); it.Next(); {
		n := it.Node()
		path = append(path, string(n.Data))
		line = w.p.Shape(n.Raw).Start.Line
	}
	return path, line
}

func (w *walker) table(path []string, line int, array bool) {
	name := strings.Join(path, ".")
	for _, s := range sections {
		if s != name {
			continue
		}
		if array != (s == marksName) {
			want := "[" + s + "]"
			if s == marksName {
				want = "[[" + s + "]]"
			}
			w.add(line, "table %q, want %s", name, want)
		} else if array {
			w.markLine = line
		}
		return
	}
	near, _, _ := strings.Cut(nearest(name), ".")
	w.add(line, "unknown table %q, did you mean %q?", name, near)
}

func (w *walker) keyValue(table []string, e *unstable.Node) {
	path, line := w.path(table, e)
	v := e.Value()
	name := strings.Join(path, ".")
	k := byName[name]
	if v.Kind == unstable.InlineTable && k == nil {
		for it := v.Children(); it.Next(); {
			w.keyValue(path, it.Node())
		}
		return
	}
	if name == marksName && v.Kind == unstable.Array {
		for it := v.Children(); it.Next(); {
			if it.Node().Kind != unstable.InlineTable {
				w.add(line, "%s holds %s, want tables", name, describe(it.Node()))
				continue
			}
			w.markLine = line
			for in := it.Node().Children(); in.Next(); {
				w.keyValue(path, in.Node())
			}
			w.endMark()
		}
		return
	}
	if k == nil {
		// A key below an unknown table was reported with the table.
		if len(path) < 2 || known(path[0]) {
			w.add(line, "%s", unknownKey(name))
		}
		return
	}
	if w.markLine > 0 {
		w.markHas = append(w.markHas, name)
	}
	n := k.elems()
	if n == 0 {
		w.value(k, line, v)
		return
	}
	if v.Kind != unstable.Array {
		w.add(line, "%s is %s, want %s", name, describe(v), k.want())
		return
	}
	count := 0
	for it := v.Children(); it.Next(); {
		if it.Node().Kind == unstable.Comment {
			continue
		}
		w.value(k, line, it.Node())
		count++
	}
	if count != n {
		w.add(line, "%s holds %d values, want %s", name, count, k.want())
	}
}

func known(table string) bool {
	return slices.Contains(sections, table)
}

// value checks one number or text of key k.
func (w *walker) value(k *Key, line int, v *unstable.Node) {
	ok := false
	switch k.kind() {
	case reflect.Float64:
		ok = v.Kind == unstable.Float || v.Kind == unstable.Integer
	case reflect.Int:
		ok = v.Kind == unstable.Integer
	case reflect.String:
		ok = v.Kind == unstable.String
	}
	if !ok {
		w.add(line, "%s is %s, want %s", k.Name, describe(v), k.want())
		return
	}
	if k.kind() == reflect.String {
		if s := secret(string(v.Data)); s != "" {
			w.add(line, "%s %s", k.Name, s)
		}
		return
	}
	x, err := number(string(v.Data))
	if err != nil {
		w.add(line, "%s is %s, want %s", k.Name, v.Data, k.want())
		return
	}
	if s := k.outside(x); s != "" {
		w.add(line, "%s", s)
	}
}

// number reads a TOML number; whole ones may be written in base 2, 8 or 16.
func number(s string) (float64, error) {
	s = strings.ReplaceAll(s, "_", "")
	if x, err := strconv.ParseFloat(s, 64); err == nil {
		return x, nil
	}
	n, err := strconv.ParseInt(s, 0, 64)
	return float64(n), err
}

// secret says what is wrong when a URL carries a password.
func secret(s string) string {
	if u, err := url.Parse(s); err == nil && u.User != nil {
		if _, has := u.User.Password(); has {
			return "holds a password, want it in the environment only"
		}
	}
	return ""
}

func describe(v *unstable.Node) string {
	switch v.Kind {
	case unstable.String:
		return strconv.Quote(string(v.Data))
	case unstable.Array:
		return "a list"
	case unstable.InlineTable:
		return "a table"
	}
	return string(v.Data)
}
