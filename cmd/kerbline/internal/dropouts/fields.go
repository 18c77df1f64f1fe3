package dropouts

import (
	"fmt"
	"io"
	"reflect"
	"strings"
)

// Fields writes every field of the JSON object with its meaning, one a line;
// units are the ends of the names.
func Fields(w io.Writer) error { return fields(w, reflect.TypeFor[Report](), "") }

func fields(w io.Writer, t reflect.Type, under string) error {
	for i := range t.NumField() {
		f := t.Field(i)
		name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
		if name == "" {
			continue
		}
		name = under + name
		elem := f.Type
		if elem.Kind() == reflect.Slice {
			name, elem = name+"[]", elem.Elem()
		}
		if elem.Kind() == reflect.Pointer {
			elem = elem.Elem()
		}
		if _, err := fmt.Fprintln(w, strings.TrimSpace(fmt.Sprintf("%-44s %s", name, f.Tag.Get("doc")))); err != nil {
			return err
		}
		if elem.Kind() == reflect.Struct {
			if err := fields(w, elem, name+"."); err != nil {
				return err
			}
		}
	}
	return nil
}
