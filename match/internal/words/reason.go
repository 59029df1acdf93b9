package words

// reasons say why a photo is unjudged, by the name of the reason.
var reasons = map[string]string{
	"unreadable":     "can't be read",
	"no-tag":         "no position in it",
	"bad-tag":        "its position is unsound",
	"no-tie":         "not in the links",
	"no-such-point":  "the point was not surveyed",
	"several-points": "linked to several points",
	"no-frame":       "its datum is not usable",
	"ballpark":       "only a ballpark operation",
	"too-coarse":     "its tag is too coarse to judge",
}

// Reason says in a few words why a photo is unjudged.
func Reason(name string) string {
	if s, ok := reasons[name]; ok {
		return s
	}
	return Safe(name)
}
