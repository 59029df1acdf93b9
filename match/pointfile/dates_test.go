package pointfile

import (
	"errors"
	"fmt"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"golang.org/x/text/encoding/unicode"
)

// The written forms of one moment. The forms of dates by country are CLDR's (dots:
// de, fi, pl; slashes: en-GB, en-US), those with letters RFC 1123's and spreadsheets'.
func TestWrittenTimes(t *testing.T) {
	dublin := time.FixedZone("", 3600)
	want := time.Date(2026, 11, 30, 14, 5, 0, 0, time.UTC)
	for _, text := range []string{
		"30.11.2026 15:05", "30.11.2026 15:05:00", "30.11.2026, 15:05", "30/11/2026 15:05", "30-11-2026 15:05", "11/30/2026 15:05",
		"11/30/2026 3:05 PM", "11/30/2026 03:05:00 pm", "30/11/2026 3:05 p.m.", "30.11.2026 15.05", "2026/11/30 15:05", "2026.11.30 15:05", "2026-11-30T15:05",
		"30-Nov-2026 15:05", "30-Nov-26 15:05", "30 November 2026 15:05", "30. Nov 2026 15:05", "30th Nov 2026, 3:05PM", "Nov 30, 2026 3:05 PM", "November 30 2026 15:05", "Nov. 30, 2026, 3:05 PM",
		"Mon, 30 Nov 2026 14:05:00 GMT", "30.11.2026 15:05 +01:00", "30.11.2026 14:05Z", "30/11/2026 09:05-0500", "30.11.2026 15:05:00.000",
	} {
		if got, err := parseTime(text, dublin, ""); err != nil || !got.Equal(want) {
			t.Errorf("%q: %v, %v", text, got, err)
		}
	}
	for text, hour := range map[string]int{"30.11.2026 12:05 AM": 0, "30.11.2026 12:05 PM": 12, "30.11.2026 1:05 AM": 1, "30.11.2026 00:05": 0} {
		if got, err := parseTime(text, time.UTC, ""); err != nil || got.Hour() != hour {
			t.Errorf("%q: %v, %v", text, got, err)
		}
	}
	for _, text := range []string{"30.11.2026", "Nov 30, 2026", "30-Nov-2026"} {
		if _, err := parseTime(text, dublin, ""); !errors.Is(err, errDate) {
			t.Errorf("%q: %v", text, err)
		}
	}
	for _, text := range []string{"30.11.26 15:05", "26-11-30 15:05", "31.11.2026 15:05", "30.13.2026 15:05", "13/13/2026 10:00", "30.11.2026 24:05", "30.11.2026 13:05 PM", "30.11.2026 0:05 AM",
		"30.11.2026 15:60", "30.11/2026 15:05", "30 Nab 2026 15:05", "30 Ma 2026 15:05", "0.11.2026 10:00", "11/0/2026 10:00", "30.11.2026 15:05 CET", "30.11.2026 noon"} {
		if got, err := parseTime(text, dublin, ""); !errors.Is(err, errTime) {
			t.Errorf("%q is taken for %v, %v", text, got, err)
		}
	}
}

// The order of day and month is found from the whole column, or asked for once.
func TestDateOrder(t *testing.T) {
	for _, tt := range []struct {
		name  string
		dates []string
		order DateOrder
		want  string // the day and month of the first, or of the errors
		notes string
	}{
		{"day first, shown by a later row", []string{"3/4/2026 10:00", "5/4/2026 10:00", "30/4/2026 10:00"}, "", "3 Apr", "dates such as 3/4/2026 are day/month/year"},
		{"month first", []string{"3/4/2026 10:00", "3/30/2026 10:00"}, "", "4 Mar", "dates such as 3/4/2026 are month/day/year"},
		{"dots", []string{"3.4.2026 10:00", "5.4.2026 10:00"}, "", "3 Apr", "dates such as 3.4.2026 are day.month.year"},
		{"dots, month first", []string{"3.4.2026 10:00", "3.30.2026 10:00"}, "", "4 Mar", "month.day.year"},
		{"nothing shows", []string{"3/4/2026 10:00", "5/4/2026 10:00", "5/5/2026 10:00", "6/4/2026 10:00", "7/4/2026 10:00", "8/4/2026 10:00"}, "",
			`p.csv:2:7: date "3/4/2026 10:00": the day or the month may come first, and no date of the file has a day above 12 (line 2: 3/4/2026 10:00, line 3: 5/4/2026 10:00, line 5: 6/4/2026 10:00, line 6: 7/4/2026 10:00 and 1 more); set points.date_order = "day-month" or "month-day", or write dates as 2026-04-03`, ""},
		{"the settings say", []string{"3/4/2026 10:00", "5/4/2026 10:00"}, MonthDay, "4 Mar", ""},
		{"the settings are wrong", []string{"3/4/2026 10:00", "30/4/2026 10:00"}, MonthDay, `p.csv:3:7: date "30/4/2026 10:00" is not month-day, as points.date_order says; put right which of the two is wrong`, ""},
		{"both orders", []string{"3/4/2026 10:00", "30/4/2026 10:00", "4/30/2026 10:00", "5/4/2026 10:00"}, "",
			`p.csv:2:7: date "3/4/2026 10:00": the dates of the file are not all in one order: line 3: 30/4/2026 10:00 has the day first, line 4: 4/30/2026 10:00 the month; set points.date_order = "day-month" or "month-day", or write dates as 2026-04-03`, ""},
		{"the same either way", []string{"4/4/2026 10:00", "5/5/2026 10:00"}, "", "4 Apr", ""},
		{"dates without a time are not used", []string{"3/4/2026", "5/4/2026"}, "", "", ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			text := "id,e,n,observed\n"
			for i, d := range tt.dates {
				text += fmt.Sprintf("%d,%d,2,%s\n", i, i, d)
			}
			r, err := Open(fstest.MapFS{"p.csv": {Data: []byte(text)}}, "p.csv", Options{Location: time.UTC, DateOrder: tt.order})
			if err != nil {
				t.Fatal(err)
			}
			defer r.Close()
			var errs []string
			first := ""
			for rec, err := range r.Records() {
				switch {
				case err != nil:
					errs = append(errs, err.Error())
				case first == "" && !rec.Observed.IsZero():
					first = rec.Observed.Format("2 Jan")
				}
			}
			if len(errs) > 0 {
				first = strings.Join(errs, "\n")
			}
			if first != tt.want {
				t.Errorf("%s", first)
			}
			if notes := strings.Join(r.Header().Notes, "\n"); !strings.Contains(notes, tt.notes) {
				t.Errorf("notes %q", notes)
			}
		})
	}
}

// A date and a time of day may stand in columns of their own.
func TestDateAndTimeColumns(t *testing.T) {
	r, err := Open(fstest.MapFS{"p.csv": {Data: []byte("id,e,n,Date,Time\nA,1,2,30.11.2026,15:05:10\n")}}, "p.csv", Options{Location: time.UTC})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	for rec, err := range r.Records() {
		if err != nil || !rec.Observed.Equal(time.Date(2026, 11, 30, 15, 5, 10, 0, time.UTC)) {
			t.Error(rec.Observed, err)
		}
	}
}

// A time that is read is the one that Go's own layouts give, whatever the text.
func FuzzWrittenTime(f *testing.F) {
	for _, s := range []string{"30.11.2026 15:05", "11/30/2026 3:05 PM", "Nov 30, 2026 3:05 PM", "30-Nov-26 15:05", "Mon, 30 Nov 2026 14:05:00 GMT", "3/4/2026 10:00+0130"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		got, err := parseTime(text, time.UTC, DayMonth)
		if err != nil {
			return
		}
		if again, err := parseTime(got.Format("2.1.2006 15:04:05.999999999 -07:00"), nil, DayMonth); err != nil || !again.Equal(got) {
			// An offset of seconds can't be written.
			if _, offset := got.Zone(); offset%60 == 0 && got.Year() > 999 && got.Year() < 10_000 {
				t.Errorf("%q: %v, and %v, %v", text, got, again, err)
			}
		}
	})
}

// Text in UTF-16, as spreadsheets save it, is read like other text, with its lines.
func TestUTF16(t *testing.T) {
	text := "Punkt;Rechtswert;Hochwert;Höhe\r\nTür 1;690242,04;604873,01;4,1\r\nTür 2;690252,04;604873,01;x\r\n"
	for _, order := range []unicode.Endianness{unicode.LittleEndian, unicode.BigEndian} {
		data, err := unicode.UTF16(order, unicode.UseBOM).NewEncoder().Bytes([]byte(text))
		if err != nil {
			t.Fatal(err)
		}
		r, err := Open(fstest.MapFS{"p.txt": {Data: data}}, "p.txt", Options{Fields: map[string]string{"Punkt": "id", "Rechtswert": "easting", "Hochwert": "northing", "Höhe": "height"}})
		if err != nil {
			t.Fatal(err)
		}
		defer r.Close()
		var got []string
		for rec, err := range r.Records() {
			got = append(got, fmt.Sprint(rec.ID, " ", rec.X, " ", rec.Line, " ", err))
		}
		if len(got) != 2 || got[0] != "Tür 1 690242.04 2 <nil>" || !strings.Contains(got[1], "p.txt:3:") {
			t.Errorf("%v: %q", order, got)
		}
	}
}
