package record_test

import (
	"archive/zip"
	"bytes"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"example.com/phototie/match"
	"example.com/phototie/match/record"
)

// An OpenDocument text is a ZIP whose first entry is its media type, not compressed
// (OpenDocument 1.2 part 3, section 3.3), its parts are XML by an independent parser,
// the manifest names every picture, and all photos and points are in it. Hostile names
// stay text.
func TestWriteODT(t *testing.T) {
	tool, err := exec.LookPath("xmllint")
	if err != nil {
		if os.Getenv("PHOTOTIE_REQUIRE_TOOLS") != "" {
			t.Fatal(err)
		}
		t.Skip("xmllint is not installed")
	}
	for name, in := range map[string]record.Input{"usual": input(t, 40, nil), "hostile": input(t, 20, hostile), "empty": {Result: &match.Result{}}} {
		t.Run(name, func(t *testing.T) {
			in.Block = []record.Fact{{Name: "Client", Text: "Harbour & <Sons>\x01"}}
			var b, again bytes.Buffer
			if err := record.WriteODT(t.Context(), &b, in); err != nil {
				t.Fatal(err)
			}
			if err := record.WriteODT(t.Context(), &again, in); err != nil || !bytes.Equal(b.Bytes(), again.Bytes()) {
				t.Errorf("a second time it is other bytes, %v", err)
			}
			if at := bytes.Index(b.Bytes(), []byte("mimetypeapplication/vnd.oasis.opendocument.text")); at != 30 {
				t.Errorf("the media type is at %d, want 30", at)
			}
			z, err := zip.NewReader(bytes.NewReader(b.Bytes()), int64(b.Len()))
			if err != nil {
				t.Fatal(err)
			}
			parts := map[string]string{}
			for _, f := range z.File {
				r, err := f.Open()
				if err != nil {
					t.Fatal(err)
				}
				text, err := io.ReadAll(r)
				if err != nil {
					t.Fatal(err)
				}
				parts[f.Name] = string(text)
			}
			dir := t.TempDir()
			for _, part := range []string{"content.xml", "styles.xml", "META-INF/manifest.xml"} {
				file := filepath.Join(dir, filepath.Base(part))
				if err := os.WriteFile(file, []byte(parts[part]), 0o644); err != nil {
					t.Fatal(err)
				}
				if out, err := exec.Command(tool, "--noout", file).CombinedOutput(); err != nil {
					t.Errorf("%s: %v: %s", part, err, out)
				}
			}
			out, err := exec.Command(tool, "--xpath", "string(/)", filepath.Join(dir, "content.xml")).Output()
			if err != nil {
				t.Fatal(err)
			}
			for _, p := range in.Result.Points {
				if !strings.Contains(string(out), p.ID) {
					t.Errorf("point %s is not in it", p.ID)
				}
			}
			for _, p := range in.Result.Photos {
				if name == "usual" && !strings.Contains(string(out), filepath.Base(p.Name)+": "+string(p.Verdict)) {
					t.Errorf("%s is not in it with its verdict", p.Name)
				}
			}
			for part := range parts {
				if part != "mimetype" && part != "META-INF/manifest.xml" && !strings.Contains(parts["META-INF/manifest.xml"], `full-path="`+part+`"`) {
					t.Errorf("the manifest does not name %s", part)
				}
			}
		})
	}
}
