package words

import (
	"fmt"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"
)

// acts reports whether a character acts on what shows it, or is not to be seen:
// control characters, format characters such as those that turn the direction of
// writing, and the separators of lines and paragraphs. The two joiners, which
// scripts and emoji need, do not.
func acts(r rune) bool {
	switch {
	case r == '\u200c' || r == '\u200d':
		return false
	case r == '\u2028' || r == '\u2029':
		return true
	}
	return unicode.IsControl(r) || unicode.Is(unicode.Cf, r)
}

// Safe makes a text from outside fit for one line of whatever shows it: what acts
// and bytes that are not UTF-8 are written as Go escapes (\x1b, \u202e, \xff).
func Safe(s string) string { return escape(s, "", goEscape) }

// SafeLines does the same for a text of several lines: line feeds and tabs are
// kept.
func SafeLines(s string) string { return escape(s, "\n\t", goEscape) }

// SafeJSON does it for JSON text, by the escapes of JSON. Outside of strings JSON
// has nothing that acts but line feeds, tabs and carriage returns, which are kept.
func SafeJSON(s string) string {
	return escape(s, "\n\t\r", func(r rune, b byte) string {
		switch {
		case r == utf8.RuneError:
			return "\ufffd"
		case r > 0xffff:
			r -= 0x10000
			return fmt.Sprintf(`\u%04x\u%04x`, 0xd800+r>>10, 0xdc00+r&0x3ff)
		}
		return fmt.Sprintf(`\u%04x`, r)
	})
}

func goEscape(r rune, b byte) string {
	if r == utf8.RuneError {
		return fmt.Sprintf(`\x%02x`, b)
	}
	q := strconv.QuoteRuneToASCII(r)
	return q[1 : len(q)-1]
}

// escape replaces what acts, but for the characters kept, by what f makes of it. A
// byte that is not UTF-8 comes as utf8.RuneError.
func escape(s, keep string, f func(r rune, b byte) string) string {
	bad := func(r rune, n int) bool {
		return r == utf8.RuneError && n == 1 || acts(r) && !strings.ContainsRune(keep, r)
	}
	clean := func() bool {
		for i := 0; i < len(s); {
			r, n := utf8.DecodeRuneInString(s[i:])
			if bad(r, n) {
				return false
			}
			i += n
		}
		return true
	}
	if clean() {
		return s
	}
	var b strings.Builder
	for i := 0; i < len(s); {
		r, n := utf8.DecodeRuneInString(s[i:])
		if bad(r, n) {
			b.WriteString(f(r, s[i]))
		} else {
			b.WriteString(s[i : i+n])
		}
		i += n
	}
	return b.String()
}

// TOML writes a basic string of TOML 1.0, with everything escaped that is not plainly
// visible.
func TOML(s string) string {
	var b strings.Builder
	b.WriteByte('"')
	for _, r := range s {
		switch {
		case r == '"' || r == '\\':
			b.WriteString(`\` + string(r))
		case r == '\n':
			b.WriteString(`\n`)
		case r == '\t':
			b.WriteString(`\t`)
		case unicode.IsPrint(r):
			b.WriteRune(r)
		case r > 0xffff:
			fmt.Fprintf(&b, `\U%08X`, r)
		default:
			fmt.Fprintf(&b, `\u%04X`, r)
		}
	}
	return b.String() + `"`
}
