package report

import (
	"encoding/xml"
	"fmt"
	"io"
	"strings"

	"example.com/phototie/match"
	"example.com/phototie/match/baseline"
	"example.com/phototie/match/internal/words"
)

// JUnit writes a checked job as the XML that CI systems read test results from.
// Nobody has standardised that format; what is written keeps to the elements and
// attributes that its common schemas share.
//
// There is a test suite for each verdict with a test case a photo; one with a
// case a point, which fails where findings about the point count; and, where
// there are findings about neither, suites for the links and for the job. A
// case fails where a finding of it is at failOn or above. It is skipped, with the
// reason, where a finding that would have failed it is accepted, and where a photo
// could not be judged. Other findings are written to its output. With failOn
// empty nothing fails.
//
// Cases are named by their photo, and their class is the dataset, so that a case
// keeps its identity when its verdict changes.
func JUnit(w io.Writer, dataset string, r *match.Result, o baseline.Outcome, failOn match.Severity) error {
	doc := junitDoc{Name: "phototie " + words.Safe(dataset)}
	class := words.Safe(dataset)

	photos, points, links, job := junitCases(r, o)
	for _, v := range match.Verdicts {
		s := junitSuite{Name: "photos " + string(v)}
		for i := range r.Photos {
			p := &r.Photos[i]
			if p.Verdict != v {
				continue
			}
			c := junitCase{Class: class, Name: words.Safe(p.Name)}
			photos[p.Name].settle(&c, failOn)
			if v == match.Unjudged && c.Failure == nil && c.Skipped == nil {
				c.Skipped = &junitWords{Message: words.Safe(p.Why)}
			}
			s.add(c)
		}
		doc.add(s)
	}
	s := junitSuite{Name: "points"}
	for i := range r.Points {
		c := junitCase{Class: class, Name: words.Safe(r.Points[i].ID)}
		points[r.Points[i].ID].settle(&c, failOn)
		s.add(c)
	}
	doc.add(s)
	for _, rest := range []struct {
		name string
		list []*junitFindings
	}{{"links", links}, {"job", job}} {
		s := junitSuite{Name: rest.name}
		for _, j := range rest.list {
			c := junitCase{Class: class, Name: j.subject()}
			j.settle(&c, failOn)
			s.add(c)
		}
		if s.Tests > 0 {
			doc.add(s)
		}
	}

	return encodeXML(w, doc, "  ")
}

// junitCases are the findings of each photo and each point, and those about
// neither: of the links and of the job.
func junitCases(r *match.Result, o baseline.Outcome) (photos, points map[string]*junitFindings, links, job []*junitFindings) {
	photos, points = map[string]*junitFindings{}, map[string]*junitFindings{}
	for i := range r.Photos {
		photos[r.Photos[i].Name] = &junitFindings{}
	}
	for i := range r.Points {
		points[r.Points[i].ID] = &junitFindings{}
	}
	of := func(f match.Finding) *junitFindings {
		j := photos[f.Photo]
		if f.Photo == "" {
			j = points[f.Point]
		}
		if j != nil {
			return j
		}
		j = &junitFindings{}
		if f.Photo == "" && f.Point == "" {
			job = append(job, j)
		} else {
			links = append(links, j)
		}
		return j
	}
	for _, f := range o.Kept {
		j := of(f)
		j.kept = append(j.kept, f)
	}
	for _, a := range o.Accepted {
		j := of(a.Finding)
		j.accepted = append(j.accepted, a)
	}
	return photos, points, links, job
}

// encodeXML writes a document with its declaration, ended by a line feed.
func encodeXML(w io.Writer, doc any, indent string) error {
	if _, err := io.WriteString(w, xml.Header); err != nil {
		return err
	}
	enc := xml.NewEncoder(w)
	enc.Indent("", indent)
	if err := enc.Encode(doc); err != nil {
		return err
	}
	if err := enc.Close(); err != nil {
		return err
	}
	_, err := io.WriteString(w, "\n")
	return err
}

// junitFindings are the findings of one test case.
type junitFindings struct {
	kept     []match.Finding
	accepted []baseline.Accepted
}

// subject names the finding of a case that is about no photo and no point.
func (j *junitFindings) subject() string {
	f := match.Finding{}
	switch {
	case len(j.kept) > 0:
		f = j.kept[0]
	case len(j.accepted) > 0:
		f = j.accepted[0].Finding
	}
	s := string(f.Code)
	for _, name := range []string{f.Photo, f.Point, f.Cause} {
		if name != "" {
			s += " " + words.Safe(name)
		}
	}
	return s
}

// settle gives a test case its result.
func (j *junitFindings) settle(c *junitCase, failOn match.Severity) {
	fails := func(f match.Finding) bool { return failOn != "" && f.Severity.AtLeast(failOn) }
	var failed, passed []string
	for _, f := range j.kept {
		text := words.Safe(fmt.Sprintf("%s %s: %s. Remedy: %s", f.Severity, f.Code, f.Message, f.Remedy))
		if !fails(f) {
			passed = append(passed, text)
			continue
		}
		failed = append(failed, text)
		if c.Failure == nil {
			c.Failure = &junitFailure{Type: string(f.Code), Message: words.Safe(f.Message)}
		}
	}
	for _, a := range j.accepted {
		text := words.Safe(fmt.Sprintf("accepted %s: %s (%s %s: %s)", a.Entry.Until(), a.Entry.Reason, a.Severity, a.Code, a.Message))
		if c.Failure == nil && c.Skipped == nil && fails(a.Finding) {
			c.Skipped = &junitWords{Message: text}
			continue
		}
		passed = append(passed, text)
	}
	if c.Failure != nil {
		c.Failure.Text = strings.Join(failed, "\n")
	}
	if len(passed) > 0 {
		c.Out = strings.Join(passed, "\n")
	}
}

type (
	junitDoc struct {
		XMLName  xml.Name     `xml:"testsuites"`
		Name     string       `xml:"name,attr"`
		Tests    int          `xml:"tests,attr"`
		Failures int          `xml:"failures,attr"`
		Errors   int          `xml:"errors,attr"`
		Suites   []junitSuite `xml:"testsuite"`
	}
	junitSuite struct {
		Name     string      `xml:"name,attr"`
		Tests    int         `xml:"tests,attr"`
		Failures int         `xml:"failures,attr"`
		Errors   int         `xml:"errors,attr"`
		Skipped  int         `xml:"skipped,attr"`
		Cases    []junitCase `xml:"testcase"`
	}
	junitCase struct {
		Class   string        `xml:"classname,attr"`
		Name    string        `xml:"name,attr"`
		Skipped *junitWords   `xml:"skipped"`
		Failure *junitFailure `xml:"failure"`
		Out     string        `xml:"system-out,omitempty"`
	}
	junitWords struct {
		Message string `xml:"message,attr"`
	}
	junitFailure struct {
		Type    string `xml:"type,attr"`
		Message string `xml:"message,attr"`
		Text    string `xml:",chardata"`
	}
)

func (s *junitSuite) add(c junitCase) {
	s.Cases = append(s.Cases, c)
	s.Tests++
	if c.Failure != nil {
		s.Failures++
	}
	if c.Skipped != nil {
		s.Skipped++
	}
}

func (d *junitDoc) add(s junitSuite) {
	d.Suites = append(d.Suites, s)
	d.Tests += s.Tests
	d.Failures += s.Failures
}
