//go:build !race

package pointfile

const raceDetector = false
