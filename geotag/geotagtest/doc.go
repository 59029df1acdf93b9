// Package geotagtest hands real camera files to the tests of geotag and of what
// is built on it. They are found in the module cache, in the test data of general
// metadata readers; none of them is kept in this repository. Those of All come
// from github.com/rwcarlsen/goexif, directory exif/samples; most of them are
// cut off after the Exif segment, so the package also offers each Exif block
// inside a complete small JPEG. Files has those of other formats.
package geotagtest
