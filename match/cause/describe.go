package cause

// describe finds the simplest description of a set of photos.
func (e *Evidence) describe(set []int) Group {
	if len(set) == 0 {
		return Group{}
	}
	in := make(map[int]bool, len(set))
	camera, day := e.Photos[set[0]].Camera, e.Photos[set[0]].Day
	for _, i := range set {
		in[i] = true
		if e.Photos[i].Camera != camera {
			camera = ""
		}
		if e.Photos[i].Day != day {
			day = ""
		}
	}
	for _, g := range []Group{{Kind: GroupAll}, {Kind: GroupCamera, Camera: camera}, {Kind: GroupDay, Day: day}, {Kind: GroupCameraDay, Camera: camera, Day: day}} {
		named := g.Kind == GroupAll || g.Camera+g.Day != "" && (g.Kind != GroupCameraDay || g.Camera != "" && g.Day != "")
		if named && e.covers(g, in) {
			return g
		}
	}
	g := Group{Kind: GroupSome, Camera: camera, Day: day}
	from, to, ok := e.runOf(camera, in)
	if !ok && len(e.walks.cameras) == 1 {
		from, to, ok = e.runOf("", in)
	}
	if !ok {
		return g
	}
	g.Kind = GroupRun
	if a, b := &e.Photos[from], &e.Photos[to]; !a.Clock.IsZero() && !b.Clock.IsZero() {
		layout := "15:04"
		if day == "" {
			layout = "2006-01-02 15:04"
		}
		g.From, g.To = a.Clock.Format(layout), b.Clock.Format(layout)
	}
	return g
}

// covers says that a set is all photos of a group that could be concerned.
func (e *Evidence) covers(g Group, in map[int]bool) bool {
	for i := range e.Photos {
		p := &e.Photos[i]
		ours := (g.Camera == "" || p.Camera == g.Camera) && (g.Day == "" || p.Day == g.Day)
		if in[i] != ours && (in[i] || p.At != nil) {
			return false
		}
	}
	return true
}

// runOf returns the first and the last photo of a set of two or more that follow one
// another in the walk of a camera, or of all.
func (e *Evidence) runOf(camera string, in map[int]bool) (from, to int, ok bool) {
	from, n := -1, 0
	for _, i := range e.Walk(camera) {
		switch {
		case in[i]:
			if from < 0 {
				from = i
			}
			to = i
			n++
		case e.Photos[i].At != nil && from >= 0 && n < len(in):
			return from, to, false
		}
	}
	return from, to, n == len(in) && n > 1
}
