package ledger_test

import (
	"context"
	"errors"
	"fmt"
	"log"
	"os"
	"strings"

	"example.com/phototie/geotag"
	"example.com/phototie/geotag/ledger"
)

// A photo is corrected in place and taken back. The patch comes from package
// geotag; here it replaces the letters of a made-up file.
func ExampleOpen() {
	dir, err := os.MkdirTemp("", "quay")
	if err != nil {
		log.Fatal(err)
	}
	defer os.RemoveAll(dir)
	root, err := os.OpenRoot(dir)
	if err != nil {
		log.Fatal(err)
	}
	defer root.Close()
	const photo = "bollard; tag: stale; pixels"
	if err := root.WriteFile("B12.jpg", []byte(photo), 0o644); err != nil {
		log.Fatal(err)
	}

	l, err := ledger.Open(root, "example 1.0")
	if err != nil {
		log.Fatal(err)
	}
	defer l.Close()
	ctx := context.Background()
	res, err := l.Do(ctx, ledger.Task{Change: ledger.Change{
		Photo: "B12.jpg",
		Patch: &geotag.Patch{
			SizeBefore: int64(len(photo)),
			Splices: []geotag.Splice{{
				Off: int64(strings.Index(photo, "stale")),
				Old: []byte("stale"),
				New: []byte("surveyed"),
			}},
		},
		Reason: map[string]string{"point": "B12", "verdict": "over"},
	}})
	if err != nil {
		log.Fatal(err)
	}
	now, err := root.ReadFile("B12.jpg")
	if err != nil {
		log.Fatal(err)
	}
	fmt.Printf("%s\n%.8s... became %.8s...\n", now, res.Record.Before, res.Record.After)

	for out, err := range l.Restore(ctx, nil, false) {
		if err != nil {
			log.Fatal(err)
		}
		fmt.Printf("%s: %s, %.8s...\n", out.Photo, out.Status, out.Now)
	}
	for rec, err := range l.Records() {
		if err != nil {
			log.Fatal(err)
		}
		fmt.Println(rec.Action, rec.Photo, rec.Reason)
	}
	// Output:
	// bollard; tag: surveyed; pixels
	// 67dcbefc... became 7c20254e...
	// B12.jpg: restored, 67dcbefc...
	// correct B12.jpg map[point:B12 verdict:over]
	// restore B12.jpg map[]
}

// The usual way: corrected copies in another folder, the originals left alone.
func ExampleLedger_Do() {
	dir, err := os.MkdirTemp("", "quay")
	if err != nil {
		log.Fatal(err)
	}
	defer os.RemoveAll(dir)
	var roots [2]*os.Root
	for i, name := range []string{"/photos", "/corrected"} {
		if err := os.Mkdir(dir+name, 0o755); err != nil {
			log.Fatal(err)
		}
		if roots[i], err = os.OpenRoot(dir + name); err != nil {
			log.Fatal(err)
		}
		defer roots[i].Close()
	}
	photos, corrected := roots[0], roots[1]
	if err := photos.WriteFile("B12.jpg", []byte("tag: stale"), 0o644); err != nil {
		log.Fatal(err)
	}
	l, err := ledger.Open(corrected, "example 1.0")
	if err != nil {
		log.Fatal(err)
	}
	defer l.Close()
	change := ledger.Change{
		Photo: "B12.jpg",
		Patch: &geotag.Patch{SizeBefore: 10, Splices: []geotag.Splice{{Off: 5, Old: []byte("stale"), New: []byte("surveyed")}}},
	}
	for range 2 { // the second time there is nothing to do
		res, err := l.Do(context.Background(), ledger.Task{Change: change, From: photos})
		if err != nil {
			log.Fatal(err)
		}
		fmt.Println("written:", res.Written)
	}
	for _, root := range roots {
		b, err := root.ReadFile("B12.jpg")
		if err != nil {
			log.Fatal(err)
		}
		fmt.Println(string(b))
	}
	// Output:
	// written: true
	// written: false
	// tag: stale
	// tag: surveyed
}

// Many photos in one go: what is ready together shares its syncs.
func ExampleLedger_Bulk() {
	dir, err := os.MkdirTemp("", "quay")
	if err != nil {
		log.Fatal(err)
	}
	defer os.RemoveAll(dir)
	root, err := os.OpenRoot(dir)
	if err != nil {
		log.Fatal(err)
	}
	defer root.Close()
	names := []string{"B12.jpg", "B13.jpg", "B14.jpg"}
	for _, name := range names {
		if err := root.WriteFile(name, []byte("tag: stale"), 0o644); err != nil {
			log.Fatal(err)
		}
	}
	l, err := ledger.Open(root, "example 1.0")
	if err != nil {
		log.Fatal(err)
	}
	defer l.Close()
	// The patches are worked out while earlier photos are written.
	tasks := func(yield func(ledger.Task) bool) {
		for _, name := range names {
			patch := &geotag.Patch{SizeBefore: 10, Splices: []geotag.Splice{{Off: 5, Old: []byte("stale"), New: []byte("surveyed")}}}
			if !yield(ledger.Task{Change: ledger.Change{Photo: name, Patch: patch}}) {
				return
			}
		}
	}
	for res, err := range l.Bulk(context.Background(), tasks) {
		if err != nil {
			log.Print(err) // of this photo; the next ones follow
			continue
		}
		fmt.Printf("%s: %.8s...\n", res.Record.Photo, res.Record.After)
	}
	// Output:
	// B12.jpg: c3597398...
	// B13.jpg: c3597398...
	// B14.jpg: c3597398...
}

// What restoring would do, in a folder where nothing is to be written: a photo that was
// renamed is known by its bytes.
func ExampleLedger_Restore() {
	dir, err := os.MkdirTemp("", "quay")
	if err != nil {
		log.Fatal(err)
	}
	defer os.RemoveAll(dir)
	root, err := os.OpenRoot(dir)
	if err != nil {
		log.Fatal(err)
	}
	defer root.Close()
	if err := root.WriteFile("B12.jpg", []byte("tag: stale"), 0o644); err != nil {
		log.Fatal(err)
	}
	l, err := ledger.Open(root, "example 1.0")
	if err != nil {
		log.Fatal(err)
	}
	patch := &geotag.Patch{SizeBefore: 10, Splices: []geotag.Splice{{Off: 5, Old: []byte("stale"), New: []byte("surveyed")}}}
	_, err = l.Do(context.Background(), ledger.Task{Change: ledger.Change{Photo: "B12.jpg", Patch: patch}})
	if err = errors.Join(err, l.Close(), root.Rename("B12.jpg", "bollard.jpg")); err != nil {
		log.Fatal(err)
	}

	if l, err = ledger.OpenRead(root); err != nil {
		log.Fatal(err)
	}
	defer l.Close()
	for _, names := range [][]string{nil, {"bollard.jpg"}} {
		for out, err := range l.Restore(context.Background(), names, true) {
			if err != nil {
				log.Fatal(err)
			}
			fmt.Printf("%s: %s, found at %q, recorded as %q\n", out.Photo, out.Status, out.FoundAt, out.RecordedAs)
		}
	}
	// Output:
	// B12.jpg: missing, found at "bollard.jpg", recorded as ""
	// bollard.jpg: restored, found at "", recorded as "B12.jpg"
}
