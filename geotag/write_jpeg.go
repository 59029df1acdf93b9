package geotag

import "fmt"

// planJPEG works out the splices that make the edit in a JPEG.
func planJPEG(src *source, e Edit) (*Patch, error) {
	return nil, fmt.Errorf("%w: writing is not there yet", ErrEdit)
}
