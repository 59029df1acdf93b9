package match

// Requirements are what the photos of a job must be as pictures: large, sharp,
// enough of them for each point. Package match/pictures has an implementation; this
// package decodes no images.
type Requirements interface {
	// Validate reports what can't be required.
	Validate() error
	// Resolved has the requirements with nothing left open; they go into the Result.
	Resolved() Requirements
	// Check holds the photos of a checked job against them.
	Check(res *Result) PictureFindings
}

// PictureFindings are findings about photos as pictures: by the name of the photo,
// by the id of the point, and about the job as a whole.
type PictureFindings struct {
	Photos map[string][]Finding
	Points map[string]Finding
	Job    []Finding
}
