package crs

// #include <stdlib.h>
// #include <proj.h>
import "C"

import (
	"bytes"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"unsafe"
)

var keptIn atomic.Pointer[string]

// KeepSearches has the searches for operations, which take PROJ tens of milliseconds
// each, kept in a folder and found there by processes to come: a program passes one of
// its own under os.UserCacheDir. What is found is what the search would find: it was
// found by the same program, version of PROJ and database, for the same two systems, and
// with the same grid files installed. Where PROJ may use the network or a further
// database, and for systems without a registry code, nothing is kept. The folder
// is made when there is something to keep; what can't be read there or written is
// searched for. Empty, as at first, keeps nothing.
func KeepSearches(folder string) { keptIn.Store(&folder) }

// mostKept bounds what is read of one search, in bytes.
const mostKept = 8 << 20

// kept returns the file of a search, and what it is a search for; empty for one that is
// not to be kept.
func (r *registry) kept(from, to *object) (file, search string) {
	folder := keptIn.Load()
	if folder == nil || *folder == "" || os.Getenv("PROJ_AUX_DB") != "" || C.proj_context_is_network_enabled(r.ctx) != 0 || from.code() == "" || to.code() == "" {
		return "", ""
	}
	if r.surroundings == "" {
		program, _ := os.Executable()
		r.surroundings = fmt.Sprint(r.version(), identity(program), identity(C.GoString(C.proj_context_get_database_path(r.ctx))))
	}
	search = from.wkt() + "\n" + to.wkt()
	return filepath.Join(*folder, digest(r.surroundings), digest(search)), r.surroundings + "\n" + search
}

// identity is a file by its name, size and time.
func identity(name string) string {
	info, err := os.Stat(name)
	if err != nil {
		return name
	}
	return fmt.Sprint(" ", name, info.Size(), info.ModTime().UnixNano())
}

func digest(s string) string { return fmt.Sprintf("%x", sha256.Sum256([]byte(s))) }

// parts are what is kept of a path, an area and a step.
func (p *path) parts() []any {
	return []any{&p.steps, &p.pipeline, &p.ballpark, &p.areas, &p.missing, &p.runnable, &p.grids}
}

func (a *area) parts() []any { return []any{&a.west, &a.south, &a.east, &a.north, &a.name} }

func (s *step) parts() []any {
	return []any{&s.name, &s.code, &s.accuracy, &s.from, &s.to, &s.conversion, &s.ensemble}
}

func (p path) MarshalJSON() ([]byte, error) { return json.Marshal(p.parts()) }
func (a area) MarshalJSON() ([]byte, error) { return json.Marshal(a.parts()) }
func (s step) MarshalJSON() ([]byte, error) { return json.Marshal(s.parts()) }

func (p *path) UnmarshalJSON(text []byte) error { return take(text, p.parts()) }
func (a *area) UnmarshalJSON(text []byte) error { return take(text, a.parts()) }
func (s *step) UnmarshalJSON(text []byte) error { return take(text, s.parts()) }

// take reads a list into its parts.
func take(text []byte, parts []any) error {
	var list []json.RawMessage
	if err := json.Unmarshal(text, &list); err != nil || len(list) != len(parts) {
		return fmt.Errorf("%d parts, %w", len(list), err)
	}
	for i, x := range list {
		if err := json.Unmarshal(x, parts[i]); err != nil {
			return err
		}
	}
	return nil
}

// readKept returns what was kept of a search; false where there is nothing, or where it
// is not what was written.
func readKept(file, search string) (paths []path, ok bool) {
	f, err := os.Open(file)
	if err != nil {
		return nil, false
	}
	defer f.Close()
	text, err := io.ReadAll(io.LimitReader(f, mostKept))
	if err != nil {
		return nil, false
	}
	sum, text, _ := bytes.Cut(text, []byte("\n"))
	if string(sum) != digest(search+string(text)) {
		return nil, false
	}
	return paths, json.Unmarshal(text, &paths) == nil
}

// writeKept keeps a search: whole or not at all, whoever else writes it. Searches of
// another program or database go.
func writeKept(file, search string, paths []path) {
	text, err := json.Marshal(paths)
	if err != nil {
		return
	}
	folder := filepath.Dir(file)
	if _, err := os.Stat(folder); err != nil {
		others, _ := filepath.Glob(filepath.Join(filepath.Dir(folder), strings.Repeat("[0-9a-f]", 2*sha256.Size)))
		for _, other := range others {
			os.RemoveAll(other)
		}
		if os.MkdirAll(folder, 0o700) != nil {
			return
		}
	}
	f, err := os.CreateTemp(folder, "new-")
	if err != nil {
		return
	}
	_, err = fmt.Fprintf(f, "%s\n%s", digest(search+string(text)), text)
	if f.Close() != nil || err != nil || os.Rename(f.Name(), file) != nil {
		os.Remove(f.Name())
	}
}

// search is paths, or what was kept of it.
func (r *registry) search(from, to *object) []path {
	file, search := r.kept(from, to)
	if file == "" {
		return r.paths(from, to)
	}
	if paths, ok := readKept(file, search); ok && r.stands(paths) {
		return paths
	}
	paths := r.paths(from, to)
	writeKept(file, search, paths)
	return paths
}

// gridFile is where PROJ finds a grid file.
type gridFile struct {
	Name, Found string
	Available   bool
}

// stands says whether the grid files of paths are where they were.
func (r *registry) stands(paths []path) bool {
	seen := map[gridFile]bool{}
	for _, p := range paths {
		for _, g := range p.grids {
			if !seen[g] && r.find(g.Name) != g {
				return false
			}
			seen[g], r.lacking = true, r.lacking || !g.Available
		}
	}
	return true
}

// find looks a grid file up.
func (r *registry) find(name string) gridFile {
	c := C.CString(name)
	defer C.free(unsafe.Pointer(c))
	var full *C.char
	var available C.int
	C.proj_grid_get_info_from_database(r.ctx, c, &full, nil, nil, nil, nil, &available)
	return gridFile{name, C.GoString(full), available != 0}
}
