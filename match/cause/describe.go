package cause

// describe finds the simplest description of a set of photos.
func (e *Evidence) describe(set []int) Group {
	in := make(map[int]bool, len(set))
	for _, i := range set {
		in[i] = true
	}
	// able are the photos that could have been concerned.
	able := func(i int) bool { return in[i] || e.Photos[i].At != nil }
	covers := func(camera, day string) bool {
		n := 0
		for i := range e.Photos {
			p := &e.Photos[i]
			ours := (camera == "" || p.Camera == camera) && (day == "" || p.Day == day)
			if in[i] && !ours || ours && able(i) && !in[i] {
				return false
			}
			if ours && in[i] {
				n++
			}
		}
		return n > 0
	}
	var g Group
	if len(set) == 0 {
		return g
	}
	first := &e.Photos[set[0]]
	camera, day := first.Camera, first.Day
	for _, i := range set {
		if e.Photos[i].Camera != camera {
			camera = ""
		}
		if e.Photos[i].Day != day {
			day = ""
		}
	}
	switch {
	case covers("", ""):
		return Group{Kind: GroupAll}
	case camera != "" && covers(camera, ""):
		return Group{Kind: GroupCamera, Camera: camera}
	case day != "" && covers("", day):
		return Group{Kind: GroupDay, Day: day}
	case camera != "" && day != "" && covers(camera, day):
		return Group{Kind: GroupCameraDay, Camera: camera, Day: day}
	}
	g = Group{Kind: GroupSome, Camera: camera, Day: day}
	for _, c := range []string{camera, ""} {
		if c == "" && camera != "" && len(e.walks.cameras) > 1 {
			continue
		}
		from, to, n := -1, -1, 0
		for _, i := range e.Walk(c) {
			if !able(i) {
				continue
			}
			if in[i] {
				if from < 0 {
					from = i
				}
				to = i
				n++
			} else if from >= 0 && n < len(set) {
				n = -1
				break
			}
		}
		if n == len(set) && n > 1 {
			g.Kind = GroupRun
			a, b := &e.Photos[from], &e.Photos[to]
			if !a.Clock.IsZero() && !b.Clock.IsZero() {
				layout := "15:04"
				if day == "" {
					layout = "2006-01-02 15:04"
				}
				g.From, g.To = a.Clock.Format(layout), b.Clock.Format(layout)
			}
			break
		}
	}
	return g
}
