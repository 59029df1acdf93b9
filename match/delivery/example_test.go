package delivery_test

import (
	"fmt"
	"time"

	"example.com/phototie/match/delivery"
)

// Names for the photos of a delivery: safe, unique, the same for the same photos.
func ExampleTemplate_Names() {
	t, err := delivery.ParseTemplate("{code}/{point}_{nn}_{date}")
	if err != nil {
		fmt.Println(err)
		return
	}
	taken := time.Date(2025, 5, 20, 9, 22, 40, 0, time.UTC)
	names := t.Names([]delivery.Named{
		{Path: "photos/QA0001.jpg", Tied: true, Point: "B01", Code: "BOL", Taken: taken},
		{Path: "photos/QA0002.jpg", Tied: true, Point: "B01", Code: "BOL", Taken: taken.Add(time.Minute)},
		{Path: "photos/QA0003.jpg", Tied: true, Point: "12/4 west", Taken: taken},
		{Path: "photos/QA0004.jpg"},
	})
	for _, p := range []string{"photos/QA0001.jpg", "photos/QA0002.jpg", "photos/QA0003.jpg", "photos/QA0004.jpg"} {
		fmt.Println(p, "->", names[p])
	}
	// Output:
	// photos/QA0001.jpg -> BOL/B01_01_2025-05-20.jpg
	// photos/QA0002.jpg -> BOL/B01_02_2025-05-20.jpg
	// photos/QA0003.jpg -> uncoded/12-4-west_01_2025-05-20.jpg
	// photos/QA0004.jpg -> untied/QA0004.jpg
}
