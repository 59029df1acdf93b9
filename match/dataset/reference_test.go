package dataset

import (
	"reflect"
	"slices"
	"strings"
	"testing"
)

// The reference has every key that Settings have, and no other, in their order.
func TestReferenceIsComplete(t *testing.T) {
	var want []string
	var walk func(prefix string, typ reflect.Type)
	walk = func(prefix string, typ reflect.Type) {
		for _, f := range reflect.VisibleFields(typ) {
			name, _, _ := strings.Cut(f.Tag.Get("toml"), ",")
			if name == "" || name == "-" {
				continue
			}
			key, inner := prefix+name, f.Type
			if inner.Kind() == reflect.Pointer {
				inner = inner.Elem()
			}
			switch {
			case key == "photo_requirements.codes": // as default
			case inner.Kind() == reflect.Struct:
				if key == "photo_requirements" {
					want = append(want, "["+key+"]")
				}
				walk(key+".", inner)
			case inner.Kind() == reflect.Map:
				want = append(want, "["+key+"]")
			default:
				want = append(want, key)
			}
		}
	}
	walk("", reflect.TypeFor[Settings]())
	var got []string
	for _, s := range Reference {
		got = append(got, s.Key)
		if s.Default == "" || s.Help == "" {
			t.Errorf("%s is not explained", s.Key)
		}
	}
	slices.Sort(got)
	slices.Sort(want)
	if !slices.Equal(got, want) {
		t.Errorf("the reference has\n%s\nthe settings have\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}
