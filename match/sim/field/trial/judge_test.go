package main

import (
	"bytes"
	"strings"
	"testing"

	"example.com/phototie/match"
	"example.com/phototie/match/cause"
	"example.com/phototie/match/sim/field"
)

// Figures count by their own interval, clocks of unknown zone by the hour.
func TestAmounts(t *testing.T) {
	se := 10.0
	for _, c := range []struct {
		name   string
		plant  field.Plant
		param  cause.Param
		k, all int
	}{
		{"inside", field.Plant{Amounts: map[string]float64{"shift east": 5}}, cause.Param{Name: "shift east", Value: 24, Unit: "m", StdErr: &se}, 1, 1},
		{"outside", field.Plant{Amounts: map[string]float64{"shift east": 5}}, cause.Param{Name: "shift east", Value: 25, Unit: "m", StdErr: &se}, 0, 1},
		{"another figure", field.Plant{Amounts: map[string]float64{"shift east": 5}}, cause.Param{Name: "shift north", Value: 5}, 0, 0},
		{"the hour is unknown", field.Plant{Amounts: map[string]float64{"offset": -941}, Modulo: 3600}, cause.Param{Name: "offset", Value: 2660, Unit: "s"}, 1, 1},
		{"the hour is known", field.Plant{Amounts: map[string]float64{"offset": -941}}, cause.Param{Name: "offset", Value: 2660, Unit: "s"}, 0, 1},
	} {
		var o outcome
		o.amounts(&c.plant, cause.Found{Params: []cause.Param{c.param}})
		if o.amount != (rate{c.k, c.all}) {
			t.Errorf("%s: %v, wanted %d of %d", c.name, o.amount, c.k, c.all)
		}
	}
}

// An inferred tie is right only where it is the truth.
func TestTies(t *testing.T) {
	var x table
	point := &field.PhotoTruth{Shows: "point", Point: "A"}
	for _, c := range []struct {
		said  string
		truth *field.PhotoTruth
	}{{"A", point}, {"B", point}, {"", point}, {"A", &field.PhotoTruth{Shows: field.ShowsSite}}, {"", &field.PhotoTruth{Shows: field.ShowsNone}}} {
		x.tie(&match.Inference{Point: c.said, Probability: 0.97}, c.truth)
	}
	x.tie(&match.Inference{Point: "B", Probability: 0.4}, point)
	if len(x.ties) != 1 || x.ties["0.95"].counts != [4]int{2, 1, 1, 1} {
		t.Errorf("%v", x.ties)
	}
}

// Jobs are summed up, honest ones and those with a blunder.
func TestSum(t *testing.T) {
	honest := sum(1, 3, 2, func(s uint64) *field.Job { return field.New(s, field.Config{Photos: 20}) })
	late := sum(1, 3, 2, func(s uint64) *field.Job {
		return field.New(s, field.Config{Photos: 40, Layout: "line", Noise: "white", Blunders: []string{"flipped-longitude"}})
	})
	var b bytes.Buffer
	honest.honest(&b)
	late.blunder(&b, "flipped-longitude", true)
	if honest.jobs != 3 || late.jobs != 3 || honest.blunders != nil || late.blunders["flipped-longitude"].named.k == 0 {
		t.Errorf("%+v", late.blunders["flipped-longitude"])
	}
	if out := b.String(); !strings.Contains(out, "3 honest jobs") || !strings.Contains(out, "flipped-longitude") {
		t.Error(out)
	}
}
