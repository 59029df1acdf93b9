package dataset

import (
	"example.com/phototie/match"
	"example.com/phototie/match/pictures"
)

// BudgetSettings are the keys of a match.Budget.
type BudgetSettings struct {
	Confidence          float64 `toml:"confidence"`
	Handheld            float64 `toml:"handheld_m"`
	HandheldConfidence  float64 `toml:"handheld_confidence"`
	ErrorConfidence     float64 `toml:"error_confidence"`
	UserRangeError      float64 `toml:"user_range_error_m"`
	PointSigma          float64 `toml:"point_sigma_m"`
	FrameSigma          float64 `toml:"frame_sigma_m"`
	OperationConfidence float64 `toml:"operation_confidence"`
	Motion              float64 `toml:"motion_sigma_m"`
	Standoff            float64 `toml:"standoff_m"`
	MaxSubjectDistance  float64 `toml:"max_subject_distance_m"`
	DirectionSigma      float64 `toml:"direction_sigma_deg"`
	GrossLevel          float64 `toml:"gross_level"`
	Coarse              float64 `toml:"coarse_m"`
}

// BudgetTable is the table of a budget, with what differs by device.
type BudgetTable struct {
	BudgetSettings
	Devices map[string]DeviceSettings `toml:"devices"`
}

// DeviceSettings are the keys of a match.Device.
type DeviceSettings struct {
	Handheld           float64 `toml:"handheld_m"`
	HandheldConfidence float64 `toml:"handheld_confidence"`
	ErrorConfidence    float64 `toml:"error_confidence"`
	UserRangeError     float64 `toml:"user_range_error_m"`
	Datum              string  `toml:"datum"`
}

func (b BudgetTable) devices() map[string]match.Device {
	out := make(map[string]match.Device, len(b.Devices))
	for name, d := range b.Devices {
		out[name] = match.Device(d)
	}
	return out
}

// RequirementSettings are the keys of pictures.Requirements.
type RequirementSettings struct {
	Default        RuleSettings            `toml:"default"`
	PerCode        map[string]RuleSettings `toml:"codes"`
	MarkupSuffixes []string                `toml:"markup_suffixes"`
}

// RecordSettings are what the title block of the record says of the job.
type RecordSettings struct {
	Title     string `toml:"title"`
	Client    string `toml:"client"`
	Surveyor  string `toml:"surveyor"`
	Reference string `toml:"reference"`
	Dates     string `toml:"dates"`
	Equipment string `toml:"equipment"`
	// Vertical is what heights count from, in words.
	Vertical string `toml:"vertical_reference"`
	// Logo is a picture in the job's folder.
	Logo string `toml:"logo"`
}

// RuleSettings are the keys of a pictures.CodeRule. A zero is a key left out.
type RuleSettings struct {
	MinPhotos    int     `toml:"min_photos,omitempty"`
	MinLongSide  int     `toml:"min_long_side_px,omitempty"`
	MinShortSide int     `toml:"min_short_side_px,omitempty"`
	MinQuality   int     `toml:"min_quality,omitempty"`
	MaxBlur      float64 `toml:"max_blur_px,omitempty"`
	MaxClipped   float64 `toml:"max_clipped,omitempty"`
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
