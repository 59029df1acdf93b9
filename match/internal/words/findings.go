package words

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
)

// Finding puts the facts of a finding into words: what was found, and what to do
// where that depends on the facts. The message of a kind without a sentence of its
// own is the fact "why"; an empty remedy leaves the usual one of the kind.
func Finding(code string, f Facts) (message, remedy string) {
	if say, ok := findings[code]; ok {
		return say(f)
	}
	return f.Text("why"), ""
}

// Expired is added to the message of a finding that was accepted until a day that
// is past.
func Expired(day, reason string) string { return fmt.Sprintf("; accepted until %s (%s)", day, reason) }

// MoreThanAccepted is added to the message of a finding that is one of n, of which an
// entry accepts fewer.
func MoreThanAccepted(most, n int, reason string) string {
	return fmt.Sprintf("; one of %d, of which at most %d are accepted (%s)", n, most, reason)
}

// findings has the sentences by the code of the kind.
var findings = map[string]func(Facts) (message, remedy string){
	"tag-gross":       tagOff,
	"tag-over-budget": tagOff,
	"tag-conflict": func(f Facts) (string, string) {
		if f.Text("field") == "side-car" {
			return "side-car " + f.Text("why"), "correct the side-car in the same step as the photo, or remove it"
		}
		return f.Text("field") + ": " + f.Text("why"), ""
	},
	"photo-unreadable": func(f Facts) (string, string) {
		if f.Has("unknown format") {
			return f.Text("why"), "get the photo again from the device, in a format that can be read, or a raw one with its side-car file"
		}
		return f.Text("why"), ""
	},
	"photo-untied": func(f Facts) (string, string) {
		if !f.Has("nearest point") {
			return f.Text("why"), ""
		}
		return f.Text("why") + "; " + nearest(f), ""
	},
	"point-without-photo": func(Facts) (string, string) { return "no photo is tied to the point", "" },
	"link-contradicted": func(f Facts) (string, string) {
		return fmt.Sprintf("the link to %s is probably wrong (probability correct %s): the photo shows %s (probability %s); %s",
			f.Text("linked point"), Percent(f.Value("probability correct")), shown(f), Percent(f.Value("probability")), evidence(f)), mendLink(f)
	},
	"link-doubtful": func(f Facts) (string, string) {
		return fmt.Sprintf("the link to %s is in doubt (probability correct %s): the photo may show %s (probability %s); %s",
			f.Text("linked point"), Percent(f.Value("probability correct")), shown(f), Percent(f.Value("probability")), evidence(f)), mendLink(f)
	},
	"photo-tie-inferred": func(f Facts) (string, string) {
		return fmt.Sprintf("no link; it shows %s (probability %s): %s", f.Text("linked point"), Percent(f.Value("probability")), evidence(f)), ""
	},
	"frame-coarse": frameCoarse,
	"frame-unstated": func(f Facts) (string, string) {
		return fmt.Sprintf("no accuracy is stated for %s, which transforms %s to the grid, so the budget counts nothing for the frame",
			f.Text("operation"), Plural(int(f.Value("photos")), "tag")), ""
	},
	"foot-unstated": func(f Facts) (string, string) {
		return fmt.Sprintf("nothing says which foot the points are in: they were read in %s, and in %s they would be %s from there, which the tags can't tell", f.Text("unit"), f.Text("other unit"), length(f, "shift")),
			fmt.Sprintf("ask whoever made the list, and state points.unit = %q", f.Text("setting"))
	},
	"tag-differential": func(f Facts) (string, string) {
		message := fmt.Sprintf("%s that the fix was corrected (%s), and the settings don't say in which frame that leaves it",
			Plural(int(f.Value("photos")), "photo states", "photos state"), f.Text("first photo"))
		if n := int(f.Value("photos below a metre")); n > 0 {
			message += fmt.Sprintf("; %s an error below 1 m, which is less than frames differ by", Plural(n, "of them states", "of them state"))
		}
		return message, ""
	},
	"grid-scale": func(f Facts) (string, string) {
		return fmt.Sprintf("a length on the grid is %.3f times the true one here; tags are judged by true distances", f.Value("scale")), ""
	},
	"over-share": func(f Facts) (string, string) {
		if f.Has("photos over without the frame") {
			return fmt.Sprintf("%s of %s are over the budget without its part for the frame, once a shift that the frame may have left is taken off; %s would be expected, and errors like those of the handhelds do not explain so many",
				whole(f, "photos over without the frame"), Plural(int(f.Value("photos looked at")), "photo"), Percent(f.Value("share expected"))), ""
		}
		return fmt.Sprintf("%s of %s are over budget; %s would be expected, and errors like those of the handhelds do not explain so many",
			whole(f, "photos over budget"), Plural(int(f.Value("photos")), "photo"), Percent(f.Value("share expected"))), ""
	},
	"heights-off": func(f Facts) (string, string) {
		as, height := "above", f.Value("height")
		if height < 0 {
			as, height = "below", -height
		}
		return fmt.Sprintf("the altitudes of %s lie %s %s the heights of their points (median); %s tolerated", Plural(int(f.Value("photos")), "photo"),
			Length(height)+" "+f.Unit("height"), as, length(f, "tolerance")), ""
	},
	"photo-undecodable": func(f Facts) (string, string) { return "its pixels can't be read: " + f.Text("why"), "" },
	"photo-unmeasured": func(f Facts) (string, string) {
		return fmt.Sprintf("the pixels of %s were not measured, as they are of a kind that is not decoded here (the first is %s: %s)",
			Plural(int(f.Value("photos")), "photo"), f.Text("first photo"), f.Text("why")), ""
	},
	"photo-too-small": func(f Facts) (string, string) {
		return fmt.Sprintf("it has %s x %s pixels; %s x %s are required%s", whole(f, "long side"), whole(f, "short side"),
			whole(f, "long side required"), whole(f, "short side required"), forCode(f)), ""
	},
	"photo-low-quality": func(f Facts) (string, string) {
		return fmt.Sprintf("its JPEG quality is %s; %s is required%s", f.Text("quality"), whole(f, "quality required"), forCode(f)), ""
	},
	"photo-quality-unknown": func(f Facts) (string, string) {
		return fmt.Sprintf("the JPEG quality of %s can't be held against what is required: their quantisation tables are none of the standard ones (the first is %s)",
			Plural(int(f.Value("photos")), "photo"), f.Text("first photo")), ""
	},
	"photo-blurred": func(f Facts) (string, string) {
		if !f.Has("blur") {
			return "it shows no edges at all: all of it is out of focus, or it shows nothing", ""
		}
		return fmt.Sprintf("it is blurred: edges are spread by %.1f of 512 pixels; %.1f are allowed%s", f.Value("blur"), f.Value("blur allowed"), forCode(f)), ""
	},
	"photo-clipped": func(f Facts) (string, string) {
		return fmt.Sprintf("%.0f %% of it is plain black and %.0f %% plain white; %.0f %% are allowed together%s",
			f.Value("black"), f.Value("white"), f.Value("clipped allowed"), forCode(f)), ""
	},
	"photo-orientation": func(f Facts) (string, string) {
		flag := int(f.Value("orientation"))
		if turn, ok := map[int]string{3: "by half a turn", 6: "a quarter turn clockwise", 8: "a quarter turn anticlockwise"}[flag]; ok {
			return fmt.Sprintf("its pixels lie turned: it is upright %s, which orientation flag %d asks for", turn, flag), ""
		}
		return fmt.Sprintf("orientation flag %d asks for it to be mirrored, which no camera that looks away from its user does", flag),
			"look whether writing reads the right way round, and mend the flag if not"
	},
	"photo-identical": func(f Facts) (string, string) {
		message := "it is the same file as " + f.Text("other photo") + ", byte by byte" + tiedApart(f)
		if tiedApart(f) != "" {
			return message, "keep the tie that is right; if the photo shows both points, keep both"
		}
		return message, ""
	},
	"photo-near-duplicate": func(f Facts) (string, string) {
		message := "it shows the same picture as " + f.Text("other photo")
		if !f.Has("pixels that differ") {
			return message + tiedApart(f), ""
		}
		return fmt.Sprintf("%s, but %.1f %% of it differ%s", message, f.Value("pixels that differ"), tiedApart(f)), "look at both; keep the one that is wanted"
	},
	"photo-markup-pair": markupPair,
	"photo-markup-without-original": func(Facts) (string, string) {
		return "its name is that of a marked-up copy, and no photo of the job is its original", ""
	},
	"point-too-few-photos": func(f Facts) (string, string) {
		message := fmt.Sprintf("%s of %s%s", whole(f, "photos"), Plural(int(f.Value("photos required")), "photo required", "photos required"), forCode(f))
		if left := f.Texts("not counted"); len(left) > 0 {
			message += "; not counted: " + strings.Join(tallied(left), ", ")
		}
		return message, ""
	},
	"requirement-unused": func(f Facts) (string, string) {
		return fmt.Sprintf("there is a rule for photos of code %q, and no point has that code", f.Text("code")), ""
	},
	"site-control-suspect": func(f Facts) (string, string) {
		if f.Has("why") {
			return f.Text("why"), "check the coordinates of the control on both sides; site.tolerance_m states what the survey tolerates"
		}
		message := fmt.Sprintf("control pair %s does not fit the others (test statistic %.1f)", f.Text("pair"), f.Value("test statistic"))
		if others := f.Texts("as likely"); len(others) > 0 {
			message += "; as likely it is " + strings.Join(others, ", ")
		}
		return message, ""
	},
	"decision-stale": func(f Facts) (string, string) {
		return f.Text("decision") + "; that no longer holds: " + f.Text("why"), ""
	},
	"take-again": func(f Facts) (string, string) { return f.Text("decision"), "" },
	"baseline-unused": func(f Facts) (string, string) {
		return fmt.Sprintf("the baseline accepts a %s here, and there is none", f.Text("accepted code")), ""
	},
}

// tagOff says how far a tag is from its point.
func tagOff(f Facts) (message, remedy string) {
	place := "the point"
	if f.Has("place") {
		place = f.Text("place")
	}
	message = fmt.Sprintf("the tag is %s from %s", length(f, "distance"), place)
	if f.Has("bearing") {
		message += " on grid bearing " + Degrees(f.Value("bearing"))
	}
	if f.Has("distance from camera") {
		message += fmt.Sprintf(", and %s from where the image says the camera stood", length(f, "distance from camera"))
	}
	message += fmt.Sprintf("; %s allowed at %g %%", length(f, "allowed"), f.Value("confidence"))
	if f.Has("chance") {
		message += fmt.Sprintf("; noise alone puts %s tags as far off, and one among all so far in %s jobs", Chance(f.Value("chance")), Chance(f.Value("chance among all")))
	}
	if f.Has("nearest point") {
		return message + "; " + nearest(f), fmt.Sprintf("look at the photo: does it show %s instead?", f.Text("nearest point"))
	}
	return message, ""
}

// frameCoarse tells of a frame that takes up much of the budget, or of a better one.
func frameCoarse(f Facts) (message, remedy string) {
	good := "of unknown accuracy"
	if f.Has("accuracy") {
		good = "good to " + length(f, "accuracy")
	}
	message = fmt.Sprintf("%s to the grid by %s, %s", Plural(int(f.Value("photos")), "tag goes", "tags go"), f.Text("operation"), good)
	if f.Has("motion") {
		message += fmt.Sprintf(" with the %s that the ground has moved since %.1f", length(f, "motion"), f.Value("frame epoch"))
	}
	if n := int(f.Value("photos coarse")); n > 0 {
		message += ", more than half of what the budget allows"
		if n < int(f.Value("photos")) {
			message += " for " + Count(n) + " of them"
		}
	}
	if f.Has("better operation") {
		better := f.Text("better operation")
		if f.Has("better accuracy") {
			better += ", good to " + length(f, "better accuracy") + ","
		}
		message += fmt.Sprintf("; %s would be used if there were %s", better, strings.Join(f.Texts("missing file"), ", "))
		remedy = strings.Join(f.Texts("install"), "; ")
	}
	if !f.Has("shift") {
		return message, remedy
	}
	known := fmt.Sprintf("known to %s at %g %%", length(f, "shift known to"), f.Value("confidence"))
	if f.Value("shift") > f.Value("shift known to") {
		return message + fmt.Sprintf("; as a whole the tags lie %s towards %.0f° from their points (%s), as a frame that is off would leave them", length(f, "shift"), f.Value("shift bearing"), known), remedy
	}
	return message + fmt.Sprintf("; the tags show no shift that is more than noise (%s, %s)", length(f, "shift"), known), remedy
}

// nearest says which point is nearest to a tag.
func nearest(f Facts) string {
	return fmt.Sprintf("nearest to the tag is %s at %s", f.Text("nearest point"), length(f, "nearest distance"))
}

// shown is the point that the evidence finds.
func shown(f Facts) string {
	if !f.Has("point shown") {
		return "no point of the survey"
	}
	return f.Text("point shown")
}

func evidence(f Facts) string { return strings.Join(f.Texts("evidence"), "; ") }

// mendLink is what to do about a link that is doubtful or wrong.
func mendLink(f Facts) string {
	if !f.Has("point shown") {
		return "look at the photo: if it shows no point, take the link out"
	}
	return fmt.Sprintf("look at the photo: if it shows %s, mend the link", f.Text("point shown"))
}

// forCode names the code whose rule a photo does not meet.
func forCode(f Facts) string {
	if !f.Has("code") {
		return ""
	}
	return " for code " + f.Text("code")
}

// tiedApart names the points of two photos of one picture where they are not the
// same.
func tiedApart(f Facts) string {
	a, b := f.Text("point"), f.Text("other point")
	if a == "" || b == "" || a == b {
		return ""
	}
	return fmt.Sprintf("; this one is tied to %s, the other to %s", a, b)
}

// markupPair tells of a marked-up copy and its original.
func markupPair(f Facts) (message, remedy string) {
	other, apart := f.Text("other photo"), tiedApart(f)
	share := f.Value("pixels that differ")
	switch known := f.Texts("known by"); {
	case !slices.Contains(known, "pixels") && f.Has("pixels that differ"):
		return "by its name it is a marked-up copy of " + other + "; their pixels differ by more than drawing does, so look at them" + apart, "deliver both, if it is"
	case !slices.Contains(known, "pixels"):
		return "by its name it is a marked-up copy of " + other + "; their pixels were not compared" + apart, "deliver both, if it is"
	case slices.Contains(known, "name"):
		message = fmt.Sprintf("it is a marked-up copy of %s by its name and its pixels, of which %.1f %% differ%s", other, share, apart)
	default:
		message = fmt.Sprintf("it looks like a marked-up copy of %s: %.1f %% of it differ. Doubtful, as only the pixels say so%s", other, share, apart)
	}
	switch {
	case !f.Has("point") && f.Has("other point"):
		remedy = "tie it to " + f.Text("other point") + ", as its original is"
	case apart != "":
		remedy = "keep the tie that is right for both"
	default:
		remedy = "nothing: deliver both"
	}
	return message, remedy
}

// tallied counts words that repeat, in the order of the alphabet: "2 blurred".
func tallied(texts []string) []string {
	counted := Commonest(texts)
	slices.SortFunc(counted, func(a, b Counted) int { return cmp.Compare(a.Text, b.Text) })
	out := make([]string, len(counted))
	for i, c := range counted {
		out[i] = Count(c.N) + " " + c.Text
	}
	return out
}
