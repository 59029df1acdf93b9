// Command retag gives one image a surveyed position. It uses package geotag
// alone: bytes in, bytes out, no survey, no file layout, no cgo.
//
//	go run ./examples/retag photo.jpg 52.188289 -6.680035 > corrected.jpg
package main

import (
	"fmt"
	"io"
	"os"
	"strconv"

	"example.com/phototie/geotag"
)

func main() {
	if err := run(os.Args[1:], os.Stdout, os.Stderr); err != nil {
		fmt.Fprintln(os.Stderr, "retag:", err)
		os.Exit(2)
	}
}

func run(args []string, image, messages io.Writer) error {
	if len(args) != 3 {
		return fmt.Errorf("give a photo, a latitude and a longitude")
	}
	src, err := os.ReadFile(args[0])
	if err != nil {
		return err
	}
	lat, err := strconv.ParseFloat(args[1], 64)
	if err != nil {
		return err
	}
	lon, err := strconv.ParseFloat(args[2], 64)
	if err != nil {
		return err
	}
	corrected, patch, err := geotag.Rewrite(src, geotag.Edit{Lat: lat, Lon: lon, HPositioningError: 0.05})
	if err != nil {
		return err
	}
	fmt.Fprintf(messages, "%d places changed, %d bytes longer; patch.Reverse() takes it back\n",
		len(patch.Splices), patch.SizeAfter()-patch.SizeBefore)
	_, err = image.Write(corrected)
	return err
}
