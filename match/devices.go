package match

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	"example.com/phototie/geotag"
)

// Device is what differs from the job's budget for the tags of one device; what is 0 or
// empty is the job's.
type Device struct {
	// These are as in Budget.
	Handheld           float64 `json:"handheld_m,omitempty"`
	HandheldConfidence float64 `json:"handheld_confidence,omitempty"`
	ErrorConfidence    float64 `json:"error_confidence,omitempty"`
	UserRangeError     float64 `json:"user_range_error_m,omitempty"`
	// Datum is the frame that its tags are in though they state WGS 84 or none: that of
	// the corrections that it works with.
	Datum string `json:"datum,omitempty"`
}

// device is what Options.Devices says of the device of a tag: by its serial number,
// else make and model, else model.
func (o *Options) device(t *geotag.Tag) Device {
	for _, name := range []string{t.Serial, strings.TrimSpace(t.Make + " " + t.Model), t.Model} {
		if d, ok := o.Devices[name]; ok && name != "" {
			return d
		}
	}
	return Device{}
}

// BudgetFor is the budget for a tag: with what Devices says of its device.
func (o *Options) BudgetFor(t *geotag.Tag) Budget {
	b := o.Budget
	if b == (Budget{}) {
		b = DefaultBudget()
	}
	if t == nil {
		return b
	}
	d := o.device(t)
	for _, f := range []struct {
		to   *float64
		from float64
	}{{&b.Handheld, d.Handheld}, {&b.HandheldConfidence, d.HandheldConfidence}, {&b.ErrorConfidence, d.ErrorConfidence}, {&b.UserRangeError, d.UserRangeError}} {
		if f.from != 0 {
			*f.to = f.from
		}
	}
	return b
}

// ValidateBudgets is Validate of the budget, and of that of each device.
func (o *Options) ValidateBudgets() error {
	if err := o.Budget.Validate(); err != nil {
		return err
	}
	var errs []error
	for _, name := range slices.Sorted(maps.Keys(o.Devices)) {
		one := Options{Budget: o.Budget, Devices: map[string]Device{name: o.Devices[name]}}
		if err := one.BudgetFor(&geotag.Tag{Model: name}).Validate(); err != nil {
			errs = append(errs, fmt.Errorf("device %q: %w", name, err))
		}
	}
	return errors.Join(errs...)
}

// spelling takes out what datums are spelt with or without.
var spelling = strings.NewReplacer("-", "", " ", "")

// broadcastStated reports whether a tag states WGS 84 or no datum, and was not written
// by a correction: it may be in another frame for all it knows.
func broadcastStated(t *geotag.Tag) bool {
	switch spelling.Replace(strings.ToUpper(t.MapDatum)) {
	case "", "WGS84", "WGS1984":
		return !strings.HasPrefix(t.ProcessingMethod, surveyed)
	}
	return false
}

// differential says by what a tag states that it was corrected by SBAS, a base or a
// network, and no datum of that; empty where it does not. What phones call "network" is a
// position by cells.
func differential(t *geotag.Tag) string {
	if !broadcastStated(t) {
		return ""
	}
	words := strings.FieldsFunc(strings.ToUpper(t.ProcessingMethod), func(r rune) bool { return !(r >= 'A' && r <= 'Z') })
	if slices.ContainsFunc(words, func(w string) bool { return slices.Contains(correctedBy, w) }) {
		return "GPSProcessingMethod " + t.ProcessingMethod
	}
	if t.Differential {
		return "GPSDifferential 1"
	}
	return ""
}

// correctedBy are the names of methods that correct a fix (common practice, no source).
var correctedBy = []string{"DGPS", "DGNSS", "RTK", "NTRIP", "VRS", "SBAS", "WAAS", "EGNOS", "MSAS", "GAGAN"}

// correctedFrame is the datum that a tag is in by the corrections that it was given;
// empty where nothing says so.
func (o *Options) correctedFrame(t *geotag.Tag) string {
	switch d := o.device(t).Datum; {
	case !broadcastStated(t):
	case d != "":
		return d
	case differential(t) != "":
		return o.Differential
	}
	return ""
}

// Assumption is a figure that a budget takes for want of a better one, and where it is
// from.
type Assumption struct {
	// Key names it as the settings do.
	Key   string  `json:"key"`
	Value float64 `json:"value"`
	// Means says how it is read, and Source where that is from.
	Means  string `json:"means"`
	Source string `json:"source"`
}

// Assumptions are those of a budget. Each can be set for the job, and those of the
// handheld for a device (Options.Devices).
func (b Budget) Assumptions() []Assumption {
	return []Assumption{
		{"budget.handheld_m", b.Handheld, "radius in metres of the class of device, for tags that state no error", "4.9 m: smartphones under open sky (van Diggelen and Enge 2015, as quoted by gps.gov); 7 to 13 m on average under trees and beside buildings (Merry and Bettinger 2019)"},
		{"budget.handheld_confidence", b.HandheldConfidence, "the probability that it is the radius of", "0.5: the source states none; taken for the median, which makes 10.2 m at 95 %, and not for a 68 % radius, which would make 7.9 m"},
		{"budget.error_confidence", b.ErrorConfidence, "the probability that GPSHPositioningError is the radius of", "0.6321: the Exif standard states none; taken for the widest of the documented readings, the two-dimensional RMS error (an engineer of Apple, developer forum, thread 699996). Android documents the 68th percentile (Location.getAccuracy), W3C Geolocation asks web apps for 95 %"},
		{"budget.user_range_error_m", b.UserRangeError, "metres, times GPSDOP, for tags that state no error; no tighter than the class of device", "no source: a dilution of 1 makes what the class of device has"},
		{"budget.operation_confidence", b.OperationConfidence, "the probability that an operation's accuracy is the radius of", "0.6827: the EPSG registry states none; the wider of the usual two"},
		{"budget.standoff_m", b.Standoff, "metres from the camera to the point", "common practice, no source"},
	}
}
