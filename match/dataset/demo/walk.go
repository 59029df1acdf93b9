package demo

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"path"
	"strconv"
	"strings"
	"time"

	"example.com/phototie/grid"
)

// station is a surveyed point and how it is come by.
type station struct {
	id, code, desc string
	object         object
	at             grid.EN // on the grid, in its unit
	level          float64 // metres above datum
	sigma          float64 // metres per axis
	heading        float64 // grid bearing of the scene's x axis, degrees
	chain          float64 // metres along
	target         vec     // the point in the frame of the scene
	plateText      string
	device, day    int
	observed       time.Time
}

// device is a handheld of the crew.
type device struct {
	letter, serial, folder string
	// accuracy is the middle of the accuracy that it reports, metres at
	// 68.27 %, and swing what it swings by.
	accuracy, swing float64
}

// plan is what a job is built from.
type plan struct {
	name, short string
	deck        float64 // metres above datum
	days        []time.Time
	devices     []device
	stations    []station
	unit        grid.Unit
	sun         grid.LatLon // roughly where the place is, for the light
	counts      []int       // photos of each station
	// troubled plans have troubles planted; sigmas says whether points.csv has a
	// column of accuracies.
	troubled, sigmas bool
}

// sigmaPerRadius68 turns a radius at 68.27 % into a standard deviation per
// axis: r = s sqrt(-2 ln(1-p)), the Rayleigh distribution.
var sigmaPerRadius68 = 1 / math.Sqrt(-2*math.Log(1-0.6827))

// The time constants of the handheld's error and of the accuracy it reports.
// Common practice, no source: code errors stay alike for some minutes.
const (
	errorTime    = 150 * time.Second
	accuracyTime = 600 * time.Second
)

// markov is a Gauss-Markov process of unit variance.
type markov struct {
	value float64
	last  time.Time
	tau   time.Duration
}

func (m *markov) at(t time.Time, rng *rand.Rand) float64 {
	n := rng.NormFloat64()
	if m.last.IsZero() {
		m.value = n
	} else {
		rho := math.Exp(-t.Sub(m.last).Seconds() / m.tau.Seconds())
		m.value = rho*m.value + math.Sqrt(1-rho*rho)*n
	}
	m.last = t
	return m.value
}

// receiver is the state of a device's GNSS.
type receiver struct{ e, n, u, h markov }

func newReceiver() *receiver {
	return &receiver{markov{tau: errorTime}, markov{tau: errorTime}, markov{tau: errorTime}, markov{tau: accuracyTime}}
}

// shot is a photo while the job is being built.
type shot struct {
	station, device, number int
	taken                   time.Time
	local                   vec     // camera in the frame of the scene
	turn, pitch             float64 // radians
	camera, ahead, tagged   grid.EN
	altitude, herr, dop     float64
	compass                 float64 // error of the compass, degrees
	geo                     *grid.LatLon
	direction               float64 // degrees from true north, as written
	water                   float64
}

// beyond says whether a tag is so far from a point that it can't be within a
// budget at 95 %, whatever the direction of the standoff: the threshold is at
// most 2.4477 sigma plus the standoff.
func (p *plan) beyond(tag *shot, st *station) bool {
	d := math.Hypot(tag.tagged.E-st.at.E, tag.tagged.N-st.at.N) * p.unit.Metres
	return d > 2.4477*tag.herr*sigmaPerRadius68+2.0
}

// onGrid transforms a horizontal offset in the frame of a scene to the grid.
func (s *station) onGrid(d vec, unit grid.Unit) grid.EN {
	sn, cs := math.Sincos(s.heading * math.Pi / 180)
	return grid.EN{
		E: s.at.E + (d.x*sn+d.y*cs)/unit.Metres,
		N: s.at.N + (d.x*cs-d.y*sn)/unit.Metres,
	}
}

// ahead is how far before the camera the place is taken that gives the true
// direction of view, in metres.
const ahead = 100

// walk takes the photos of a plan. It sets the times of observation.
func (p *plan) walk(rng *rand.Rand) []shot {
	uniform := func(lo, hi float64) float64 { return lo + (hi-lo)*rng.Float64() }
	seconds := func(v float64) time.Duration {
		return time.Duration(math.Round(v*100)) * 10 * time.Millisecond
	}
	receivers := make([]*receiver, len(p.devices))
	for i := range receivers {
		receivers[i] = newReceiver()
	}
	numbers := make([]int, len(p.devices))
	var shots []shot
	now, day := time.Time{}, -1
	for i := range p.stations {
		st := &p.stations[i]
		if st.day != day {
			day = st.day
			now = p.days[day]
		}
		now = now.Add(seconds(uniform(40, 75)))
		st.observed = now.Truncate(time.Second)
		// Now and then the first photo is taken before the rover has its point.
		offset := uniform(10, 40)
		if rng.Float64() < 0.3 {
			offset = -uniform(6, 28)
		}
		for range p.counts[i] {
			s := shot{station: i, device: st.device, taken: st.observed.Add(seconds(offset))}
			numbers[st.device]++
			s.number = numbers[st.device]
			offset = max(offset, 0) + uniform(9, 30)

			// Where the camera is: about two metres off, on the landward side or
			// in the boat, and turned to the point.
			dist := uniform(1.65, 2.35)
			back, spread, eye := -math.Pi/2, 34.0, uniform(1.50, 1.62)
			s.water = -1.80 + 0.10*math.Sin(float64(i)/9)
			switch {
			case st.object.face():
				back, spread, eye = math.Pi/2, 20, s.water+uniform(1.50, 1.62)
			case st.object == benchMark:
				dist = uniform(1.6, 2.1)
			case st.object == bridgePost:
				back, spread = math.Pi, 26
			}
			a := back + uniform(-spread, spread)*math.Pi/180
			s.local = vec{st.target.x + dist*math.Cos(a), st.target.y + dist*math.Sin(a), eye}
			scene := p.scene(st, &s)
			_, aim := scene.board()
			to := aim.sub(s.local)
			s.turn = math.Atan2(to.y, to.x) + uniform(-1.5, 1.5)*math.Pi/180
			s.pitch = math.Atan2(to.z, math.Hypot(to.x, to.y))
			if !st.object.face() {
				// As high as leaves the foot of the nearest thing in the picture, so
				// that the horizon gets in where it can.
				foot := math.Hypot(to.x, to.y) - 0.36
				s.pitch = -math.Atan2(eye, foot) + 18.2*math.Pi/180
			}
			s.pitch += uniform(-1, 1) * math.Pi / 180
			off := s.local.sub(st.target)
			s.camera = st.onGrid(off, p.unit)
			s.ahead = st.onGrid(off.add(vec{ahead * math.Cos(s.turn), ahead * math.Sin(s.turn), 0}), p.unit)

			// What the receiver makes of it.
			r, d := receivers[st.device], p.devices[st.device]
			s.herr = math.Round(10*clamp(d.accuracy+d.swing*r.h.at(s.taken, rng), 2.5, 6)) / 10
			sigma := s.herr * sigmaPerRadius68
			s.tagged = grid.EN{
				E: s.camera.E + sigma*r.e.at(s.taken, rng)/p.unit.Metres,
				N: s.camera.N + sigma*r.n.at(s.taken, rng)/p.unit.Metres,
			}
			s.altitude = p.deck + eye + 1.6*sigma*r.u.at(s.taken, rng)
			s.dop = 0.55 + 0.14*s.herr + uniform(0, 0.2)
			s.compass = clamp(3.5*rng.NormFloat64(), -9, 9)
			shots = append(shots, s)
		}
		now = st.observed.Add(seconds(max(offset, 0) + uniform(55, 95)))
	}
	return shots
}

// scene describes the picture of a shot.
func (p *plan) scene(st *station, s *shot) scene {
	return scene{
		object: st.object, id: st.id, place: st.plateText,
		chain: st.chain, heading: st.heading, target: st.target,
		view:  view{at: s.local, turn: s.turn, pitch: s.pitch},
		sun:   sunAt(s.taken, p.sun, st.heading),
		water: s.water,
	}
}

// locate gives each shot its geographic position and its direction of view.
func locate(ctx context.Context, proj grid.Projection, shots []shot) error {
	var at []grid.EN
	var frames []grid.Frame
	for _, s := range shots {
		f := grid.Frame{Datum: "WGS-84", Epoch: grid.Epoch(s.taken)}
		at = append(at, s.tagged, s.camera, s.ahead)
		frames = append(frames, f, f, f)
	}
	fixes, err := proj.FromGrid(ctx, at, frames)
	if err != nil {
		return fmt.Errorf("demo: transforming the positions from the grid: %w", err)
	}
	if len(fixes) != len(at) {
		return fmt.Errorf("demo: the projection returned %d positions for %d", len(fixes), len(at))
	}
	for i, f := range fixes {
		switch {
		case f.Err != nil:
			return fmt.Errorf("demo: transforming E %.3f N %.3f from the grid: %w", at[i].E, at[i].N, f.Err)
		case f.Op != nil && f.Op.Ballpark:
			return fmt.Errorf("demo: only a ballpark operation (%s) leads from the grid to WGS 84; the tags would be wrong by an unknown amount", f.Op.Name)
		case !f.Valid():
			return fmt.Errorf("demo: E %.3f N %.3f came off the grid as latitude %v, longitude %v", at[i].E, at[i].N, f.Lat, f.Lon)
		}
	}
	for i := range shots {
		tag := fixes[3*i].LatLon
		shots[i].geo = &tag
		az := azimuth(fixes[3*i+1].LatLon, fixes[3*i+2].LatLon)
		shots[i].direction = math.Mod(az+shots[i].compass+360, 360)
	}
	return nil
}

// azimuth returns the azimuth in degrees of a short line on GRS 80, by the radii
// of curvature in the meridian and the prime vertical at its middle.
func azimuth(a, b grid.LatLon) float64 {
	const e2 = 0.00669438
	sn, cs := math.Sincos((a.Lat + b.Lat) / 2 * math.Pi / 180)
	ratio := (1 - e2*sn*sn) / (1 - e2) // of prime vertical to meridian
	az := math.Atan2((b.Lon-a.Lon)*cs*ratio, b.Lat-a.Lat) * 180 / math.Pi
	return math.Mod(az+360, 360)
}

// sunAt returns the unit vector towards the sun in the frame of a scene, good to
// a degree or two, which is all that shadows need. Standard formulas of
// spherical astronomy, from memory; the equation of time is left out.
func sunAt(t time.Time, p grid.LatLon, heading float64) vec {
	u := t.UTC()
	decl := 23.44 * math.Pi / 180 * math.Sin(2*math.Pi*float64(u.YearDay()-80)/365.25)
	hours := float64(u.Hour()) + float64(u.Minute())/60
	ha := (15*(hours-12) + p.Lon) * math.Pi / 180
	lat := p.Lat * math.Pi / 180
	up := math.Sin(lat)*math.Sin(decl) + math.Cos(lat)*math.Cos(decl)*math.Cos(ha)
	east := -math.Cos(decl) * math.Sin(ha)
	north := math.Cos(lat)*math.Sin(decl) - math.Sin(lat)*math.Cos(decl)*math.Cos(ha)
	sn, cs := math.Sincos(heading * math.Pi / 180)
	return vec{east*sn + north*cs, east*cs - north*sn, up}.unit()
}

// photos turns shots into the photos of a job, all sound and rightly linked.
func (p *plan) photos(shots []shot, seed uint64) []Photo {
	out := make([]Photo, len(shots))
	for i := range shots {
		s := &shots[i]
		st := &p.stations[s.station]
		d := p.devices[s.device]
		base := fmt.Sprintf("%s%04d", d.letter, s.number)
		sc := p.scene(st, s)
		sc.seed = seed<<16 + uint64(i)
		sc.stamp = fmt.Sprintf("No %s   %s   %s", base, s.taken.Format("2006-01-02 15:04:05"), p.name)
		out[i] = Photo{
			Name:  path.Join("photos", "day"+strconv.Itoa(st.day+1), d.folder, base+".jpg"),
			Shows: st.id, Linked: st.id,
			Taken: s.taken, Camera: s.camera, Tag: s.geo, HPositioningError: s.herr,
			meta: meta{
				serial: d.serial, number: s.number, taken: s.taken,
				gps: &gps{direction: s.direction, fix: &fix{
					lat: s.geo.Lat, lon: s.geo.Lon, altitude: s.altitude,
					dop: s.dop, herr: s.herr, time: s.taken.Truncate(time.Second),
				}},
			},
			scene: sc,
		}
		// The crew types the id into some, and remarks into others.
		switch i % 9 {
		case 0, 4, 5:
			out[i].meta.description = st.id
		case 2:
			out[i].meta.description = p.short + " " + st.id
		case 7:
			out[i].meta.comment = strings.ToLower(st.desc)
		}
	}
	return out
}

// points and links are the lists of a job. No text in them needs quotes, other than
// descriptions.
func (p *plan) points() []byte {
	head, last := "id,easting,northing,height,code,description,observed", ""
	if p.sigmas {
		head += ",sigma"
	}
	b := fmt.Appendln(nil, head)
	for _, s := range p.stations {
		if p.sigmas {
			last = fmt.Sprintf(",%.3f", s.sigma)
		}
		desc := s.desc
		if strings.Contains(desc, ",") {
			desc = strconv.Quote(desc)
		}
		b = fmt.Appendf(b, "%s,%.3f,%.3f,%.3f,%s,%s,%s%s\n", s.id, s.at.E, s.at.N, s.level/p.unit.Metres, s.code, desc, s.observed.Format(time.RFC3339), last)
	}
	return b
}

func links(photos []Photo) []byte {
	b := []byte("photo,point\n")
	for _, p := range photos {
		b = fmt.Appendf(b, "%s,%s\n", p.Name, p.Linked)
	}
	return b
}
