package words

import "fmt"

// Decision says who decided what of a photo, when and why.
func Decision(ruling, point, by, when, why string) string {
	what := map[string]string{
		"shows": "that it shows " + point, "no-point": "that it shows no point of the survey",
		"take-again": "that it is to be taken again", "leave": "to leave it as it is",
	}[ruling]
	s := fmt.Sprintf("%s decided on %s %s", by, when, what)
	if why != "" {
		s += " (" + why + ")"
	}
	return s
}
