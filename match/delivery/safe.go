package delivery

import (
	"path"
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/cases"
	"golang.org/x/text/unicode/norm"
)

// The most bytes of one value and of one element of a path. File systems take
// 255, and Windows programs 260 characters for the whole path.
const (
	mostValue   = 60
	mostElement = 100
)

// forbidden are the characters that names can't have on Windows; slashes are
// among them. Source: Microsoft, Naming Files, Paths, and Namespaces (from
// memory).
const forbidden = `<>:"/\|?*`

// safeRunes replaces what can't stand in a name on every system, or is not to be
// seen in one, by a hyphen: one for a run of such characters. The result is in
// Unicode's normal form C, as other forms are the same name on some systems.
func safeRunes(s string) string {
	var b strings.Builder
	hyphen := false
	for _, r := range norm.NFC.String(s) {
		if unicode.IsSpace(r) || !unicode.IsPrint(r) || r == utf8.RuneError || strings.ContainsRune(forbidden, r) || unicode.Is(unicode.Variation_Selector, r) {
			if !hyphen {
				b.WriteByte('-')
			}
			hyphen = true
			continue
		}
		hyphen = false
		b.WriteRune(r)
	}
	return norm.NFC.String(b.String())
}

// safeText makes a value fit for a part of a name: safe characters, not too many
// of them, no dot at its ends.
func safeText(s string) string {
	out := strings.TrimRight(cut(safeRunes(strings.TrimSpace(s)), mostValue), ".")
	if strings.HasPrefix(out, ".") {
		out = "_" + strings.TrimLeft(out, ".")
	}
	if out == "" {
		return "_"
	}
	return out
}

// devices are names that Windows keeps for itself, with any extension.
var devices = map[string]bool{"con": true, "prn": true, "aux": true, "nul": true, "conin$": true, "conout$": true}

func init() {
	for _, p := range []string{"com", "lpt"} {
		for _, n := range "0123456789¹²³" {
			devices[p+string(n)] = true
		}
	}
}

// safeElement makes an element of a path: not hidden, not too long, no name that
// Windows keeps for itself.
func safeElement(s string) string {
	s = strings.TrimRight(cut(safeRunes(strings.TrimSpace(s)), mostElement), ".")
	if s == "" {
		return "_"
	}
	if s[0] == '.' {
		s = "_" + strings.TrimLeft(s, ".")
	}
	before, _, _ := strings.Cut(s, ".")
	if devices[strings.ToLower(before)] {
		s = "_" + s
	}
	return s
}

// safeExt is the extension of a path, as it is where that is safe.
func safeExt(name string) string {
	ext := path.Ext(name)
	if len(ext) < 2 {
		return ""
	}
	return "." + cut(strings.ReplaceAll(safeRunes(ext[1:]), ".", ""), 16)
}

// cut takes the first n bytes of a text, less where they would divide a
// character.
func cut(s string, n int) string {
	if len(s) <= n {
		return s
	}
	for n > 0 && !(utf8.RuneStart(s[n]) && norm.NFC.PropertiesString(s[n:]).BoundaryBefore()) {
		n--
	}
	return s[:n]
}

// foldKey is the same for names that some system takes for one: those that differ
// in case only, in whatever way that is told, or in the way that characters are
// put together.
func foldKey(s string) string {
	return norm.NFC.String(cases.Fold().String(strings.ToLower(strings.ToUpper(norm.NFC.String(s)))))
}
