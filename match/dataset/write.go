package dataset

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"reflect"

	"github.com/pelletier/go-toml/v2"
)

// WriteSettings writes settings as the text of a phototie.toml that reads back as
// the same settings: the keys that differ from their defaults, tables and keys in
// byte order. The same settings give the same bytes. Settings that could not be
// read back, since a path leads out of the folder for instance, are an error.
func WriteSettings(w io.Writer, s Settings) error {
	all, err := keysOf(s)
	if err != nil {
		return err
	}
	defaults, err := parseSettings([]byte("[grid]\ncrs = 'x'\n[points]\nfile = 'x'\n"))
	if err != nil {
		return err
	}
	bare, err := keysOf(defaults)
	if err != nil {
		return err
	}
	// The short text, or else all there is to say.
	short, err := keysOf(s)
	if err != nil {
		return err
	}
	thinOut(short, bare)
	var failed error
	for _, keys := range []map[string]any{short, all} {
		text, err := toml.Marshal(keys)
		if err != nil {
			return err
		}
		back, err := parseSettings(text)
		if err != nil {
			failed = err
			continue
		}
		again, err := keysOf(back)
		if err != nil {
			return err
		}
		if reflect.DeepEqual(all, again) {
			_, err := w.Write(text)
			return err
		}
		failed = errors.New("they do not read back as the same")
	}
	return fmt.Errorf("writing the settings: %w", failed)
}

// keysOf are the settings as the tables, keys and values of TOML.
func keysOf(s Settings) (map[string]any, error) {
	text, err := toml.Marshal(s)
	if err != nil {
		return nil, err
	}
	keys := map[string]any{}
	err = toml.NewDecoder(bytes.NewReader(text)).Decode(&keys)
	return keys, err
}

// thinOut takes out the keys that have their defaults, and those that say
// nothing.
func thinOut(keys, defaults map[string]any) {
	for k, v := range keys {
		d, known := defaults[k]
		table, ok := v.(map[string]any)
		if ok {
			of, _ := d.(map[string]any)
			thinOut(table, of)
			if len(table) == 0 {
				delete(keys, k)
			}
			continue
		}
		list, isList := v.([]any)
		if known && reflect.DeepEqual(v, d) || !known && (v == "" || v == false) || isList && len(list) == 0 {
			delete(keys, k)
		}
	}
}
