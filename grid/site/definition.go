package site

import (
	"bytes"
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"reflect"
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

// siteToBase returns the transform from the site to the base grid, whichever way
// the parameters lead.
func (d *Definition) siteToBase() Affine {
	var a Affine
	switch {
	case d.Similarity != nil:
		a = d.Similarity.Affine()
	case d.Affine != nil:
		a = *d.Affine
	default:
		return d.GroundScale.Affine()
	}
	if d.Direction == BaseToSite {
		return a.Inverted()
	}
	return a
}

// Validate reports what keeps the definition from being one: no name, no unit,
// no transform or more than one, no direction, useless parameters.
func (d Definition) Validate() error {
	fail := func(err error) error { return fmt.Errorf("site system %q: %w", d.Name, err) }
	if strings.TrimSpace(d.Name) == "" {
		return errors.New("site system: give it a name")
	}
	if !grid.Finite(d.Unit.Metres) || d.Unit.Metres < 1e-4 || d.Unit.Metres > 1e4 {
		return fail(fmt.Errorf("unit %q of %v metres: want the length of one unit of the site coordinates, such as 0.3048", d.Unit.Name, d.Unit.Metres))
	}
	if err := cmp.Or(d.checkTransform(), d.checkHeights(), d.checkAccuracies("", d.Accuracy, d.Precision), d.checkAccuracies("height_", d.HeightAccuracy, d.HeightPrecision)); err != nil {
		return fail(err)
	}
	return nil
}

func (d Definition) checkTransform() error {
	var errs []error
	if d.Similarity != nil {
		errs = append(errs, d.Similarity.validate())
	}
	if d.Affine != nil {
		errs = append(errs, d.Affine.validate())
	}
	if d.GroundScale != nil {
		errs = append(errs, d.GroundScale.validate())
	}
	switch {
	case len(errs) != 1:
		return fmt.Errorf("%d transforms: want exactly one of similarity, affine and ground_scale", len(errs))
	case d.Direction == BaseToSite && d.GroundScale != nil:
		return fmt.Errorf("direction %q: a ground scale always leads from the site to the base; its fields say which is which", d.Direction)
	case d.Direction == "" && d.GroundScale == nil:
		return fmt.Errorf("no direction: say whether the parameters lead %q or %q", SiteToBase, BaseToSite)
	case d.Direction != "" && d.Direction != SiteToBase && d.Direction != BaseToSite:
		return fmt.Errorf("direction %q: want %q or %q", d.Direction, SiteToBase, BaseToSite)
	}
	return errs[0]
}

func (d Definition) checkHeights() error {
	if d.Vertical != nil {
		return d.Vertical.validate()
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
	if p != nil && (!grid.Finite(p.Centre.E, p.Centre.N, p.AtCentre, p.EE, p.EN, p.NN) || p.EE < 0 || p.NN < 0) {
		return fmt.Errorf("%sprecision: want numbers, and ee and nn 0 or more", key)
	}
	return nil
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
func (d *Definition) UnmarshalJSON(data []byte) error { return strict(data, d) }

// UnmarshalJSON reads the four parameters; each must be there.
func (s *Similarity) UnmarshalJSON(data []byte) error { return strict(data, s) }

// UnmarshalJSON reads the six parameters; each must be there.
func (a *Affine) UnmarshalJSON(data []byte) error { return strict(data, a) }

// UnmarshalJSON reads the two origins and the combined factor, which must be
// there, and the unit ratio.
func (g *GroundScale) UnmarshalJSON(data []byte) error { return strict(data, g) }

// UnmarshalJSON reads the parts; each must be there.
func (p *Precision) UnmarshalJSON(data []byte) error { return strict(data, p) }

// UnmarshalJSON reads the offset, which must be there, and the slopes and their
// origin: all three or none.
func (v *Vertical) UnmarshalJSON(data []byte) error {
	if f, err := fields(data); err == nil && len(f) == 1 && f["offset"] != nil {
		*v = Vertical{}
		return json.Unmarshal(f["offset"], &v.Offset)
	}
	return strict(data, v)
}

// strict decodes an object into a struct. Every key must be there but for those
// that may be omitted, letter by letter, and no other.
func strict(data []byte, v any) error {
	into := reflect.ValueOf(v).Elem()
	var keys []string
	at := map[string]reflect.StructField{}
	for f := range into.Type().Fields() {
		key, _, _ := strings.Cut(f.Tag.Get("json"), ",")
		keys, at[key] = append(keys, key), f
	}
	raw, err := fields(data)
	if err != nil {
		return fmt.Errorf("%w with %s", err, strings.Join(keys, ", "))
	}
	for _, key := range slices.Sorted(maps.Keys(raw)) {
		if !slices.Contains(keys, key) {
			return fmt.Errorf("key %q is not known here: want %s", key, strings.Join(keys, ", "))
		}
	}
	for _, key := range keys {
		text, there := raw[key]
		switch {
		case string(text) == "null":
			return fmt.Errorf("%s is null: give a value or leave it out", key)
		case there:
			if err := decode(text, into.FieldByIndex(at[key].Index).Addr().Interface()); err != nil {
				return fmt.Errorf("%s: %w", key, err)
			}
		case !strings.HasSuffix(at[key].Tag.Get("json"), ",omitempty"):
			return fmt.Errorf("%q is missing", key)
		}
	}
	return nil
}

func decode(text json.RawMessage, v any) error {
	switch v := v.(type) {
	case *grid.EN:
		return strict(text, v)
	case *grid.Unit:
		return decodeUnit(text, v)
	}
	return json.Unmarshal(text, v)
}

// decodeUnit reads a symbol or a name, or an object that has the length at least.
func decodeUnit(text json.RawMessage, u *grid.Unit) error {
	var s string
	if json.Unmarshal(text, &s) == nil {
		for _, known := range []grid.Unit{grid.Metre, grid.Foot, grid.USSurveyFoot} {
			if s == known.Symbol || s == known.Name {
				*u = known
				return nil
			}
		}
		return fmt.Errorf("unit %q: want m, ft, ftUS, or an object with name, symbol and metres", s)
	}
	var own struct {
		Name   string  `json:"name,omitempty"`
		Symbol string  `json:"symbol,omitempty"`
		Metres float64 `json:"metres"`
	}
	err := strict(text, &own)
	*u = grid.Unit(own)
	return err
}

// fields splits a JSON object, in which no key comes twice.
func fields(data []byte) (map[string]json.RawMessage, error) {
	dec := json.NewDecoder(bytes.NewReader(data))
	if tok, err := dec.Token(); err != nil || tok != json.Delim('{') {
		return nil, cmp.Or(err, errors.New("want an object"))
	}
	out := map[string]json.RawMessage{}
	for dec.More() {
		key, err := dec.Token()
		if err != nil {
			return nil, err
		}
		name := fmt.Sprint(key)
		if _, twice := out[name]; twice {
			return nil, fmt.Errorf("key %q comes twice", name)
		}
		var value json.RawMessage
		if err := dec.Decode(&value); err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
		out[name] = value
	}
	return out, nil
}
