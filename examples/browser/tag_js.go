package main

import (
	"encoding/json"
	"fmt"
	"strings"
	"syscall/js"
	"unicode"

	"github.com/golang/geo/s2"

	"example.com/phototie/geotag"
)

// main gives the page two functions, and stays.
func main() {
	js.Global().Set("phototieRead", js.FuncOf(func(_ js.Value, args []js.Value) any { return answer(read(bytesOf(args[0]))) }))
	js.Global().Set("phototieWrite", js.FuncOf(func(_ js.Value, args []js.Value) any {
		return answer(write(bytesOf(args[0]), args[1].String()))
	}))
	select {}
}

func bytesOf(v js.Value) []byte {
	b := make([]byte, v.Length())
	js.CopyBytesToGo(b, v)
	return b
}

// answer is what the page gets: rows of two texts to show, the corrected photo where there is
// one, or an error to show.
func answer(rows [][2]string, photo []byte, err error) any {
	if err != nil {
		return map[string]any{"error": plain(err.Error())}
	}
	list := make([]any, len(rows))
	for i, r := range rows {
		list[i] = []any{r[0], plain(r[1])}
	}
	out := map[string]any{"rows": list}
	if photo != nil {
		b := js.Global().Get("Uint8Array").New(len(photo))
		js.CopyBytesToJS(b, photo)
		out["photo"] = b
	}
	return out
}

// plain has no character that does not show, such as one that turns the direction.
func plain(s string) string {
	return strings.Map(func(r rune) rune {
		if !unicode.IsPrint(r) {
			return unicode.ReplacementChar
		}
		return r
	}, s)
}

// read tells what a photo says of where and when it was taken.
func read(photo []byte) ([][2]string, []byte, error) {
	tag, err := geotag.ReadBytes(photo)
	if err != nil {
		return nil, nil, err
	}
	var rows [][2]string
	add := func(name, format string, args ...any) {
		rows = append(rows, [2]string{name, fmt.Sprintf(format, args...)})
	}
	switch p := tag.Position; p {
	case nil:
		add("Position", "none")
	default:
		add("Position", "%s (%s)", position(p.Lat, p.Lon), p.Source)
		if datum := tag.MapDatum; datum != "" {
			add("Datum", "%s", datum)
		} else {
			add("Datum", "not stated: WGS 84 by the standard")
		}
	}
	if tag.HPositioningError != nil {
		add("Accuracy", "%.3g m, as stated", *tag.HPositioningError)
	}
	if tag.ProcessingMethod != "" {
		add("Method", "%s", tag.ProcessingMethod)
	}
	if tag.Taken != nil {
		layout := "2006-01-02 15:04:05"
		if tag.Taken.HasOffset {
			layout += " -07:00"
		}
		add("Taken", "%s", tag.Taken.Time.Format(layout))
	}
	if camera := strings.TrimSpace(tag.Make + " " + tag.Model); camera != "" {
		add("Camera", "%s", camera)
	}
	for _, w := range tag.Warnings {
		add("Warning", "%s", w)
	}
	return rows, nil, nil
}

// position is a position in words, to the step that is written.
func position(lat, lon float64) string { return fmt.Sprintf("%.8f°, %.8f°", lat, lon) }

// write gives the photo the position of a geotag.Edit in JSON, and tells what was changed.
func write(photo []byte, edit string) ([][2]string, []byte, error) {
	var e geotag.Edit
	if err := json.Unmarshal([]byte(edit), &e); err != nil {
		return nil, nil, err
	}
	was, err := geotag.ReadBytes(photo)
	if err != nil {
		return nil, nil, err
	}
	corrected, patch, err := geotag.Rewrite(photo, e)
	if err != nil {
		return nil, nil, err
	}
	rows := [][2]string{{"Written", position(e.Lat, e.Lon)}}
	if p := was.Position; p != nil {
		d := s2.LatLngFromDegrees(p.Lat, p.Lon).Distance(s2.LatLngFromDegrees(e.Lat, e.Lon)).Radians() * 6371008.8 // the mean radius, in metres
		text := fmt.Sprintf("about %.1f m from where the tag was", d)
		if d >= 1000 {
			text = fmt.Sprintf("about %.0f km from where the tag was: are the signs and the order right?", d/1000)
		}
		rows = append(rows, [2]string{"Moved", text})
	}
	rows = append(rows, [2]string{"Changed", fmt.Sprintf("%d of the file's bytes in %d places, %d bytes longer; all else is as it was",
		replaced(patch), len(patch.Splices), patch.SizeAfter()-patch.SizeBefore)})
	for _, n := range patch.Notes {
		rows = append(rows, [2]string{"Note", n})
	}
	return rows, corrected, nil
}

// replaced is how many bytes of the photo as it was are no longer there.
func replaced(p *geotag.Patch) (n int) {
	for _, s := range p.Splices {
		n += len(s.Old)
	}
	return n
}
