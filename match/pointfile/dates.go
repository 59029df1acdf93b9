package pointfile

import (
	"cmp"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
)

// DateOrder is the order in which dates such as 3/4/2026 have day and month.
type DateOrder string

// The orders.
const (
	DayMonth DateOrder = "day-month"
	MonthDay DateOrder = "month-day"
)

// zoned are the forms of a time that say how far they are from UTC, local those
// that don't. Besides RFC 3339 there is the form that GDAL writes. Other forms are for
// written.
var (
	zoned = []string{time.RFC3339Nano, "2006-01-02 15:04:05Z07:00", "2006-01-02T15:04:05Z0700", "2006-01-02T15:04Z07:00",
		"2006/01/02 15:04:05Z07:00", "2006/01/02 15:04:05Z07", "2006-01-02 15:04:05Z07"}
	local    = []string{"2006-01-02T15:04:05", "2006-01-02 15:04:05", "2006/01/02 15:04:05", "2006-01-02T15:04", "2006-01-02 15:04"}
	dateOnly = []string{time.DateOnly, "2006/01/02"}
)

var (
	errTime   = errors.New("not a time")
	errNoZone = errors.New("no offset from UTC")
	errDate   = errors.New("a date without a time of day")
	errOrder  = errors.New("day and month may be either way round")
	errWrong  = errors.New("not in the order of points.date_order")

	errNoSuchHour = errors.New("no such time")
	errTwice      = errors.New("a time that comes twice")
)

// parseTime reads a time. loc is where times without an offset were taken; nil
// if that is not known. order is that of day and month; empty if it is not known.
func parseTime(text string, loc *time.Location, order DateOrder) (time.Time, error) {
	for _, l := range zoned {
		if t, err := time.Parse(l, text); err == nil {
			return t, nil
		}
	}
	for _, l := range local {
		if t, err := time.Parse(l, text); err == nil {
			return inZone(t, loc)
		}
	}
	for _, l := range dateOnly {
		if _, err := time.Parse(l, text); err == nil {
			return time.Time{}, errDate
		}
	}
	w, ok := readWritten(text)
	if !ok {
		return time.Time{}, errTime
	}
	return w.time(loc, order)
}

// inZone gives the time at which the clocks of loc show the date and time of t.
func inZone(t time.Time, loc *time.Location) (time.Time, error) {
	if loc == nil {
		return t, errNoZone
	}
	at := time.Date(t.Year(), t.Month(), t.Day(), t.Hour(), t.Minute(), t.Second(), t.Nanosecond(), loc)
	// When the clocks change an hour comes twice and another one never.
	wall := at.Format(time.DateTime)
	if wall != t.Format(time.DateTime) {
		return t, errNoSuchHour
	}
	_, here := at.Zone()
	for _, shift := range []time.Duration{-2 * time.Hour, -time.Hour, -30 * time.Minute, 30 * time.Minute, time.Hour, 2 * time.Hour} {
		if _, there := at.Add(shift).Zone(); there != here && at.Add(time.Duration(here-there)*time.Second).Format(time.DateTime) == wall {
			return t, errTwice
		}
	}
	return at, nil
}

// written is a date and time as people write them, taken apart: 30.11.2026 14:05,
// 11/30/2026 2:05 PM, 30-Nov-2026, Nov 30, 2026. A year of two digits, which must stand
// after a month in letters, is of this century.
type written struct {
	year          int
	first, second int  // day and month, in the order that sep and the file go by
	sep           byte // between the numbers of the date; 0 where the month is a word
	clock         bool // there is a time of day, hour, min, sec and fraction
	hour, min     int
	sec           int
	fraction      time.Duration
	offset        *int // of UTC, in seconds; nil where it is not said
}

// The ways of a date, of which each ends where the time of day begins, and that time.
var (
	numbersDate = regexp.MustCompile(`^(\d{1,2})([./-])(\d{1,2})([./-])(\d{4})\b`)
	yearFirst   = regexp.MustCompile(`^(\d{4})[./-](\d{1,2})[./-](\d{1,2})\b`)
	dayWord     = regexp.MustCompile(`^(\d{1,2})(?:st|nd|rd|th|\.)?[ -]?([A-Za-z]{3,9})[., -]{1,2}(\d{4}|\d{2})\b`)
	wordDay     = regexp.MustCompile(`^([A-Za-z]{3,9})[. -]{1,2}(\d{1,2})(?:st|nd|rd|th)?[, -]{1,2}(\d{4})\b`)
	weekday     = regexp.MustCompile(`^(?i)(?:mon|tue|wed|thu|fri|sat|sun)[a-z]{0,6}\.?,? `)
	clock       = regexp.MustCompile(`^(?:(?:T|,? +)(\d{1,2})[:.](\d{2})(?:[:.](\d{2})(?:[.,](\d{1,9}))?)?(?: ?([AaPp])\.?[Mm]\.?)?)?(?: ?(Z|UTC|GMT|[+-]\d{2}(?::?\d{2})?))?$`)
)

// readWritten takes a text apart.
func readWritten(text string) (w written, ok bool) {
	if len(text) > 64 {
		return w, false
	}
	text = weekday.ReplaceAllString(text, "")
	number := func(s string) int { n, _ := strconv.Atoi(s); return n } // of digits, by the pattern
	var year, rest string
	if m := numbersDate.FindStringSubmatch(text); m != nil && m[2] == m[4] {
		w.first, w.second, w.sep, year, rest = number(m[1]), number(m[3]), m[2][0], m[5], text[len(m[0]):]
	} else if m := yearFirst.FindStringSubmatch(text); m != nil {
		year, w.second, w.first, rest = m[1], number(m[2]), number(m[3]), text[len(m[0]):]
	} else if m := dayWord.FindStringSubmatch(text); m != nil {
		w.first, w.second, year, rest = number(m[1]), monthOf(m[2]), m[3], text[len(m[0]):]
	} else if m := wordDay.FindStringSubmatch(text); m != nil {
		w.first, w.second, year, rest = number(m[2]), monthOf(m[1]), m[3], text[len(m[0]):]
	}
	if w.year = number(year); len(year) == 2 {
		w.year += 2000
	}
	m := clock.FindStringSubmatch(rest)
	if m == nil || year == "" {
		return w, false
	}
	w.clock, w.hour, w.min, w.sec = m[1] != "", number(m[1]), number(m[2]), number(m[3])
	w.fraction = time.Duration(number((m[4] + "000000000")[:9]))
	switch half := strings.ToLower(m[5]); {
	case half == "":
	case w.hour < 1 || w.hour > 12:
		return w, false
	case half == "p":
		w.hour = w.hour%12 + 12
	default:
		w.hour %= 12
	}
	if zone := m[6]; zone != "" {
		offset := 0
		if digits := strings.ReplaceAll(strings.Trim(zone, "ZUTCGM"), ":", ""); digits != "" {
			offset = number((digits[1:] + "00")[:2])*3600 + number((digits[1:] + "0000")[2:4])*60
			if digits[0] == '-' {
				offset = -offset
			}
		}
		w.offset = &offset
	}
	days := func(day, month int) bool { return month >= 1 && month <= 12 && day >= 1 && day <= 31 }
	return w, w.hour < 24 && w.min < 60 && w.sec < 60 && (days(w.first, w.second) || w.sep != 0 && days(w.second, w.first))
}

// monthOf is the month of an English name or the beginning of one, 0 for none.
func monthOf(name string) int {
	for m := time.January; m <= time.December; m++ {
		if full := strings.ToLower(m.String()); strings.HasPrefix(full, strings.ToLower(name)) || strings.EqualFold(name, "sept") && m == time.September {
			return int(m)
		}
	}
	return 0
}

// shows is the order that a date has by itself, since no month has more than 12; empty
// where it may be either. It is the same where the two numbers are.
func (w *written) shows() DateOrder {
	switch {
	case w.sep == 0 || w.first == w.second || w.second <= 12 && w.first > 12:
		return DayMonth
	case w.second > 12:
		return MonthDay
	}
	return ""
}

// time is what is written, in the order of day and month.
func (w *written) time(loc *time.Location, order DateOrder) (time.Time, error) {
	if !w.clock {
		return time.Time{}, errDate
	}
	day, month := w.first, w.second
	shows := w.shows()
	switch {
	case cmp.Or(shows, order) == "":
		return time.Time{}, errOrder
	case w.sep != 0 && day != month && shows != "" && order != "" && shows != order:
		return time.Time{}, errWrong
	case cmp.Or(shows, order) == MonthDay:
		day, month = month, day
	}
	in := time.UTC
	if w.offset != nil {
		in = time.FixedZone("", *w.offset)
	}
	t := time.Date(w.year, time.Month(month), day, w.hour, w.min, w.sec, int(w.fraction), in)
	if t.Day() != day {
		return time.Time{}, errTime
	}
	if w.offset == nil {
		return inZone(t, loc)
	}
	return t, nil
}

// dates is what all dates of a file that are written in numbers with one sign between
// them say of the order of day and month: where dates are that show it, and that don't.
type dates struct {
	shows map[DateOrder]string // the first place of each
	open  []string             // the first places
	count int                  // of open
}

// mostPlaces is how many places of dates are named.
const mostPlaces = 4

func (d *dates) add(w *written, where string) {
	switch order := w.shows(); {
	case w.first == w.second:
	case order == "" && w.clock:
		if d.count++; len(d.open) < mostPlaces {
			d.open = append(d.open, where)
		}
	case order != "" && d.shows[order] == "":
		d.shows[order] = where
	}
}

// tallyDates reads the file once more, unless it has been, for what its dates show.
func (r *Reader) tallyDates() error {
	if r.dates != nil {
		return nil
	}
	r.dates = map[byte]*dates{}
	again, err := Open(r.fsys, r.header.File, r.opt)
	if err != nil {
		return err
	}
	again.dates = r.dates
	again.tallies = true
	for range again.Records() { // what is wrong with a row is told when it is read for good
	}
	return again.Close()
}

// dateOrder finds the order of day and month in the dates of the file that have the
// sign sep, from all of them: the file is read once more for it. The error says why
// there is none. Dates with dots have the day first unless one of them shows
// otherwise: no locale of CLDR 44 has it the other way.
func (r *Reader) dateOrder(sep byte) (DateOrder, error) {
	if r.opt.DateOrder != "" {
		return r.opt.DateOrder, nil
	}
	if err := r.tallyDates(); err != nil {
		return "", err
	}
	d := cmp.Or(r.dates[sep], &dates{})
	day, month := d.shows[DayMonth], d.shows[MonthDay]
	switch {
	case day != "" && month != "":
		return "", fmt.Errorf("the dates of the file are not all in one order: %s has the day first, %s the month", day, month)
	case day != "" || sep == '.' && month == "":
		r.notes.plain("dates such as 3%[1]c4%[1]c2026 are day%[1]cmonth%[1]cyear", sep)
		return DayMonth, nil
	case month != "":
		r.notes.plain("dates such as 3%[1]c4%[1]c2026 are month%[1]cday%[1]cyear", sep)
		return MonthDay, nil
	}
	places := strings.Join(d.open, ", ")
	if more := d.count - len(d.open); more > 0 {
		places += fmt.Sprintf(" and %d more", more)
	}
	return "", fmt.Errorf("the day or the month may come first, and no date of the file has a day above 12 (%s)", places)
}

// tally takes up what a date shows of the order of day and month.
func (r *row) tally(text string) {
	if w, ok := readWritten(text); ok && w.sep != 0 {
		if r.dates[w.sep] == nil {
			r.dates[w.sep] = &dates{shows: map[DateOrder]string{}}
		}
		r.dates[w.sep].add(&w, fmt.Sprintf("%s: %s", r.rec.Where, text))
	}
}

// observed sets the time of the observation. That the order of day and month is not
// known is told once for a file.
func (r *row) observed(text string) {
	if r.tallies {
		r.tally(text)
		return
	}
	t, err := parseTime(text, r.loc, r.opt.DateOrder)
	if errors.Is(err, errOrder) {
		w, _ := readWritten(text)
		order, why := r.dateOrder(w.sep)
		if why != nil {
			if !slices.Contains(r.unordered, w.sep) {
				r.unordered = append(r.unordered, w.sep)
				r.add(colObserved, `set points.date_order = "day-month" or "month-day", or write dates as 2026-04-03`, "date %q: %v", clip(text), why)
			}
			return
		}
		t, err = w.time(r.loc, order)
	}
	switch {
	case err == nil:
		r.rec.Observed = t
	case errors.Is(err, errDate):
		r.notes.at(r.rec.Where, "a date without a time of day is not used as the time of observation")
	case errors.Is(err, errNoZone):
		r.add(colObserved, "add the offset, as in 2026-06-03T10:15:00+01:00, or set the time zone of the file (points.time_zone)", "time %q does not say its offset from UTC", clip(text))
	case errors.Is(err, errTime):
		r.add(colObserved, "write it as 2026-06-03T09:15:00Z or with an offset, 2026-06-03T10:15:00+01:00; 3 Jun 2026 9:15 and 03.06.2026 9:15 AM are understood too", "time %q can't be read", clip(text))
	case errors.Is(err, errWrong):
		r.add(colObserved, "put right which of the two is wrong", "date %q is not %s, as points.date_order says", clip(text), r.opt.DateOrder)
	default:
		r.add(colObserved, "add the offset, as in 2026-10-25T01:30:00+01:00", "time %q falls where the clocks were changed and is %v in that time zone", clip(text), err)
	}
}
