package dataset

import (
	"io/fs"

	"example.com/phototie/match"
)

// linkColumns are the headings understood in a links file.
var linkColumns = map[string]string{
	"photo": "photo", "image": "photo", "file": "photo", "filename": "photo", "picture": "photo",
	"point": "point", "pointid": "point", "id": "point", "p": "point", "pt": "point",
}

// readLinks reads the links file: which photo shows which point, as the crew or
// the office has it. A photo may have no row, or a row with an empty point.
func readLinks(fsys fs.FS, s LinkSettings) ([]match.Link, error) {
	if s.File == "" {
		return nil, nil
	}
	t, err := openTable(fsys, s.File, s.Separator, s.Columns, linkColumns, []string{"photo", "point"}, []string{"photo", "point"})
	if err != nil {
		return nil, err
	}
	defer t.closer.Close()
	var links []match.Link
	for t.next() {
		l := match.Link{Photo: t.get("photo"), Point: t.get("point"), Line: t.line}
		if l.Photo == "" {
			t.ps.add(t.line, t.column("photo"), "name the photo, or take the row out", "the row names no photo")
			continue
		}
		if l.Point == "" {
			continue // says that the photo has no point, which is what no row says
		}
		links = append(links, l)
	}
	return links, t.ps.err()
}
