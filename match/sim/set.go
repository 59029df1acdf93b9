package sim

import (
	"context"
	"time"

	"example.com/phototie/geotag"
	"example.com/phototie/grid"
	"example.com/phototie/match"
)

// Set is a job that was drawn: what phototie is given, and what is true.
type Set struct {
	// Config is what it was drawn from.
	Config Config
	// Projection is the grid of the points.
	Projection grid.Projection
	// Points, Links and Photos are what match.Check takes, blunders and all.
	// Points are in the order in which they were observed, leg by leg.
	Points []match.Point
	Links  []match.Link
	Photos []match.Photo

	// Survey has the points as they really are, in the order of Points.
	Survey []match.Point
	// Truth is what is true of each photo, in the order of Photos.
	Truth []Truth
	// Planted is what was planted, in the order of Config.Plants.
	Planted []Planted
}

// Truth is what is true of one photo.
type Truth struct {
	// Point is the index in Set.Points of the point that the photo shows; -1
	// where it shows none.
	Point int
	// Linked is the index of the point that it is linked to, -1 for none.
	Linked int
	// Camera and Day are numbers from 1.
	Camera, Day int
	// Taken is the true time.
	Taken time.Time
	// Stood is where the camera stood, on the grid.
	Stood grid.EN
	// Sigma is the standard deviation per axis of the handheld's noise in
	// metres, and Noise what it came out as.
	Sigma float64
	Noise match.Vector
	// Clean is the tag's position before any blunder.
	Clean geotag.Position
	// Planted are the kinds of blunder that concern the photo, in the order in
	// which they were planted.
	Planted []Kind
	// Moved is by how many metres the blunders changed the discrepancy between
	// the tag and the linked point; +Inf where there is no discrepancy any more.
	// It is 0 for a photo without a link.
	Moved float64
}

// Planted is what a Plant came to.
type Planted struct {
	Kind Kind
	// Photos are the indexes in Set.Photos of the photos concerned, in the order
	// in which they were taken. Those of a blunder in the points are the photos
	// that are linked to them.
	Photos []int
	// Points are the indexes of the points that were moved, if any.
	Points []int
}

// Options returns the options to check the set with: the budget that fits its
// noise.
func (s *Set) Options() match.Options { return match.Options{Budget: s.Config.Budget()} }

// Check runs match.Check on the set with its Options.
func (s *Set) Check(ctx context.Context) (*match.Result, error) {
	return match.Check(ctx, s.Projection, s.Points, s.Links, match.All(s.Photos), s.Options())
}
