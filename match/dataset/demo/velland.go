package demo

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"path"
	"slices"
	"strings"
	"time"

	"example.com/phototie/grid"
	"example.com/phototie/match/internal/words"
)

// The grid of Port Velland.
const vellandCode = "EPSG:2157"

// PortVelland makes the job of the quay of Port Velland, an invented harbour on
// the south-east coast of Ireland: 60 points (bollards, ladders, fenders, drain
// outfalls and four bench marks) along 600 m of quay and 150 photos of two
// days. One of the crew walks the quay with the rover and a handheld, the other
// follows in the boat with a second handheld and photographs what hangs on the
// quay's face.
//
// proj must be of EPSG:2157, IRENET95 / Irish Transverse Mercator, else the
// error is ErrGrid. No image is drawn yet: that is left to [Photo.JPEG] or
// [Write].
func PortVelland(ctx context.Context, proj grid.Projection, seed uint64) (*Job, error) {
	if err := checkGrid(proj.Grid(), vellandCode, grid.Metre); err != nil {
		return nil, err
	}
	rng := rand.New(rand.NewPCG(seed, 0x7e11a4d))
	return vellandPlan(rng).job(ctx, proj, "velland", seed, rng)
}

// leg is a straight length of quay.
type leg struct{ bearing, length float64 }

// The quay, from its west end, with the water on the right.
var (
	vellandStart = grid.EN{E: 690238.4, N: 604871.2}
	vellandLegs  = []leg{{74, 136}, {81.5, 118}, {68, 164}, {93, 92}, {61, 108}}
)

const vellandDeck = 3.60

// along returns the place and the bearing of the quay's edge at a chainage.
func along(start grid.EN, legs []leg, chain float64) (grid.EN, float64) {
	at := start
	for i, l := range legs {
		d := min(chain, l.length)
		if i == len(legs)-1 {
			d = chain
		}
		s, c := math.Sincos(l.bearing * math.Pi / 180)
		at.E += d * s
		at.N += d * c
		chain -= d
		if chain <= 0 {
			return at, l.bearing
		}
	}
	return at, legs[len(legs)-1].bearing
}

func vellandPlan(rng *rand.Rand) *plan {
	const n = 60
	zone := time.FixedZone("", 3600) // Irish summer time
	p := &plan{
		name: "Port Velland", short: "PV", deck: vellandDeck, unit: grid.Metre, troubled: true, sigmas: true,
		sun:  grid.LatLon{Lat: 52.19, Lon: -6.68},
		days: []time.Time{time.Date(2025, 5, 20, 9, 12, 0, 0, zone), time.Date(2025, 5, 21, 8, 47, 0, 0, zone)},
		devices: []device{
			{letter: "QA", serial: "QM7-004417", folder: "quay", accuracy: 3.3, swing: 0.5},
			{letter: "QB", serial: "QM7-004452", folder: "boat", accuracy: 3.9, swing: 0.7},
		},
	}
	marks := map[int]bool{3: true, 21: true, 40: true, 53: true}
	outfalls := map[int]bool{7: true, 17: true, 27: true, 36: true, 46: true, 57: true}
	var bollards, ladders, fenders, drains, benches, rest int
	chain := 4.0
	for i := range n {
		st := station{chain: chain, sigma: 0.010 + 0.001*float64(rng.IntN(9))}
		if i >= n/2 {
			st.day = 1
		}
		edge, bearing := along(vellandStart, vellandLegs, chain)
		st.heading = bearing
		switch {
		case marks[i]:
			benches++
			st.object, st.id, st.code = benchMark, fmt.Sprintf("BM%d", benches), "BMK"
			st.desc = "Bench mark, brass bolt in granite block"
			st.target = vec{y: -1.0 - 0.5*rng.Float64(), z: 0.186}
		case outfalls[i]:
			drains++
			st.object, st.id, st.code = outfall, fmt.Sprintf("D%02d", drains), "DRN"
			st.desc = "Drain outfall, 520 mm, invert"
			st.target = vec{z: -1.20 - 0.06*rng.Float64()}
		case i%6 == 2:
			ladders++
			st.object, st.id, st.code = ladder, fmt.Sprintf("L%02d", ladders), "LAD"
			st.desc = "Ladder, steel, coping at centre line"
		default:
			if rest%5 == 1 || rest%5 == 3 {
				fenders++
				st.object, st.id, st.code = fender, fmt.Sprintf("F%02d", fenders), "FEN"
				st.desc = "Fender, rubber D section, top"
				st.target = vec{z: -0.20}
			} else {
				bollards++
				st.object, st.id, st.code = bollard, fmt.Sprintf("B%02d", bollards), "BOL"
				st.desc = "Bollard, cast iron, centre of cap"
				st.target = vec{y: -0.72 - 0.08*rng.Float64(), z: 0.50}
			}
			rest++
		}
		if st.object.face() {
			st.device = 1
		}
		st.level = vellandDeck + st.target.z
		sn, cs := math.Sincos(bearing * math.Pi / 180)
		st.at = grid.EN{E: edge.E + st.target.y*cs, N: edge.N - st.target.y*sn}
		st.plateText = fmt.Sprintf("PORT VELLAND  %.0f m", chain)
		p.stations = append(p.stations, st)
		p.counts = append(p.counts, 2+i%2)
		chain += 8.8 + 2.6*rng.Float64()
	}
	return p
}

// The sizes of the planted troubles, in photos.
const (
	frozenCount  = 6
	flippedCount = 4
	lateStations = 4 // of 2 and 3 photos by turns: ten photos
)

// planter puts troubles into a sound job, each into photos of its own.
type planter struct {
	*Job
	*plan
	shots []shot
	rng   *rand.Rand
	taken map[int]bool // photos that are in a trouble
}

// plant puts the troubles into a sound job.
func (j *Job) plant(p *plan, shots []shot, rng *rand.Rand) error {
	t := planter{j, p, shots, rng, make(map[int]bool)}
	t.lateRun()
	if err := cmp.Or(t.frozenFix(), t.flipped()); err != nil {
		return err
	}
	bare, void := t.one(0, 1), t.one(1, 0)
	j.Photos[bare].meta.gps = nil
	j.Photos[void].meta.gps = &gps{}
	for _, i := range []int{bare, void} {
		j.Photos[i].Tag, j.Photos[i].HPositioningError = nil, 0
	}
	t.add(NoTag, []int{void, bare}, "%s has a GPS directory that says there was no fix (status V) and %s has no GPS directory.",
		path.Base(j.Photos[void].Name), path.Base(j.Photos[bare].Name))
	small := t.one(1, 0)
	j.Photos[small].scene.small = true
	t.add(Undersized, []int{small}, "The photo has %d x %d pixels; the others have %d x %d.", smallWidth, smallHeight, fullWidth, fullHeight)
	blurred := t.one(0, 1)
	j.Photos[blurred].scene.blur = 15
	t.add(Blurred, []int{blurred}, "The camera was shaken or out of focus: the plate can't be read.")
	return nil
}

// add notes a trouble of photos, which are then taken.
func (t *planter) add(kind Kind, is []int, detail string, args ...any) {
	tr := Trouble{Kind: kind, detail: fmt.Sprintf(detail, args...)}
	for _, i := range is {
		t.taken[i] = true
		tr.Photos = append(tr.Photos, t.Photos[i].Name)
	}
	t.Planted = append(t.Planted, tr)
}

// of returns the shots of a device on a day.
func (t *planter) of(dev, day int) (out []int) {
	for i, s := range t.shots {
		if s.device == dev && t.stations[s.station].day == day {
			out = append(out, i)
		}
	}
	return out
}

// one takes a photo of a device and a day that is free. There are some thirty,
// and at most ten are taken.
func (t *planter) one(dev, day int) int {
	is := slices.DeleteFunc(t.of(dev, day), func(i int) bool { return t.taken[i] })
	i := is[t.rng.IntN(len(is))]
	t.taken[i] = true
	return i
}

// lateRun links the photos of the four stations of the second day that show it
// best, the noise being what it is, to the next point.
func (t *planter) lateRun() {
	var run, firsts []int
	for s, st := range t.stations {
		if s%2 == 0 && st.day == 1 && s+lateStations < len(t.stations) {
			firsts = append(firsts, s)
		}
	}
	best := -1
	for _, k := range t.rng.Perm(len(firsts)) {
		var is []int
		shown := 0
		for i, s := range t.shots {
			if s.station < firsts[k] || s.station >= firsts[k]+lateStations {
				continue
			}
			is = append(is, i)
			if t.beyond(&s, &t.stations[s.station+1]) {
				shown++
			}
		}
		if shown > best {
			run, best = is, shown
		}
	}
	for _, i := range run {
		t.Photos[i].Linked = t.stations[t.shots[i].station+1].id
		t.Photos[i].meta.description = ""
	}
	t.add(LateRun, run, "%d photos in a row, from %s to %s, are linked to the next point of the walk instead of the one that they show.",
		len(run), t.Photos[run[0]].Shows, t.Photos[run[len(run)-1]].Shows)
}

// frozenFix has photos of the quay handheld on the first day repeat the tag of the
// one before: over three points at least, and where it shows best.
func (t *planter) frozenFix() error {
	quay := t.of(0, 0)
	origin, frozen, best := 0, []int(nil), -1
	for _, k := range t.rng.Perm(len(quay) - frozenCount - 1) {
		is := quay[k+1 : k+1+frozenCount]
		over := make(map[int]bool)
		shown := 0
		for _, i := range is {
			over[t.shots[i].station] = true
			if t.beyond(&t.shots[quay[k]], &t.stations[t.shots[i].station]) {
				shown++
			}
		}
		if !over[t.shots[quay[k]].station] && len(over) >= 3 && shown > best {
			origin, frozen, best = quay[k], is, shown
		}
	}
	if frozen == nil {
		return errors.New("demo: the walk has no place for the frozen fix")
	}
	for _, i := range frozen {
		q, f := &t.Photos[i], *t.Photos[origin].meta.gps.fix
		q.meta.gps.fix = &f
		q.Tag, q.HPositioningError = &grid.LatLon{Lat: f.lat, Lon: f.lon}, f.herr
	}
	t.add(FrozenFix, frozen, "The receiver lost its fix and the handheld went on writing the last one: %d photos carry the tag and the GPS time of %s.",
		len(frozen), path.Base(t.Photos[origin].Name))
	t.taken[origin] = true
	t.Planted[len(t.Planted)-1].Origin = t.Photos[origin].Name
	return nil
}

// flipped writes E for W into some photos of the boat handheld on the second day.
func (t *planter) flipped() error {
	boat := t.of(1, 1)
	for _, k := range t.rng.Perm(len(boat) - flippedCount) {
		is := boat[k : k+flippedCount]
		if slices.ContainsFunc(is, func(i int) bool { return t.taken[i] }) {
			continue
		}
		for _, i := range is {
			q := &t.Photos[i]
			q.meta.gps.eastRef = true
			q.Tag = &grid.LatLon{Lat: q.Tag.Lat, Lon: -q.Tag.Lon}
		}
		t.add(FlippedLongitude, is, "The longitude reference reads E where it should read W; the figures are right.")
		return nil
	}
	return errors.New("demo: the walk has no place for the flipped longitudes beside the late run")
}

// planted lists the troubles in words.
func (j *Job) planted() string {
	var b strings.Builder
	shown := make(map[string]Photo)
	for _, p := range j.Photos {
		shown[p.Name] = p
	}
	for i, t := range j.Planted {
		fmt.Fprintf(&b, "%d. %s\n", i+1, t.Kind)
		for _, line := range words.Wrap(t.detail, 76) {
			fmt.Fprintf(&b, "   %s\n", line)
		}
		for _, n := range t.Photos {
			linked := ""
			if p := shown[n]; p.Linked != p.Shows {
				linked = ", linked to " + p.Linked
			}
			fmt.Fprintf(&b, "     %s  shows %s%s\n", n, shown[n].Shows, linked)
		}
		b.WriteString("\n")
	}
	return b.String()
}
