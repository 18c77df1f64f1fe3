package settings

import (
	"bufio"
	"fmt"
	"io"
	"reflect"
	"strconv"
	"strings"

	"kerbline/fusion"
)

// Print writes f as a settings file in which every key is commented with its
// unit, meaning and the source of its default. Loading it gives f back.
func Print(w io.Writer, f *File) error {
	out := bufio.NewWriter(w)
	fmt.Fprintln(out, "# Settings of kerbline. Every key may be left out; what is left out has the value of `kerbline config`.")
	printKeys(out, f, func(*Key) bool { return true })
	fmt.Fprintf(out, "\n# %s\n", sectionDoc(marksName))
	if len(f.Marks) == 0 {
		fmt.Fprintln(out, "# One such table a mark:\n#")
		printMark(out, "# ", &fusion.Mark{Name: "start"})
	}
	for i := range f.Marks {
		printMark(out, "", &f.Marks[i])
	}
	return out.Flush()
}

// PrintChanged writes only what differs from the defaults, commented in the
// same way. Loading it gives f back.
func PrintChanged(w io.Writer, f *File) error {
	d := Default()
	out := bufio.NewWriter(w)
	fv, dv := reflect.ValueOf(f).Elem(), reflect.ValueOf(&d).Elem()
	printKeys(out, f, func(k *Key) bool { return !fv.FieldByIndex(k.index).Equal(dv.FieldByIndex(k.index)) })
	for i := range f.Marks {
		printMark(out, "", &f.Marks[i])
	}
	return out.Flush()
}

func printKeys(out io.Writer, f *File, keep func(*Key) bool) {
	v, open := reflect.ValueOf(f).Elem(), ""
	for i := range Keys {
		k := &Keys[i]
		if !keep(k) {
			continue
		}
		if sec := section(k.Name); sec != open {
			open = sec
			fmt.Fprintf(out, "\n# %s\n[%s]\n", sectionDoc(sec), sec)
		}
		fmt.Fprintf(out, "%s = %s  # %s\n", last(k.Name), format(v.FieldByIndex(k.index)), k.comment())
	}
}

func printMark(out io.Writer, prefix string, m *fusion.Mark) {
	fmt.Fprintf(out, "%s[[%s]]\n", prefix, marksName)
	v := reflect.ValueOf(m).Elem()
	for i := range markKeys {
		k := &markKeys[i]
		fmt.Fprintf(out, "%s%s = %s  # %s\n", prefix, last(k.Name), format(v.FieldByIndex(k.index)), k.comment())
	}
}

// comment is "unit: meaning (source)".
func (k *Key) comment() string {
	s := k.Doc
	if k.Unit != "" {
		s = k.Unit + ": " + s
	}
	if k.Src != "" {
		s += " (" + k.Src + ")"
	}
	return s
}

func sectionDoc(sec string) string {
	for _, t := range []reflect.Type{reflect.TypeOf(fusion.Config{}), reflect.TypeOf(File{})} {
		for i := 0; i < t.NumField(); i++ {
			if t.Field(i).Tag.Get("toml") == sec {
				return t.Field(i).Tag.Get("doc")
			}
		}
	}
	return sec
}

// format writes a value as TOML that reads back to the same bits.
func format(v reflect.Value) string {
	switch v.Kind() {
	case reflect.Array:
		parts := make([]string, v.Len())
		for i := range parts {
			parts[i] = format(v.Index(i))
		}
		return "[" + strings.Join(parts, ", ") + "]"
	case reflect.Float64:
		s := strconv.FormatFloat(v.Float(), 'g', -1, 64)
		if strings.ContainsAny(s, ".e") {
			return s
		}
		return s + ".0" // a TOML float needs a point or an exponent
	case reflect.String:
		return quote(v.String())
	}
	return fmt.Sprint(v.Interface())
}

// quote writes a TOML basic string; control characters as \uXXXX.
func quote(s string) string {
	var b strings.Builder
	b.WriteByte('"')
	for _, r := range s {
		switch {
		case r == '"' || r == '\\':
			b.WriteByte('\\')
			b.WriteRune(r)
		case r < ' ' || r == 0x7f:
			fmt.Fprintf(&b, "\\u%04X", r)
		default:
			b.WriteRune(r)
		}
	}
	b.WriteByte('"')
	return b.String()
}
