package dataset

import (
	"reflect"
	"strings"

	"example.com/phototie/match"
	"example.com/phototie/match/pictures"
	"example.com/phototie/match/walk"
)

// Settings are what phototie.toml says. A key's tag has its default, where it is left
// out, and its meaning with the unit; phototie help settings prints them. A default in
// words is the zero value.
type Settings struct {
	Grid GridSettings `toml:"grid"`
	// Site ties the points' own system to the grid; nil where they are on it.
	Site    *SiteSettings  `toml:"site"`
	Points  PointSettings  `toml:"points"`
	Links   LinkSettings   `toml:"links"`
	Photos  PhotoSettings  `toml:"photos"`
	Frame   FrameSettings  `toml:"frame"`
	Heights HeightSettings `toml:"heights"`
	Ties    TieSettings    `toml:"ties"`
	// Budget starts as match.DefaultBudget.
	Budget   BudgetTable        `toml:"budget"`
	Accuracy map[string]float64 `toml:"accuracy" default:"none" help:"by how many times the errors of a camera's tags are larger than they state, 0.1 to 100: \"QM7-004417\" = 1.7. Cameras go by serial number, else by make and model"`
	// Requirements are nil where the settings have no such table.
	Requirements *RequirementSettings `toml:"photo_requirements" default:"none" help:"what the photos must be as pictures; the table alone asks for the defaults below. Keys stand in [photo_requirements.default], and in [photo_requirements.codes.CODE] where they differ for the points of a code (in any case). A figure below 0 requires nothing"`
	Label        LabelSettings        `toml:"label"`
	Record       RecordSettings       `toml:"record"`
}

// GridSettings name the grid that the points are in.
type GridSettings struct {
	CRS string `toml:"crs" default:"none, required" help:"the projected system of the points, or the base of [site]: EPSG code (EPSG:2157, or EPSG:2157+5731 with its heights), WKT or PROJ string"`
}

// SiteSettings tie the site system that the points are in to the grid, which is its base:
// by parameters, named as in the JSON of a site.Definition, or by control pairs that they
// are fitted to. For the fit of a ground scale its table has origin, and site_origin where
// that is held.
type SiteSettings struct {
	Name           string         `toml:"name" default:"site system" help:"the name of a site system on that base, a plane system of the survey's own"`
	Unit           string         `toml:"unit" default:"the grid's" help:"the unit of site coordinates: \"m\", \"ft\" (international foot) or \"ftUS\" (US survey foot)"`
	Remarks        string         `toml:"remarks" default:"none" help:"where its parameters are from"`
	Kind           string         `toml:"kind" default:"by the table given; similarity for a fit" help:"\"similarity\", \"affine\" or \"ground-scale\""`
	Direction      string         `toml:"direction" default:"required for a given similarity or affine" help:"\"site-to-base\" or \"base-to-site\": which way the parameters lead"`
	Similarity     map[string]any `toml:"similarity" default:"none" help:"the parameters: target_origin = {e, n}, scale, rotation_deg"`
	Affine         map[string]any `toml:"affine" default:"none" help:"the parameters a0 to a2 and b0 to b2"`
	GroundScale    map[string]any `toml:"ground_scale" default:"none" help:"the parameters origin, site_origin, combined_factor, unit_ratio"`
	Vertical       map[string]any `toml:"vertical" default:"none" help:"offset; or offset, slope_e, slope_n, origin"`
	Accuracy       *float64       `toml:"accuracy_m" default:"from the fit, else none" help:"accuracy of the site system per axis, which goes into the budget"`
	HeightAccuracy *float64       `toml:"height_accuracy_m" default:"from the fit, else none" help:"accuracy of its heights"`
	Control        string         `toml:"control" default:"none" help:"a file of control pairs to fit the site system to: id, site_e, site_n, base_e, base_n; optional sigma, or site_sigma and base_sigma; site_h, base_h"`
	Columns        []string       `toml:"columns" default:"from the header" help:"the columns of the control file, in order"`
	Separator      string         `toml:"separator" default:"worked out" help:"between its columns: \",\" \";\" \"\\t\" or \"|\""`
	Decimal        string         `toml:"decimal" default:"worked out" help:"its decimal sign: \".\" or \",\""`
	Sigma          float64        `toml:"sigma" default:"unknown" help:"standard deviation of a control coordinate that states none, in its own unit"`
	FitHeights     string         `toml:"fit_heights" default:"none" help:"fit heights too: \"constant\" or \"plane\""`
	Scale          float64        `toml:"scale" default:"fitted" help:"hold the scale of a similarity (1, or the combined factor), so that a shift and a rotation are fitted"`
	Tolerance      float64        `toml:"tolerance_m" default:"0.05" help:"the largest residual that is taken of control pairs that state no standard errors"`
	RejectOutliers bool           `toml:"reject_outliers" default:"false" help:"reject outliers among the control pairs, and report them"`
}

// PointSettings describe the points file. What they leave open is taken from the file, or
// worked out and told in PointsRead.
type PointSettings struct {
	File       string            `toml:"file" default:"none, required" help:"the points file: delimited text, GeoJSON, LandXML, GPX or GeoPackage, told by its content"`
	Columns    []string          `toml:"columns" default:"from the header, or worked out" help:"the columns in order, for text without a header: [\"P\", \"N\", \"E\", \"Z\", \"D\"]; \"-\" passes one over"`
	Fields     map[string]string `toml:"fields" default:"none" help:"heading or property of your own = column, or \"-\""`
	Separator  string            `toml:"separator" default:"worked out" help:"between columns: \",\" \";\" \"\\t\" \"|\" or \" \""`
	Decimal    string            `toml:"decimal" default:"worked out" help:"the decimal sign: \".\" or \",\""`
	Layer      string            `toml:"layer" default:"the only one" help:"the layer of a GeoPackage"`
	CRS        string            `toml:"crs" default:"as the file says, else the grid" help:"the file's system; \"grid\" overrules the file"`
	Unit       string            `toml:"unit" default:"the grid's" help:"the unit of E and N: \"m\", \"ft\" (international foot) or \"ftUS\" (US survey foot); converted"`
	HeightUnit string            `toml:"height_unit" default:"the file's, else as E and N" help:"the unit of heights; converted"`
	TimeZone   string            `toml:"time_zone" default:"none" help:"an IANA name or +01:00, for times without an offset"`
	DateOrder  string            `toml:"date_order" default:"worked out from all dates" help:"\"day-month\" or \"month-day\", for dates such as 3/4/2026"`
	Epoch      float64           `toml:"epoch" default:"none" help:"decimal year of geographic points without a time"`
}

// LinkSettings describe the links file.
type LinkSettings struct {
	File      string            `toml:"file" default:"none" help:"the links file; without it, and without photos listed in the points file, no photo is tied"`
	Columns   []string          `toml:"columns" default:"from the header" help:"its columns in order"`
	Separator string            `toml:"separator" default:"worked out" help:"between its columns"`
	Decisions string            `toml:"decisions" default:"none" help:"the decisions file, which overrules the links: what phototie decide saves, or phototie check --propose writes"`
	Fields    map[string]string `toml:"fields" default:"none" help:"heading of your own = \"photo\", \"point\", \"original\", \"to_point\", \"offset_e\", \"offset_n\", \"offset_bearing\" or \"offset_distance\", or \"-\""`
	// FillDown is nil where the table decides: no point, unless cells look merged.
	FillDown *bool `toml:"fill_down" default:"no point" help:"what an empty point beside a photo means: that of the row above (true), or none (false)"`
	Only     bool  `toml:"only" default:"false" help:"pass over the photos that the points file lists"`
}

// PhotoSettings say where the photos are.
type PhotoSettings struct {
	Folder string `toml:"folder" default:"\"photos\"" help:"where the photos are, at any depth"`
}

// FrameSettings say how tags are transformed to the grid.
type FrameSettings struct {
	Datum          string            `toml:"datum" default:"WGS 84" help:"what a tag is in that states no map datum"`
	Datums         map[string]string `toml:"datums" default:"none" help:"datum names that images state and phototie does not know: \"LOCAL 3\" = \"EPSG:4230\""`
	Differential   string            `toml:"differential" default:"WGS 84" help:"what a tag is in that states corrections by SBAS, a base or a network (GPSDifferential, GPSProcessingMethod), and WGS 84 or no datum"`
	Epoch          float64           `toml:"epoch" default:"none" help:"decimal year, for photos that carry no time"`
	AllowBallpark  bool              `toml:"allow_ballpark" default:"false" help:"judge photos too that only a ballpark operation transforms to the grid"`
	BallparkSigma  float64           `toml:"ballpark_sigma_m" default:"none" help:"the standard deviation per axis that such an operation brings, for the budget"`
	Operation      string            `toml:"operation" default:"the best one" help:"the only coordinate operation to be used; phototie frames lists them"`
	Delivered      string            `toml:"delivered" default:"WGS 84" help:"the frame of corrected tags, which GPSMapDatum then names: \"grid\" for the grid's own, or a datum"`
	DeliveredEpoch float64           `toml:"delivered_epoch" default:"each photo's own" help:"the decimal year that their positions are at: the epoch of the grid's frame for instance"`
	Forbid         []string          `toml:"forbid" default:"none" help:"operations ruled out, by code or a part of the name"`
}

// HeightSettings say what heights count from, so that those of tags and points can be
// compared.
type HeightSettings struct {
	Points             string   `toml:"points" default:"unknown" help:"\"ellipsoid\" or \"geoid\": what the points' heights count from"`
	VerticalCRS        string   `toml:"vertical_crs" default:"of a compound grid.crs" help:"the points' vertical system: EPSG:5731 for instance"`
	Separation         *float64 `toml:"separation_m" default:"none" help:"a constant height of the geoid in place of a model"`
	SeparationAccuracy float64  `toml:"separation_accuracy_m" default:"not stated" help:"how good that is"`
	Frame              string   `toml:"frame" default:"the grid's" help:"the frame of the ellipsoid that heights or the separation count from"`
	Tags               string   `toml:"tags" default:"unknown" help:"\"ellipsoid\" or \"geoid\": what altitudes of tags count from that don't say so reliably"`
	Tolerance          float64  `toml:"tolerance_m" default:"15" help:"how far altitudes of tags may be off, at 95 %; a median beyond it is a finding"`
	TagSeaLevel        string   `toml:"tag_sea_level" default:"unknown" help:"the sea level of tags, \"EGM96\" for instance"`
}

// TieSettings say how ties are weighed.
type TieSettings struct {
	FieldOrder  walk.FieldOrder `toml:"field_order" default:"not known" help:"what comes first in the field: \"point-then-photo\" (a photo is linked to the point surveyed last), \"photo-then-point\" (to the one surveyed next), \"id-entered\" (the crew enters the point's id) or \"linked-later\" (links are made in the office)"`
	Weigh       bool            `toml:"weigh" default:"true" help:"weigh links against tags, times, names and the order of the walk"`
	InferUntied bool            `toml:"infer_untied" default:"false" help:"tie photos without a link to the point found"`
	Threshold   float64         `toml:"threshold" default:"0.95" help:"how probable that has to be"`
}

// BudgetSettings are the keys of a match.Budget, field by field.
type BudgetSettings struct {
	Confidence          float64 `toml:"confidence" default:"0.95" help:"the probability that the allowance holds for"`
	Handheld            float64 `toml:"handheld_m" default:"4.9" help:"error radius of the device class, for tags that state none"`
	HandheldConfidence  float64 `toml:"handheld_confidence" default:"0.5" help:"the probability that it is the radius of"`
	ErrorConfidence     float64 `toml:"error_confidence" default:"0.6321" help:"the probability that GPSHPositioningError is the radius of"`
	UserRangeError      float64 `toml:"user_range_error_m" default:"5.9" help:"times GPSDOP, for tags that state no error but a DOP, where that is more than the device class; 0 leaves the DOP unused"`
	PointSigma          float64 `toml:"point_sigma_m" default:"0.02" help:"the survey's standard deviation per axis, for points that bring none"`
	FrameSigma          float64 `toml:"frame_sigma_m" default:"0" help:"a standard deviation per axis on top of the operation's accuracy"`
	OperationConfidence float64 `toml:"operation_confidence" default:"0.6827" help:"how an operation's stated accuracy is read"`
	Motion              float64 `toml:"motion_sigma_m" default:"0" help:"moving between the fix and the shutter"`
	Standoff            float64 `toml:"standoff_m" default:"2" help:"from how far the points are photographed"`
	MaxSubjectDistance  float64 `toml:"max_subject_distance_m" default:"20" help:"up to which a stated subject distance is used in place of the standoff: in the stated direction, or without one where it is more"`
	DirectionSigma      float64 `toml:"direction_sigma_deg" default:"15" help:"how good a stated direction is"`
	GrossLevel          float64 `toml:"gross_level" default:"0.001" help:"the probability of calling any photo of a job gross where there is only noise"`
	Coarse              float64 `toml:"coarse_m" default:"50" help:"how large the handheld's own error may be, as a radius at that confidence, for a tag to be judged; half the spacing of the points where that is more; 0 judges all"`
}

// BudgetTable is the table of a budget, with what differs by device.
type BudgetTable struct {
	BudgetSettings
	Devices map[string]DeviceSettings `toml:"devices" default:"none" help:"what differs for the tags of a device, by serial number, make and model, or model: [budget.devices.\"RX7 0042\"] with handheld_m, handheld_confidence, error_confidence, user_range_error_m, and datum, the frame that its corrections leave its tags in"`
}

// DeviceSettings are the keys of a match.Device.
type DeviceSettings struct {
	Handheld           float64 `toml:"handheld_m"`
	HandheldConfidence float64 `toml:"handheld_confidence"`
	ErrorConfidence    float64 `toml:"error_confidence"`
	UserRangeError     float64 `toml:"user_range_error_m"`
	Datum              string  `toml:"datum"`
}

// RequirementSettings are the keys of pictures.Requirements.
type RequirementSettings struct {
	Default        RuleSettings            `toml:"default"`
	PerCode        map[string]RuleSettings `toml:"codes"`
	MarkupSuffixes []string                `toml:"markup_suffixes" default:"marked, redline and others" help:"ends of the names of marked-up copies: IMG_0012-marked.jpg"`
}

// RuleSettings are the keys of a pictures.CodeRule. A zero is a key left out.
type RuleSettings struct {
	MinPhotos    int     `toml:"min_photos,omitempty" default:"none" help:"photos of each point; copies of one picture count once, and what is too small, blurred or can't be decoded does not count"`
	MinLongSide  int     `toml:"min_long_side_px,omitempty" default:"1024" help:"pixels of the longer side"`
	MinShortSide int     `toml:"min_short_side_px,omitempty" default:"768" help:"pixels of the shorter side"`
	MinQuality   int     `toml:"min_quality,omitempty" default:"50" help:"JPEG quality, 1 to 100, by the quantisation tables"`
	MaxBlur      float64 `toml:"max_blur_px,omitempty" default:"1.7" help:"spread of edges in pixels, of the photo brought down to 512"`
	MaxClipped   float64 `toml:"max_clipped,omitempty" default:"0.4" help:"share of the pixels that are plain black or white"`
}

// LabelSettings are templates of what corrected photos are labelled with. Where all are
// empty the defaults hold.
type LabelSettings struct {
	Title       string   `toml:"title" default:"\"{point}\"" help:"dc:title of the photos that correct --label and pack --label write; {point}, {code} and {description} are the point's. Where one key of this table stands, a key left out writes nothing"`
	Description string   `toml:"description" default:"\"{point} {code} {description}\"" help:"dc:description, and ImageDescription in the Exif block where it is ASCII"`
	Keywords    []string `toml:"keywords" default:"[\"{point}\", \"{code}\"]" help:"dc:subject: added to the keywords that are there"`
}

// RecordSettings are what the title block of the record says of the job.
type RecordSettings struct {
	Title     string `toml:"title" default:"the folder's name" help:"the job's name, at the head of the record; --title comes before it"`
	Client    string `toml:"client" default:"none" help:"who the survey is for. This and what follows stands in the title block of the record as it is written here"`
	Surveyor  string `toml:"surveyor" default:"none" help:"who made it"`
	Reference string `toml:"reference" default:"none" help:"the number of the job or the contract"`
	Dates     string `toml:"dates" default:"none" help:"when it was made, in any words"`
	Equipment string `toml:"equipment" default:"none" help:"receivers, total stations and cameras"`
	Vertical  string `toml:"vertical_reference" default:"none" help:"what heights count from, in words"`
	Logo      string `toml:"logo" default:"none" help:"a picture beside the title: a file of the job, JPEG, PNG, TIFF or WebP"`
}

// Setting explains a key of phototie.toml.
type Setting struct {
	// Key is the key with its tables; a table in brackets has keys of its own choice.
	Key string
	// Default says what holds where the key is left out, Help what the key means.
	Default, Help string
}

// Reference explains every key of phototie.toml, in the order of Settings.
var Reference = explained(reflect.TypeFor[Settings](), "")

// explained are the keys of a table by the tags of its fields.
func explained(table reflect.Type, in string) (out []Setting) {
	for f := range table.Fields() {
		t := f.Type
		if t.Kind() == reflect.Pointer {
			t = t.Elem()
		}
		name, _, _ := strings.Cut(f.Tag.Get("toml"), ",")
		key := in + name
		s := Setting{key, f.Tag.Get("default"), f.Tag.Get("help")}
		isTable := t.Kind() == reflect.Struct
		if isTable || t.Kind() == reflect.Map {
			s.Key = "[" + key + "]"
		}
		if s.Help != "" {
			out = append(out, s)
		}
		if isTable {
			if !f.Anonymous {
				key += "."
			}
			out = append(out, explained(t, key)...)
		}
	}
	return out
}

func (b BudgetTable) devices() map[string]match.Device {
	out := make(map[string]match.Device, len(b.Devices))
	for name, d := range b.Devices {
		out[name] = match.Device(d)
	}
	return out
}

func (s *RequirementSettings) requirements() *pictures.Requirements {
	out := &pictures.Requirements{Default: pictures.CodeRule(s.Default), MarkupSuffixes: s.MarkupSuffixes}
	for code, rule := range s.PerCode {
		if out.PerCode == nil {
			out.PerCode = make(map[string]pictures.CodeRule, len(s.PerCode))
		}
		out.PerCode[code] = pictures.CodeRule(rule)
	}
	return out
}
