package pointfile

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"example.com/phototie/match/internal/words"
	"example.com/phototie/match/problem"
)

// Problem is something in a points file that must be put right before it, or
// the point concerned, can be used. It says where, what and how.
type Problem = problem.Problem

// rowError holds what is wrong with one point. The points after it can be read.
type rowError []*Problem

func (e rowError) Error() string {
	text := make([]string, len(e))
	for i, p := range e {
		text[i] = p.Error()
	}
	return strings.Join(text, "\n")
}

// notes gathers what a user should know though nothing is wrong, each kind once
// with the number of times and the first place.
type notes []note

type note struct {
	text, first string
	count       int
}

// plain adds a note that has no place.
func (n *notes) plain(format string, args ...any) { n.at("", fmt.Sprintf(format, args...)) }

// at adds a note about one point or element.
func (n *notes) at(where, text string) {
	i := slices.IndexFunc(*n, func(o note) bool { return o.text == text })
	if i < 0 {
		i = len(*n)
		*n = append(*n, note{text: text, first: where})
	}
	(*n)[i].count++
}

func (n notes) list() []string {
	out := make([]string, len(n))
	for i, o := range n {
		switch out[i] = o.text; {
		case o.first == "":
		case o.count == 1:
			out[i] += " (" + o.first + ")"
		default:
			out[i] += fmt.Sprintf(" (%d times, first at %s)", o.count, o.first)
		}
	}
	return out
}

// clip shortens a text for a message.
func clip(s string) string { return words.Clip(s, 40) }

func onLine(line int) string { return "line " + strconv.Itoa(line) }
