package geotagtest_test

import (
	"fmt"

	"example.com/phototie/geotag/geotagtest"
)

// A block cut out of an image and spliced into a small one stays the same bytes.
func ExampleSplice() {
	block := []byte("II*\x00\x08\x00\x00\x00\x00\x00\x00\x00\x00\x00")
	whole := geotagtest.Splice(block)
	fmt.Println(string(geotagtest.Block(whole)) == string(block))
	// Output: true
}
