package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"strings"
	"testing"

	"example.com/phototie/match/sim"
)

func simulate(args ...string) (out, messages string, err error) {
	var o, m bytes.Buffer
	err = run(context.Background(), args, &o, &m)
	return o.String(), m.String(), err
}

func TestRun(t *testing.T) {
	out, messages, err := simulate("-by", "check", "-sets", "4", "-photos", "60", "-points", "24", "nothing", "flipped-longitude, one camera", "null-island + wrong-tie")
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"planted", "nothing", "flipped-longitude, one camera", "null-island + wrong-tie", "gross photos", "unjudged photos"} {
		if !strings.Contains(out, want) {
			t.Errorf("the table has no %q:\n%s", want, out)
		}
	}
	if messages != "" {
		t.Errorf("messages %q", messages)
	}
	again, _, err := simulate("-by", "check", "-format", "json", "-sets", "4", "-photos", "60", "-points", "24", "flipped-longitude, one camera")
	var c sim.Confusion
	if err != nil || json.Unmarshal([]byte(again), &c) != nil || len(c.Rows) != 1 || c.Rows[0].Found != 4 {
		t.Errorf("%v: %s", err, again)
	}
	// By default it is the causes that are named.
	again, _, err = simulate("-format", "json", "-sets", "2", "-photos", "60", "-points", "24", "nothing", "flipped-longitude")
	c = sim.Confusion{}
	if err != nil || json.Unmarshal([]byte(again), &c) != nil || len(c.Rows) != 2 || c.Rows[0].Exact != 2 || c.Rows[1].Exact != 2 {
		t.Errorf("%v: %s", err, again)
	}
	out, _, err = simulate("-list")
	if err != nil || strings.Count(out, "\n") != len(sim.Kinds()) {
		t.Errorf("%v: %s", err, out)
	}
}

func TestRunErrors(t *testing.T) {
	for _, c := range []struct {
		args string
		want string
	}{
		{"-nonsense", "see -h"},
		{"-sets 0 nothing", "Sets is 0"},
		{"-by nobody", "check"},
		{"-format xml", "text or json"},
		{"-layout circle", "Layout is circle"},
		{"-extents week", "-list"},
		{"no-such-kind", "-list"},
		{"-photos 100000 nothing", "more days"},
	} {
		if _, _, err := simulate(strings.Fields(c.args)...); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: error %v, want %q", c.args, err, c.want)
		}
	}
	_, messages, err := simulate("-h")
	if !errors.Is(err, flag.ErrHelp) || !strings.Contains(messages, "one day") || !strings.Contains(messages, "-radius") {
		t.Errorf("-h: %v, %s", err, messages)
	}
	done, cancel := context.WithCancel(context.Background())
	cancel()
	if err := run(done, []string{"nothing"}, &bytes.Buffer{}, &bytes.Buffer{}); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
}
