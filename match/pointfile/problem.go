package pointfile

import (
	"fmt"
	"strconv"
	"strings"

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
type notes struct {
	order []string
	count map[string]int
	first map[string]string
}

// plain adds a note that has no place.
func (n *notes) plain(format string, args ...any) { n.at("", fmt.Sprintf(format, args...)) }

// at adds a note about one point or element.
func (n *notes) at(where, text string) {
	if n.count == nil {
		n.count, n.first = map[string]int{}, map[string]string{}
	}
	if n.count[text] == 0 {
		n.order = append(n.order, text)
		n.first[text] = where
	}
	n.count[text]++
}

func (n *notes) list() []string {
	out := make([]string, 0, len(n.order))
	for _, t := range n.order {
		switch {
		case n.first[t] == "":
			out = append(out, t)
		case n.count[t] == 1:
			out = append(out, fmt.Sprintf("%s (%s)", t, n.first[t]))
		default:
			out = append(out, fmt.Sprintf("%s (%d times, first at %s)", t, n.count[t], n.first[t]))
		}
	}
	return out
}

// clip shortens a text for a message.
func clip(s string) string {
	r := []rune(s)
	if len(r) <= 40 {
		return s
	}
	return string(r[:39]) + "…"
}

func onLine(line int) string { return "line " + strconv.Itoa(line) }
