package report

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
	"net/url"
	"path"
	"slices"
	"strings"

	"example.com/phototie/match"
	"example.com/phototie/match/baseline"
	"example.com/phototie/match/internal/words"
)

// Files says where the files of a dataset are, for findings to point to. Points,
// Links and the names of photos are paths inside the dataset, with slashes; an
// empty one is not known.
type Files struct {
	// Root is the dataset's folder as seen from where the consumer of the report
	// counts paths: the top of the repository, for code hosts. It is relative, with
	// slashes; empty and "." are that place itself.
	Root string
	// Points and Links are the files that Finding.Line counts lines of.
	Points, Links string
	// Settings is the settings file, for findings about the job as a whole.
	Settings string
	// Baseline is the baseline, relative to where Root is relative to.
	Baseline string
}

// sarifSchema identifies the schema that the document follows.
const sarifSchema = "https://docs.oasis-open.org/sarif/sarif/v2.1.0/errata01/os/schemas/sarif-schema-2.1.0.json"

// SARIF writes findings as one run of SARIF 2.1.0 (OASIS Standard). version is
// the program's, without the findings' meaning. Rule ids are the codes of the
// findings; they are stable, and every kind there is is listed. A result is
// located at the line of the link that ties its photo, which a review of a change can
// show, with the photo as a related location; at the photo where no line ties it; at
// the line of the point where the finding is about a point; else at the settings. Findings that a baseline
// accepts are written as suppressed, with the reason. The partial fingerprint
// holds across runs for the same kind of finding about the same photo and point.
//
// The document is the same bytes for the same findings: it holds no time and no
// absolute path.
func SARIF(w io.Writer, dataset, version string, r *match.Result, o baseline.Outcome, files Files) error {
	accepted := make([]match.Finding, len(o.Accepted))
	for i, a := range o.Accepted {
		accepted[i] = a.Finding
	}
	list := rulesFor(o.Kept, accepted)
	s := sarif{files: files, photos: map[string]bool{}, index: map[match.FindingCode]int{}, seen: map[string]int{}}
	for i := range r.Photos {
		s.photos[r.Photos[i].Name] = true
	}
	rules := make([]object, len(list))
	for i, rule := range list {
		s.index[rule.Code] = i
		rules[i] = object{"id": rule.Code, "name": pascal(string(rule.Code)), "shortDescription": object{"text": rule.Title}, "fullDescription": object{"text": rule.Text},
			"defaultConfiguration": object{"level": rule.Severity}}
	}
	results := []object{}
	for _, f := range o.Kept {
		res := s.result(f)
		if len(o.Accepted) > 0 {
			res["suppressions"] = []object{} // they are there for all results or for none (section 3.27.23)
		}
		results = append(results, res)
	}
	for _, a := range o.Accepted {
		res := s.result(a.Finding)
		why := fmt.Sprintf("%s (%s)", a.Entry.Reason, a.Entry.Until())
		if a.Entry.By != "" {
			why = fmt.Sprintf("%s (%s, %s)", a.Entry.Reason, a.Entry.By, a.Entry.Until())
		}
		res["suppressions"] = []object{{"kind": "external", "status": "accepted", "justification": words.Safe(why)}}
		results = append(results, res)
	}
	driver := object{"name": "phototie", "rules": rules}
	if version != "" {
		driver["version"] = version
	}
	return Document(w, object{"$schema": sarifSchema, "version": "2.1.0", "runs": []object{{
		"tool":               object{"driver": driver},
		"originalUriBaseIds": object{sarifRoot: object{"description": object{"text": "the folder that paths count from: the top of the repository"}}},
		// A run that got so far as to write this has done its work.
		"invocations": []object{{"executionSuccessful": true}},
		"columnKind":  "unicodeCodePoints", "properties": object{"dataset": words.Safe(dataset)}, "results": results,
	}}})
}

// sarifRoot is the base that the URIs of results are relative to.
const sarifRoot = "SRCROOT"

// object is an object of the document, with the standard's names.
type object map[string]any

// sarif turns findings into results.
type sarif struct {
	files  Files
	photos map[string]bool
	index  map[match.FindingCode]int
	seen   map[string]int
}

func (s *sarif) result(f match.Finding) object {
	res := object{"ruleId": f.Code, "ruleIndex": s.index[f.Code], "level": f.Severity, "message": object{"text": message(f.Message + ". Remedy: " + f.Remedy)},
		"partialFingerprints": object{"phototieFinding/v1": s.fingerprint(f)}}
	properties := object{}
	if f.Photo != "" {
		properties["photo"] = f.Photo
	}
	at := object{"logicalLocations": []object{{"name": "job", "kind": "job"}}}
	photo, line := s.places(f)
	switch {
	case line != nil:
		at = object{"physicalLocation": line}
		if photo != nil {
			res["relatedLocations"] = []object{{"physicalLocation": photo, "message": object{"text": "the photo"}}}
		}
	case photo != nil:
		at = object{"physicalLocation": photo}
	}
	if f.Point != "" {
		properties["point"] = f.Point
		// The point is a logical place beside the physical one.
		at["logicalLocations"] = []object{{"name": words.Safe(f.Point), "kind": "point"}}
	}
	res["locations"] = []object{at}
	if len(properties) > 0 {
		res["properties"] = properties
	}
	return res
}

// places gives the photo of a finding and the line that it is about; either may
// be nil.
func (s *sarif) places(f match.Finding) (photo, line object) {
	at := func(root, name string, l int) object {
		if name == "" {
			return nil // not known
		}
		// Names are joined as they are: path.Join would change those with two slashes.
		if root = path.Clean(root); root != "." {
			name = root + "/" + name
		}
		p := object{"artifactLocation": object{"uri": relativeURI(name), "uriBaseId": sarifRoot}}
		if l > 0 {
			p["region"] = object{"startLine": l}
		}
		return p
	}
	if f.Photo != "" && s.photos[f.Photo] {
		photo = at(s.files.Root, f.Photo, 0)
	}
	switch {
	case f.Code == match.FindingUnusedAcceptance:
		return nil, at("", s.files.Baseline, f.Line)
	case f.Photo == "" && f.Point == "":
		line = at(s.files.Root, s.files.Settings, f.Line)
	case f.Photo == "":
		line = at(s.files.Root, s.files.Points, f.Line)
	case f.Line > 0 || photo == nil:
		line = at(s.files.Root, s.files.Links, f.Line)
	}
	return photo, line
}

// fingerprint identifies a finding across runs: its kind, photo and point, and
// its number among several of the same.
func (s *sarif) fingerprint(f match.Finding) string {
	id := strings.Join([]string{string(f.Code), f.Photo, f.Point}, "\x00")
	if f.Cause != "" {
		id += "\x00" + f.Cause
	}
	n := s.seen[id]
	s.seen[id]++
	sum := sha256.Sum256(fmt.Appendf(nil, "%s\x00%d", id, n))
	return hex.EncodeToString(sum[:16])
}

// relativeURI writes a relative path as a URI reference (RFC 3986), bytes that
// are not UTF-8 too.
func relativeURI(name string) string {
	u := url.URL{Path: name}
	return u.String()
}

// message makes words a plain text message: names in them may neither start a
// link, which has the form [text](target), nor look like a placeholder, {0}
// (sections 3.11.5 and 3.11.6).
func message(s string) string {
	s = words.Safe(s)
	if i := strings.Index(s, "]("); i >= 0 {
		s = strings.NewReplacer(`\`, `\\`, "[", `\[`, "]", `\]`).Replace(s)
	}
	return strings.NewReplacer("{", "{{", "}", "}}").Replace(s)
}

// pascal writes a code as the name of a rule: tag-gross becomes TagGross.
func pascal(code string) string {
	parts := strings.Split(code, "-")
	parts = slices.DeleteFunc(parts, func(p string) bool { return p == "" })
	for i, p := range parts {
		parts[i] = strings.ToUpper(p[:1]) + p[1:]
	}
	return strings.Join(parts, "")
}
