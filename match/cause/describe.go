package cause

// describe finds the simplest description of a set of photos.
func (e *Evidence) describe(set []int) Group {
	if len(set) == 0 {
		return Group{}
	}
	camera, day := e.Photos[set[0]].Camera, e.Photos[set[0]].Day
	for _, i := range set {
		if e.Photos[i].Camera != camera {
			camera = ""
		}
		if e.Photos[i].Day != day {
			day = ""
		}
	}
	for _, g := range []Group{{Kind: GroupAll}, {Kind: GroupCamera, Camera: camera}, {Kind: GroupDay, Day: day}, {Kind: GroupCameraDay, Camera: camera, Day: day}} {
		named := g.Kind == GroupAll || g.Camera+g.Day != "" && (g.Kind != GroupCameraDay || g.Camera != "" && g.Day != "")
		if named && e.covers(g, set) {
			return g
		}
	}
	g := Group{Kind: GroupSome, Camera: camera, Day: day}
	from, to, ok := e.runOf(camera, set)
	if !ok && len(e.walks.cameras) == 1 {
		from, to, ok = e.runOf("", set)
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
func (e *Evidence) covers(g Group, set []int) bool {
	for i := range e.Photos {
		p := &e.Photos[i]
		ours := (g.Camera == "" || p.Camera == g.Camera) && (g.Day == "" || p.Day == g.Day)
		if in := has(set, i); in != ours && (in || p.At != nil) {
			return false
		}
	}
	return true
}

// runOf returns the first and the last photo of a set of two or more that follow one
// another in the walk of a camera, or of all.
func (e *Evidence) runOf(camera string, set []int) (from, to int, ok bool) {
	from, n := -1, 0
	for _, i := range e.Walk(camera) {
		switch {
		case has(set, i):
			if from < 0 {
				from = i
			}
			to = i
			n++
		case e.Photos[i].At != nil && from >= 0 && n < len(set):
			return from, to, false
		}
	}
	return from, to, n == len(set) && n > 1
}
