package pointfile

import "io/fs"

// openGeoPackage refuses: the database engine has no build for WebAssembly.
func (r *Reader) openGeoPackage(fs.FS, *input, Options) error {
	return r.problem(0, "export the points as GeoJSON or delimited text", "a GeoPackage can't be read in WebAssembly")
}
