package main

import (
	"context"
	"fmt"
	"io"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"example.com/phototie/match"
	"example.com/phototie/match/cause"
	"example.com/phototie/match/sim/field"
	"example.com/phototie/match/walk"
)

// verdict is what phototie says of a job, as far as it is held against the truth.
type verdict struct {
	Photos      []said         `json:"photos"`
	Explanation any            `json:"explanation"`
	Cameras     []match.Camera `json:"cameras"`
	Seconds     float64        `json:"seconds"`
	// Stops are the reasons not to write.
	Stops []cause.Stop `json:"stops,omitempty"`

	causes []cause.Found
}

// said is what is said of one photo.
type said struct {
	Name      string           `json:"name"`
	Link      string           `json:"link,omitempty"`
	Verdict   match.Verdict    `json:"verdict"`
	Distance  float64          `json:"distance"`
	Threshold float64          `json:"threshold_m"`
	Inference *match.Inference `json:"inference,omitempty"`
	// Accepted is the verdict with the scales of errors accepted that causes propose.
	Accepted match.Verdict `json:"verdict_accepted"`
	// Corrected says that the position of the linked point would be written.
	Corrected bool `json:"corrected,omitempty"`
	// Wrong says that a right link is contradicted, or a wrong one confirmed.
	Wrong string `json:"wrong,omitempty"`
}

// judge has phototie judge a job in memory, as the command does with one on disk.
func judge(ctx context.Context, j *field.Job) (*verdict, error) {
	start := time.Now()
	res, err := j.Check(ctx)
	if err != nil {
		return nil, err
	}
	ex, err := cause.Explain(ctx, cause.Input{Proj: j.Grid, Options: j.Options, Result: res, Open: j.Open})
	if err != nil {
		return nil, err
	}
	v := &verdict{Explanation: ex, Cameras: res.Cameras, Seconds: time.Since(start).Seconds(), Stops: ex.Stops(), causes: ex.Causes}
	corrections, err := match.Corrections(ctx, j.Grid, res, j.Options, match.Policy{})
	if err != nil {
		return nil, err
	}
	after, err := accept(ctx, j, res, ex)
	if err != nil {
		return nil, err
	}
	for i := range res.Photos {
		p := &res.Photos[i]
		s := said{Name: p.Name, Verdict: p.Verdict, Accepted: after.Photos[i].Verdict, Inference: p.Inference, Corrected: corrections[i].Edit != nil && len(v.Stops) == 0}
		if p.Tie != nil {
			s.Link = p.Tie.Point
		}
		if p.Discrepancy != nil {
			s.Distance, s.Threshold = p.Discrepancy.Distance, p.Allowance.Threshold
		}
		if s.Link != "" && p.Inference != nil {
			right := s.Link == j.Truth.Photos[i].Point
			switch {
			case right && p.Inference.Link == walk.Contradicted:
				s.Wrong = "contradicted, though right"
			case !right && p.Inference.Link == walk.Confirmed:
				s.Wrong = "confirmed, though wrong"
			}
		}
		v.Photos = append(v.Photos, s)
	}
	return v, nil
}

// accept judges a job anew with the scales of errors that causes propose: the
// settings accuracy of a camera and budget.standoff_m.
func accept(ctx context.Context, j *field.Job, res *match.Result, ex *cause.Explanation) (*match.Result, error) {
	opt := j.Options
	opt.Accuracy = map[string]float64{}
	for _, c := range ex.Causes {
		if !isScale(c.Name) || c.Fix == nil {
			continue
		}
		for _, s := range c.Fix.Settings {
			x, err := strconv.ParseFloat(s.Value, 64)
			if err != nil {
				return nil, fmt.Errorf("%s proposes %s: %w", c.Name, s.TOML(), err)
			}
			if camera, ok := strings.CutPrefix(s.Key, "accuracy."); ok {
				opt.Accuracy[strings.Trim(camera, `"`)] = x
			} else {
				opt.Budget.Standoff = x
			}
		}
	}
	if len(opt.Accuracy) == 0 && opt.Budget == j.Options.Budget {
		return res, nil
	}
	return match.Check(ctx, j.Grid, j.Points, j.Links, match.All(j.Photos), opt)
}

// scales are the causes that say how large the errors are and accuse nobody.
var scales = []string{"accuracy-understated", "accuracy-overstated", "standoff"}

func isScale(name string) bool {
	return slices.ContainsFunc(scales, func(s string) bool { return strings.HasPrefix(name, s) })
}

// rate is k of n.
type rate struct{ k, n int }

func (r *rate) add(yes bool) {
	r.n++
	if yes {
		r.k++
	}
}

// String gives the share with its exact interval at 95 %.
func (r rate) String() string {
	if r.n == 0 {
		return "-"
	}
	lo, hi := match.BinomialInterval(r.k, r.n, 0.95)
	return fmt.Sprintf("%d/%d %.3g (%.2g..%.2g)", r.k, r.n, float64(r.k)/float64(r.n), lo, hi)
}

// short is k of n, percent their share.
func (r rate) short() string {
	if r.n == 0 {
		return "-"
	}
	return fmt.Sprintf("%d/%d", r.k, r.n)
}

func (r rate) percent() string {
	if r.n == 0 {
		return "-"
	}
	return fmt.Sprintf("%.1f", 100*float64(r.k)/float64(r.n))
}

// table sums jobs up.
type table struct {
	jobs, photos int
	seconds      float64
	// contradicted counts right links, by what jobs are: "" for all.
	contradicted map[string]*rate
	accused      []string
	caused       map[string]*rate // jobs with a cause, by its name; "" for any that accuses
	causedBy     map[string][]uint64
	gross        map[string]*rate
	within       map[string]*rate
	accepted     map[string]*rate // within with scales accepted
	ties         map[string]*tied // by bin
	confirmed    rate             // wrong links confirmed
	doubtful     rate             // right links doubted
	fair         rate             // right links contradicted, of tags less than 4 times their error off
	stopped      rate             // jobs that are not written
	written      rate             // photos written, of those with a right link and point
	wrote        rate             // the same of those with a wrong one
	blunders     map[string]*outcome
}

// tied counts photos without a link: the point is right, it is another, a point is
// missing, or there is one too many. Stated is the sum of their probabilities.
type tied struct {
	counts [4]int
	stated float64
}

// outcome is how a blunder was found.
type outcome struct {
	named, small      rate // jobs in which it was named, of those where it could be told in 20 photos and more, and of others
	precision, recall rate // of photos of the named
	clear             rate // recall of photos that were put out by enough to be told
	amount            rate // figures within their own interval
	innocent          rate // jobs with a cause that is none of theirs
	spurious          map[string][]uint64
	missed            []uint64
}

func bump[T any](m *map[string]*T, key string) *T {
	if *m == nil {
		*m = map[string]*T{}
	}
	if (*m)[key] == nil {
		(*m)[key] = new(T)
	}
	return (*m)[key]
}

// sorts are the kinds that a job is counted among.
func sorts(t *field.Truth, photos int) []string {
	s := []string{"", "layout " + t.Layout, "timing " + t.Timing}
	size := "photos below 20"
	switch {
	case photos >= 150:
		size = "photos 150 and more"
	case photos >= 20:
		size = "photos 20 to 149"
	}
	s = append(s, size)
	kinds := slices.Compact(slices.Sorted(slices.Values(t.Noise)))
	if len(kinds) == 1 {
		s = append(s, "noise "+kinds[0])
	} else {
		s = append(s, "noise mixed")
	}
	if slices.Contains(t.Stated, "optimistic") {
		s = append(s, "stated optimistic")
	} else {
		s = append(s, "stated "+strings.Join(slices.Compact(slices.Sorted(slices.Values(t.Stated))), "+"))
	}
	if t.Returns {
		s = append(s, "returns")
	}
	if t.Crews > 1 {
		s = append(s, "several crews")
	}
	if !t.StandoffKnown {
		s = append(s, "standoff wrong")
	}
	return s
}

// add takes up a job.
func (t *table) add(j *field.Job, v *verdict) {
	t.jobs++
	t.photos += len(j.Photos)
	t.seconds += v.Seconds
	kinds := sorts(&j.Truth, len(j.Photos))
	t.stopped.add(len(v.Stops) > 0)
	moved := slices.ContainsFunc(j.Truth.Plants, func(p field.Plant) bool { return p.PointsMoved })
	accused, links, anyGross := 0, 0, false
	for i, s := range v.Photos {
		truth := &j.Truth.Photos[i]
		if s.Link == "" {
			t.tie(s.Inference, truth)
			continue
		}
		status := walk.Status("")
		if s.Inference != nil {
			status = s.Inference.Link
		}
		if !truth.Altered && s.Verdict != match.Unjudged {
			anyGross = anyGross || s.Verdict == match.Gross
			for _, k := range kinds {
				bump(&t.within, k).add(s.Verdict == match.Within)
				bump(&t.accepted, k).add(s.Accepted == match.Within)
			}
		}
		if moved || s.Link != truth.Point {
			t.wrote.add(s.Corrected)
			if s.Link != truth.Point {
				t.confirmed.add(status == walk.Confirmed)
			}
			continue
		}
		links++
		t.written.add(s.Corrected)
		t.doubtful.add(status == walk.Doubtful)
		if truth.Error <= 4*truth.Radius {
			t.fair.add(status == walk.Contradicted)
		}
		if status == walk.Contradicted {
			accused++
		}
		for _, k := range kinds {
			bump(&t.contradicted, k).add(status == walk.Contradicted)
		}
	}
	if accused > 0 {
		t.accused = append(t.accused, fmt.Sprintf("%d: %d of %d (%s, %s, %s)", j.Seed, accused, links, j.Truth.Layout, strings.Join(j.Truth.Noise, "+"), j.Truth.Timing))
	}
	if links > 0 {
		for _, k := range append(kinds, excuse(j)) {
			bump(&t.gross, k).add(anyGross)
		}
	}
	t.explained(j, v, kinds)
}

// excuses are what may make a photo of an honest job gross, the first that holds.
var excuses = []string{"a tag over 4 times its error off", "the standoff is not as set", "errors stated too small", "all as stated"}

// excuse says which of them a job has. Errors are stated too small where a tenth of
// the tags have less than 0.8 of their own.
func excuse(j *field.Job) string {
	small := 0
	for i, p := range j.Truth.Photos {
		stated := j.Options.Budget.Handheld
		if t := j.Photos[i].Tag; t.HPositioningError != nil {
			stated = *t.HPositioningError
		} else if t.DOP != nil {
			stated = *t.DOP * j.Options.Budget.UserRangeError / math.Sqrt2 * 1.5152
		}
		if stated < 0.8*p.Radius {
			small++
		}
	}
	switch {
	case j.Truth.Wild > 0:
		return excuses[0]
	case !j.Truth.StandoffKnown:
		return excuses[1]
	case 10*small > len(j.Photos):
		return excuses[2]
	}
	return excuses[3]
}

// explained holds the causes against the plants.
func (t *table) explained(j *field.Job, v *verdict, kinds []string) {
	accusing := slices.DeleteFunc(slices.Clone(v.causes), func(c cause.Found) bool { return isScale(c.Name) })
	for _, k := range kinds {
		bump(&t.caused, "in "+k).add(len(accusing) > 0)
	}
	for _, p := range j.Truth.Plants {
		bump(&t.blunders, p.Blunder).add(j, v, &p)
	}
	if len(j.Truth.Plants) == 0 {
		for _, c := range v.causes {
			bump(&t.caused, c.Name).k++
			t.causedBy[c.Name] = append(t.causedBy[c.Name], j.Seed)
		}
		return
	}
	o := t.blunders[j.Truth.Plants[0].Blunder]
	wrong := slices.DeleteFunc(accusing, func(c cause.Found) bool {
		return slices.ContainsFunc(j.Truth.Plants, func(p field.Plant) bool { return slices.Contains(p.Causes, c.Name) })
	})
	for _, c := range wrong {
		if o.spurious == nil {
			o.spurious = map[string][]uint64{}
		}
		o.spurious[c.Name] = append(o.spurious[c.Name], j.Seed)
	}
	o.innocent.add(len(wrong) > 0)
}

// add takes up what was said of a plant.
func (o *outcome) add(j *field.Job, v *verdict, p *field.Plant) {
	if len(p.Photos) == 0 {
		return
	}
	var found []string
	said := slices.DeleteFunc(slices.Clone(v.causes), func(c cause.Found) bool { return !slices.Contains(p.Causes, c.Name) })
	named := len(said) > 0
	if !p.Detectable || len(j.Photos) < 20 {
		o.small.add(named)
		return
	}
	if o.named.add(named); !named {
		o.missed = append(o.missed, j.Seed)
		return
	}
	for _, c := range said {
		o.amounts(p, c)
		found = append(found, c.Photos...)
	}
	// Recall is over photos with a link, as of others few causes can know.
	for _, s := range v.Photos {
		concerned := slices.Contains(p.Photos, s.Name)
		right := slices.Contains(found, s.Name)
		if right {
			o.precision.add(concerned)
		}
		if concerned && s.Link != "" {
			o.recall.add(right)
			if !slices.Contains(p.Slight, s.Name) {
				o.clear.add(right)
			}
		}
	}
}

// amounts holds the figures of a cause against those planted, in their own interval.
func (o *outcome) amounts(p *field.Plant, c cause.Found) {
	for _, x := range c.Params {
		want, ok := p.Amounts[x.Name]
		if !ok {
			continue
		}
		off := math.Abs(x.Value - want)
		if p.Modulo > 0 {
			off = math.Abs(math.Remainder(off, p.Modulo))
		}
		slack := 1e-4 * math.Abs(want)
		if x.StdErr != nil {
			slack = 1.96 * *x.StdErr
		}
		if x.Unit == "s" {
			slack += 2 // times are written to the second, and clocks drift
		}
		o.amount.add(off <= slack)
	}
}

// bins are the lower edges of the bins of a tie's probability.
var bins = []float64{0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.99}

// tie counts a photo without a link.
func (t *table) tie(in *match.Inference, truth *field.PhotoTruth) {
	if in == nil || in.Probability < bins[0] {
		return
	}
	k := 0
	for k+1 < len(bins) && in.Probability >= bins[k+1] {
		k++
	}
	c := bump(&t.ties, fmt.Sprintf("%.2f", bins[k]))
	c.stated += in.Probability
	switch {
	case in.Point == truth.Point:
		c.counts[0]++
	case in.Point != "" && truth.Point != "":
		c.counts[1]++
	case in.Point == "":
		c.counts[2]++
	default:
		c.counts[3]++
	}
}

// honest prints the table of honest jobs.
func (t *table) honest(w io.Writer) {
	fmt.Fprintf(w, "%d honest jobs, %d photos, %.3g s a job\n\n", t.jobs, t.photos, t.seconds/float64(t.jobs))
	fmt.Fprintf(w, "%-24s %-34s %-12s %-12s %-8s %s\n", "", "right links contradicted", "with cause", "with gross", "within", "scale accepted")
	for _, k := range sortedKeys(t.within) {
		name := k
		if k == "" {
			name = "all"
		}
		cell := func(m map[string]*rate, key string) rate {
			if m[key] == nil {
				return rate{}
			}
			return *m[key]
		}
		fmt.Fprintf(w, "%-24s %-34s %-12s %-12s %-8s %s\n", name, cell(t.contradicted, k), cell(t.caused, "in "+k).short(), cell(t.gross, k).short(), cell(t.within, k).percent(), cell(t.accepted, k).percent())
	}
	for _, k := range excuses {
		if g := t.gross[k]; g != nil {
			fmt.Fprintf(w, "jobs with a gross photo, %s: %s\n", k, g)
		}
	}
	fmt.Fprintf(w, "right links contradicted, tag less than 4 times its error off: %s\n", t.fair)
	fmt.Fprintf(w, "right links doubted: %s\nright photos written: %s\njobs stopped: %s\njobs with a cause: %s\n", t.doubtful, t.written, t.stopped, t.caused["in "])
	for _, k := range sortedKeys(t.caused) {
		if !strings.HasPrefix(k, "in ") {
			fmt.Fprintf(w, "  %-22s %d  seeds %v\n", k, t.caused[k].k, first(t.causedBy[k], 8))
		}
	}
	fmt.Fprintf(w, "jobs with contradicted right links, by seed:\n")
	for i, a := range t.accused {
		if i == 40 {
			fmt.Fprintf(w, "  and %d more\n", len(t.accused)-40)
			break
		}
		fmt.Fprintln(w, "  "+a)
	}
	fmt.Fprintf(w, "inferred ties of photos without a link:\n%-8s %7s %12s %14s %12s %7s %s\n", "from", "right", "wrong point", "false nothing", "false point", "stated", "right share")
	for _, k := range sortedKeys(t.ties) {
		c := t.ties[k].counts
		all := c[0] + c[1] + c[2] + c[3]
		fmt.Fprintf(w, "%-8s %7d %12d %14d %12d %7.3f %s\n", k, c[0], c[1], c[2], c[3], t.ties[k].stated/float64(all), rate{c[0], all})
	}
}

func first[T any](x []T, n int) []T { return x[:min(n, len(x))] }

func sortedKeys[T any](m map[string]T) []string { return slices.Sorted(maps.Keys(m)) }

// blunder prints the line of a blunder.
func (t *table) blunder(w io.Writer, name string, head bool) {
	if head {
		fmt.Fprintf(w, "%-18s %-10s %-9s %-10s %-7s %-7s %-9s %-11s %-11s %-8s %-8s %-10s %s\n", "blunder", "named", "small", "precision", "recall", "clear", "amount", "right links", "wrong links", "wrong", "jobs", "written", "spurious causes (seeds); seeds missed; right links contradicted")
		fmt.Fprintf(w, "%-18s %-10s %-9s %-10s %-7s %-7s %-9s %-11s %-11s %-8s %-8s %-10s\n", "", "", "", "", "", "ones", "in 95 %", "contrad.", "confirmed", "cause", "stopped", "wrongly")
	}
	for _, k := range sortedKeys(t.blunders) {
		o := t.blunders[k]
		var also []string
		for _, c := range sortedKeys(o.spurious) {
			also = append(also, fmt.Sprintf("%s %v", c, first(o.spurious[c], 8)))
		}
		label, links := k, rate{}
		if name != k {
			label = name + "/" + k
		}
		if c := t.contradicted[""]; c != nil {
			links = *c
		}
		fmt.Fprintf(w, "%-18s %-10s %-9s %-10s %-7s %-7s %-9s %-11s %-11s %-8s %-8s %-10s %s; %v; %s\n", label, o.named.short(), o.small.short(), o.precision.percent(), o.recall.percent(), o.clear.percent(),
			o.amount.short(), links.short(), t.confirmed.short(), o.innocent.short(), t.stopped.short(), t.wrote.short(), strings.Join(also, ", "), first(o.missed, 8), strings.Join(first(t.accused, 4), ", "))
	}
}
