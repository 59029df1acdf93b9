package report

import (
	"embed"
	"io/fs"
)

//go:embed schema/*.json
var schemas embed.FS

// Schemas holds the JSON Schemas (draft 2020-12) of the documents: check-1.json,
// compare-1.json, correct-1.json, crs-1.json, frames-1.json, init-1.json, pack-1.json, restore-1.json and serve-1.json, and
// common-1.json, which they share.
func Schemas() fs.FS {
	sub, err := fs.Sub(schemas, "schema")
	if err != nil {
		panic(err) // the folder is embedded above
	}
	return sub
}
