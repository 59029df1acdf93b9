package decide

import (
	"cmp"
	"context"
	"slices"
	"strings"
	"time"

	"example.com/phototie/match"
	"example.com/phototie/match/baseline"
	"example.com/phototie/match/dataset"
)

// urgency orders the kinds of finding that somebody has to decide about; those that
// it lacks are none of them.
var urgency = map[match.FindingCode]int{
	match.FindingContradicted: 90, match.FindingGross: 80, match.FindingStale: 75, match.FindingManyPoints: 70, match.FindingNoPoint: 70,
	match.FindingDoubted: 65, match.FindingNoTie: 60, match.FindingInferred: 50, match.FindingUnreadable: 48, match.FindingUndecodable: 48,
	match.FindingNoTag: 45, match.FindingBadTag: 45, match.FindingCoarse: 45, match.FindingNoFrame: 45, match.FindingBallpark: 45,
	match.FindingTooFew: 44, match.FindingPointWithoutPhoto: 42, match.FindingOver: 40, match.FindingBlurred: 35, match.FindingTooSmall: 35,
	match.FindingClipped: 35, match.FindingLowQuality: 35, match.FindingIdentical: 30, match.FindingMarkupAlone: 30,
}

// Urgencies of what is no finding.
const (
	urgentProposal = 85
	urgentExpiry   = 20
)

// expiryDays is how many days ahead an acceptance is listed that runs out.
const expiryDays = 30

// item is something that needs a decision: a photo, or a point that lacks one.
type item struct {
	photo, point int // in the result; the one that it is not is -1
	rank         int
	findings     []match.Finding
	expiring     []baseline.Entry
	proposal     *match.Decision
	run          int // of the queue's runs; -1 for none
}

// run is a row of photos that a cause proposes to decide at once.
type run struct {
	name, summary string
	rank          int
}

// queue has what needs a decision, the worst first.
type queue struct {
	items []*item
	runs  []run
}

// newQueue looks through a checked job.
func newQueue(ctx context.Context, job *dataset.Checked, outcome baseline.Outcome, today baseline.Date) (*queue, error) {
	proposed, err := job.Proposed(ctx)
	if err != nil {
		return nil, err
	}
	q := &queue{}
	photos, points := make(map[string]*item, len(job.Photos)), make(map[string]*item, len(job.Points))
	all := make([]*item, 0, len(job.Photos)+len(job.Points))
	for i := range job.Photos {
		it := &item{photo: i, point: -1, run: -1}
		photos[job.Photos[i].Name] = it
		all = append(all, it)
	}
	for j := range job.Points {
		it := &item{photo: -1, point: j, run: -1}
		points[job.Points[j].ID] = it
		all = append(all, it)
	}
	of := func(photo, point string) *item {
		if photo != "" {
			return photos[photo]
		}
		return points[point]
	}
	for _, f := range outcome.Kept {
		if it := of(f.Photo, f.Point); it != nil && urgency[f.Code] > 0 {
			it.findings, it.rank = append(it.findings, f), max(it.rank, urgency[f.Code])
		}
	}
	for _, a := range outcome.Accepted {
		it := of(a.Photo, a.Point)
		if e := a.Entry; it != nil && e.Decided == "" && soon(today, e.Expires) {
			it.expiring, it.rank = append(it.expiring, e), max(it.rank, urgentExpiry)
		}
	}
	for k := range proposed {
		if it := photos[proposed[k].Photo]; it != nil {
			it.proposal, it.rank = &proposed[k], max(it.rank, urgency[match.FindingInferred])
		}
	}
	q.findRuns(job, photos)
	for _, it := range all {
		if it.rank > 0 {
			q.items = append(q.items, it)
		}
	}
	slices.SortStableFunc(q.items, func(a, b *item) int { return cmp.Or(q.rank(b)-q.rank(a), cmp.Compare(a.run, b.run)) })
	return q, nil
}

// rank is that of an item, or of its run where that is more.
func (q *queue) rank(it *item) int {
	if it.run >= 0 {
		return max(it.rank, q.runs[it.run].rank)
	}
	return it.rank
}

// findRuns finds the causes that propose points for several photos.
func (q *queue) findRuns(job *dataset.Checked, photos map[string]*item) {
	if job.Explanation == nil {
		return
	}
	for _, c := range job.Explanation.Causes {
		var of []*item
		if c.Fix != nil {
			for _, l := range c.Fix.Links {
				if it := photos[l.Photo]; it != nil && it.proposal != nil && it.proposal.Point == l.Point && it.run < 0 {
					of = append(of, it)
				}
			}
		}
		if len(of) < 2 {
			continue
		}
		r := run{name: c.Name, summary: c.Summary, rank: urgentProposal}
		for _, it := range of {
			it.run, r.rank = len(q.runs), max(r.rank, it.rank)
		}
		q.runs = append(q.runs, r)
	}
}

// soon reports whether a day is at most expiryDays ahead.
func soon(today, day baseline.Date) bool {
	at := time.Date(today.Year, today.Month, today.Day, 0, 0, 0, 0, time.UTC).AddDate(0, 0, expiryDays)
	return !day.After(baseline.DateOf(at))
}

// neighbours are the photos before and after each of the same camera; -1 for none.
func neighbours(photos []match.PhotoResult) (before, after []int) {
	order := make([]int, len(photos))
	before, after = make([]int, len(photos)), make([]int, len(photos))
	camera := make([]string, len(photos))
	for i := range photos {
		order[i], before[i], after[i] = i, -1, -1
		if t := photos[i].Tag; t != nil {
			camera[i] = cmp.Or(t.Serial, t.Make+" "+t.Model)
		}
	}
	slices.SortStableFunc(order, func(a, b int) int {
		return cmp.Or(strings.Compare(camera[a], camera[b]), photos[a].Tag.When().Compare(photos[b].Tag.When()))
	})
	for k := 1; k < len(order); k++ {
		if a, b := order[k-1], order[k]; camera[a] == camera[b] {
			after[a], before[b] = b, a
		}
	}
	return before, after
}
