package site

import (
	"bytes"
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"

	"example.com/phototie/grid"
)

// Direction says which way the parameters of a similarity or an affine
// transform lead. Published site systems come in both, and the one taken for the
// other is off by twice the rotation.
type Direction string

const (
	// SiteToBase parameters have the site as source and the base grid as target.
	SiteToBase Direction = "site-to-base"
	// BaseToSite parameters have the base grid as source and the site as target.
	BaseToSite Direction = "base-to-site"
)

// Definition describes a site system on a projected base grid. It is a plain
// value; ParseDefinition reads it from JSON and json.Marshal writes it.
type Definition struct {
	// Name names the system, for instance "Port Velland quay grid".
	Name string `json:"name"`
	// Unit is the unit of site coordinates; it may differ from the base's.
	Unit grid.Unit `json:"unit"`
	// Direction is the direction of Similarity and Affine, which need it. A
	// GroundScale always leads from the site to the base.
	Direction Direction `json:"direction,omitempty"`
	// Exactly one of these three is set.
	Similarity  *Similarity  `json:"similarity,omitempty"`
	Affine      *Affine      `json:"affine,omitempty"`
	GroundScale *GroundScale `json:"ground_scale,omitempty"`
	// Vertical ties the heights; nil where the site has none of its own.
	Vertical *Vertical `json:"vertical,omitempty"`
	// Accuracy is how good a position transformed between the site and the base is,
	// in metres whatever the units, with the meaning that operations have for
	// theirs; nil where it is not stated. ToGrid adds it to the accuracy of the
	// base's operation.
	Accuracy *float64 `json:"accuracy_m,omitempty"`
	// HeightAccuracy is the same for heights through Vertical, in metres.
	HeightAccuracy *float64 `json:"height_accuracy_m,omitempty"`
	// Precision and HeightPrecision are those of a fit, Fit.Precision; they serve
	// where no accuracy is stated, each place with its own.
	Precision       *Precision `json:"precision,omitempty"`
	HeightPrecision *Precision `json:"height_precision,omitempty"`
	// Remarks say where the parameters come from.
	Remarks string `json:"remarks,omitempty"`
}

// SiteToBase returns the definition's transform in the direction from the site
// to the base grid, whichever way its parameters lead.
func (d Definition) SiteToBase() (Transform, error) {
	if err := d.Validate(); err != nil {
		return nil, err
	}
	t := d.transforms()[0]
	if d.Direction != BaseToSite {
		return t, nil
	}
	if d.Affine != nil {
		return d.Affine.Inverted(), nil
	}
	return d.Similarity.Inverted(), nil
}

// Validate reports what keeps the definition from being one: no name, no unit,
// no transform or more than one, no direction, useless parameters.
func (d Definition) Validate() error {
	fail := func(err error) error { return fmt.Errorf("site system %q: %w", d.Name, err) }
	if strings.TrimSpace(d.Name) == "" {
		return errors.New("site system: give it a name")
	}
	if !finite(d.Unit.Metres) || d.Unit.Metres < 1e-4 || d.Unit.Metres > 1e4 {
		return fail(fmt.Errorf("unit %q of %v metres: want the length of one unit of the site coordinates, such as 0.3048", d.Unit.Name, d.Unit.Metres))
	}
	if err := cmp.Or(d.checkTransform(), d.checkHeights(), d.checkAccuracies("", d.Accuracy, d.Precision), d.checkAccuracies("height_", d.HeightAccuracy, d.HeightPrecision)); err != nil {
		return fail(err)
	}
	return nil
}

func (d Definition) checkTransform() error {
	t := d.transforms()
	if len(t) != 1 {
		return fmt.Errorf("%d transforms: want exactly one of similarity, affine and ground_scale", len(t))
	}
	switch {
	case d.Direction == BaseToSite && d.GroundScale != nil:
		return fmt.Errorf("direction %q: a ground scale always leads from the site to the base; its fields say which is which", d.Direction)
	case d.Direction == "" && d.GroundScale == nil:
		return fmt.Errorf("no direction: say whether the parameters lead %q or %q", SiteToBase, BaseToSite)
	case d.Direction != "" && d.Direction != SiteToBase && d.Direction != BaseToSite:
		return fmt.Errorf("direction %q: want %q or %q", d.Direction, SiteToBase, BaseToSite)
	}
	return t[0].Validate()
}

func (d Definition) checkHeights() error {
	if d.Vertical != nil {
		return d.Vertical.Validate()
	}
	if d.HeightAccuracy != nil || d.HeightPrecision != nil {
		return errors.New("height_accuracy_m or height_precision is stated, but there is no vertical part that it belongs to")
	}
	return nil
}

func (Definition) checkAccuracies(key string, a *float64, p *Precision) error {
	if a != nil && !(*a >= 0 && *a <= maxAccuracy) {
		return fmt.Errorf("%saccuracy_m is %v: want metres, from 0 to %d", key, *a, maxAccuracy)
	}
	if p != nil && (!finite(p.Centre.E, p.Centre.N, p.AtCentre, p.EE, p.EN, p.NN) || p.EE < 0 || p.NN < 0) {
		return fmt.Errorf("%sprecision: want numbers, and ee and nn 0 or more", key)
	}
	return nil
}

// transforms are those that are set.
func (d Definition) transforms() []Transform {
	var t []Transform
	if d.Similarity != nil {
		t = append(t, *d.Similarity)
	}
	if d.Affine != nil {
		t = append(t, *d.Affine)
	}
	if d.GroundScale != nil {
		t = append(t, *d.GroundScale)
	}
	return t
}

// maxAccuracy is the worst accuracy in metres that anybody would tie a survey
// with.
const maxAccuracy = 1000

// ParseDefinition reads a Definition from JSON and validates it. It is strict,
// since a parameter that is left out would be taken as 0: every parameter must
// be there, and a key that is not known, or that comes twice, is an error.
// The unit is an object as grid.Unit has it, or one of the symbols m, ft, ftUS.
func ParseDefinition(data []byte) (Definition, error) {
	var d Definition
	if err := json.Unmarshal(data, &d); err != nil {
		return Definition{}, fmt.Errorf("site definition: %w", err)
	}
	if err := d.Validate(); err != nil {
		return Definition{}, err
	}
	return d, nil
}

// UnmarshalJSON reads a definition as ParseDefinition does, without validating it.
func (d *Definition) UnmarshalJSON(data []byte) error {
	var n Definition
	parts := map[string]any{
		"name": &n.Name, "direction": &n.Direction, "similarity": &n.Similarity, "affine": &n.Affine, "ground_scale": &n.GroundScale,
		"vertical": &n.Vertical, "accuracy_m": &n.Accuracy, "height_accuracy_m": &n.HeightAccuracy,
		"precision": &n.Precision, "height_precision": &n.HeightPrecision, "remarks": &n.Remarks,
	}
	f, err := fields(data, []string{"name", "unit"}, slices.Sorted(maps.Keys(parts)))
	if err != nil {
		return err
	}
	for _, key := range slices.Sorted(maps.Keys(f)) {
		if key == "unit" {
			n.Unit, err = parseUnit(f[key])
		} else {
			err = json.Unmarshal(f[key], parts[key])
		}
		if err != nil {
			return fmt.Errorf("%s: %w", key, err)
		}
	}
	*d = n
	return nil
}

func parseUnit(raw json.RawMessage) (grid.Unit, error) {
	var u grid.Unit
	if raw[0] == '"' {
		var s string
		if err := json.Unmarshal(raw, &s); err != nil {
			return u, err
		}
		for _, known := range []grid.Unit{grid.Metre, grid.Foot, grid.USSurveyFoot} {
			if s == known.Symbol || s == known.Name {
				return known, nil
			}
		}
		return u, fmt.Errorf("unit %q: want m, ft, ftUS, or an object with name, symbol and metres", s)
	}
	if _, err := fields(raw, []string{"metres"}, []string{"name", "symbol"}); err != nil {
		return u, err
	}
	err := json.Unmarshal(raw, &u)
	return u, err
}

// UnmarshalJSON reads the four parameters; each must be there.
func (s *Similarity) UnmarshalJSON(data []byte) error {
	type plain Similarity
	return strict(data, (*plain)(s), []string{"target_origin", "scale", "rotation_deg"}, nil)
}

// UnmarshalJSON reads the six parameters; each must be there.
func (a *Affine) UnmarshalJSON(data []byte) error {
	type plain Affine
	return strict(data, (*plain)(a), []string{"a0", "a1", "a2", "b0", "b1", "b2"}, nil)
}

// UnmarshalJSON reads the two origins and the combined factor, which must be
// there, and the unit ratio.
func (g *GroundScale) UnmarshalJSON(data []byte) error {
	type plain GroundScale
	return strict(data, (*plain)(g), []string{"origin", "site_origin", "combined_factor"}, []string{"unit_ratio"})
}

// UnmarshalJSON reads the parts; each must be there.
func (p *Precision) UnmarshalJSON(data []byte) error {
	type plain Precision
	return strict(data, (*plain)(p), []string{"centre", "at_centre_m", "ee", "en", "nn"}, nil)
}

// UnmarshalJSON reads the offset, which must be there, and the slopes and their
// origin: all three or none.
func (v *Vertical) UnmarshalJSON(data []byte) error {
	type plain Vertical
	plane := []string{"slope_e", "slope_n", "origin"}
	f, err := fields(data, []string{"offset"}, plane)
	if err != nil {
		return err
	}
	required := []string{"offset"}
	if len(f) > 1 {
		required = append(required, plane...)
	}
	return strict(data, (*plain)(v), required, nil)
}

// strict decodes an object into v, which has no decoder of its own, after
// checking its keys, and those of the origins in it.
func strict(data []byte, v any, required, optional []string) error {
	f, err := fields(data, required, optional)
	if err != nil {
		return err
	}
	for key, raw := range f {
		if key == "centre" || strings.HasSuffix(key, "origin") {
			if _, err := fields(raw, []string{"e", "n"}, nil); err != nil {
				return fmt.Errorf("%s: %w", key, err)
			}
		}
	}
	return json.Unmarshal(data, v)
}

// fields splits a JSON object. A key that is missing, null, unknown or repeated
// is an error; the names count letter by letter.
func fields(data []byte, required, optional []string) (map[string]json.RawMessage, error) {
	dec := json.NewDecoder(bytes.NewReader(data))
	tok, err := dec.Token()
	if err != nil {
		return nil, err
	}
	if tok != json.Delim('{') {
		return nil, fmt.Errorf("want an object with %s", strings.Join(required, ", "))
	}
	out := map[string]json.RawMessage{}
	for dec.More() {
		tok, err := dec.Token()
		if err != nil {
			return nil, err
		}
		key, ok := tok.(string)
		if !ok {
			return nil, fmt.Errorf("want a key, found %v", tok)
		}
		var raw json.RawMessage
		if err := dec.Decode(&raw); err != nil {
			return nil, fmt.Errorf("%s: %w", key, err)
		}
		if !slices.Contains(required, key) && !slices.Contains(optional, key) {
			return nil, fmt.Errorf("key %q is not known here: want %s", key, strings.Join(append(slices.Clone(required), optional...), ", "))
		}
		if _, twice := out[key]; twice {
			return nil, fmt.Errorf("key %q comes twice", key)
		}
		if string(raw) == "null" {
			return nil, fmt.Errorf("%s is null: give a value or leave it out", key)
		}
		out[key] = raw
	}
	if _, err := dec.Token(); err != nil && err != io.EOF {
		return nil, err
	}
	for _, key := range required {
		if _, ok := out[key]; !ok {
			return nil, fmt.Errorf("%q is missing", key)
		}
	}
	return out, nil
}
