package ifd_test

import (
	"fmt"
	"log"

	"example.com/phototie/geotag/internal/ifd"
)

// A block of one directory with one entry: orientation (0x0112), a Short, 6.
func ExampleBlock_Dir() {
	b, err := ifd.Parse([]byte("MM\x00*\x00\x00\x00\x08\x00\x01\x01\x12\x00\x03\x00\x00\x00\x01\x00\x06\x00\x00\x00\x00\x00\x00"))
	if err != nil {
		log.Fatal(err)
	}
	d, err := b.Dir(b.First)
	if err != nil {
		log.Fatal(err)
	}
	v, ok := b.Uint(d.Find(0x0112), 0)
	fmt.Println(v, ok)
	// Output: 6 true
}
