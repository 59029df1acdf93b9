package geotag

import (
	"encoding/json"
	"errors"
	"testing"
)

func TestMeaningText(t *testing.T) {
	for _, m := range []Meaning{SubjectPosition, CameraPosition} {
		text, err := json.Marshal(Edit{Meaning: m})
		if err != nil {
			t.Fatal(err)
		}
		var back Edit
		if err := json.Unmarshal(text, &back); err != nil || back.Meaning != m {
			t.Errorf("%v came back from %s as %v, %v", m, text, back.Meaning, err)
		}
	}
	if _, err := Meaning(7).MarshalText(); !errors.Is(err, ErrEdit) {
		t.Errorf("Meaning(7): %v", err)
	}
	if err := new(Meaning).UnmarshalText([]byte("both")); !errors.Is(err, ErrEdit) {
		t.Errorf("both: %v", err)
	}
}
