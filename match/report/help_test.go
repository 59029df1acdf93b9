package report_test

import (
	"fmt"
	"strings"

	"example.com/phototie/match/report"
)

func ExampleWriteFindingKinds() {
	var b strings.Builder
	if err := report.WriteFindingKinds(&b); err != nil {
		panic(err)
	}
	for _, line := range strings.Split(b.String(), "\n")[2:5] {
		fmt.Println(line)
	}
	// Output:
	// tag-gross  (error)
	//       The tag lies so far from the point that, over all photos judged, noise
	//       of the handheld can't explain it. The tie, the tag or the frame is
}

func ExampleWriteSettings() {
	var b strings.Builder
	if err := report.WriteSettings(&b); err != nil {
		panic(err)
	}
	_, ties, _ := strings.Cut(b.String(), "ties.weigh")
	fmt.Println(strings.Split(ties, "\n")[0])
	// Output:
	// (default: true)
}
