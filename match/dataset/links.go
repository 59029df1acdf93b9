package dataset

import (
	"fmt"
	"io/fs"

	"example.com/phototie/match"
)

// linkColumns are the headings understood in a links file.
var linkColumns = map[string]string{
	"photo": "photo", "image": "photo", "file": "photo", "filename": "photo", "picture": "photo",
	"point": "point", "pointid": "point", "id": "point", "p": "point", "pt": "point",
	"original": "original", "originalname": "original", "originalphoto": "original",
}

// mostLinks is how many links a job has at most, which take a check some 400 bytes
// each, and mostLinkText how many bytes their names may have together.
var (
	mostLinks    = 3_000_000
	mostLinkText = 512 << 20
)

// readLinks reads the links file: which photo shows which point, as the crew or
// the office has it. A photo may have no row, or a row with an empty point.
// originals has the names that photos had before they were renamed, by the path
// that the row names.
func readLinks(fsys fs.FS, s LinkSettings) (links []match.Link, originals map[string]string, err error) {
	if s.File == "" {
		return nil, nil, nil
	}
	t, err := openTable(fsys, s.File, s.Separator, s.Columns, linkColumns, []string{"photo", "point", "original"}, []string{"photo", "point"})
	if err != nil {
		return nil, nil, err
	}
	defer t.closer.Close()
	originals = map[string]string{}
	text := 0
	for t.next() {
		l := match.Link{Photo: t.get("photo"), Point: t.get("point"), Line: t.line}
		if l.Photo == "" {
			t.ps.add(t.line, t.column("photo"), "name the photo, or take the row out", "the row names no photo")
			continue
		}
		if name := t.get("original"); name != "" {
			if before, ok := originals[l.Photo]; ok && before != name {
				t.ps.add(t.line, t.column("original"), "keep the one that is right", "photo %q has two original names, %q and %q", clip(l.Photo), clip(before), clip(name))
				continue
			}
			originals[l.Photo] = name
		}
		if l.Point == "" {
			continue // says that the photo has no point, which is what no row says
		}
		links = append(links, l)
		text += len(l.Photo) + len(l.Point)
		if len(links) > mostLinks || text > mostLinkText {
			return nil, nil, &Problem{File: s.File, Line: t.line, Remedy: "split the job",
				What: fmt.Sprintf("there are more than %d links, or their names take more than %d MiB; a check holds some 400 bytes for each link", mostLinks, mostLinkText>>20)}
		}
	}
	return links, originals, t.ps.err()
}
