package intake_test

import (
	"context"
	"fmt"
	"os"

	"example.com/phototie/match/dataset"
	"example.com/phototie/match/intake"
)

func ExampleWhere() {
	dir, err := os.MkdirTemp("", "job")
	if err != nil {
		panic(err)
	}
	defer os.RemoveAll(dir)
	d, err := dataset.OpenFolder(context.Background(), dir, nil)
	if err != nil {
		panic(err)
	}
	defer d.Close()
	_, err = intake.Where(context.Background(), d)
	fmt.Println(err)
	// Output: .: there are no photos below the folder; name the folder that has the photos, the points file and the list of links in it, at any depth
}
