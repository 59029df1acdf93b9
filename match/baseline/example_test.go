package baseline_test

import (
	"fmt"

	"example.com/phototie/match"
	"example.com/phototie/match/baseline"
)

func Example() {
	b, err := baseline.Parse("accepted.toml", []byte(`version = 1

[[accept]]
code = "tag-missing"
photo = "photos/QB0021.jpg"
point = "F05"
reason = "the tablet had no fix under the deck; the number plate is legible"
expires = 2027-03-31
`))
	if err != nil {
		fmt.Println(err)
		return
	}
	// In a program the findings come from match.Result.
	findings := []match.Finding{
		{Code: match.FindingNoTag, Severity: match.SeverityWarning, Photo: "photos/QB0021.jpg", Point: "F05", Message: "the image has no position"},
		{Code: match.FindingNoTag, Severity: match.SeverityWarning, Photo: "photos/QA0071.jpg", Point: "B23", Message: "the image has no position"},
	}
	out := b.Apply(findings, baseline.Date{Year: 2026, Month: 6, Day: 3})
	for _, f := range out.Kept {
		fmt.Println("counts:", f.Code, f.Photo)
	}
	for _, a := range out.Accepted {
		fmt.Println("accepted:", a.Photo, "since", a.Entry.Reason)
	}
	// Output:
	// counts: tag-missing photos/QA0071.jpg
	// accepted: photos/QB0021.jpg since the tablet had no fix under the deck; the number plate is legible
}
