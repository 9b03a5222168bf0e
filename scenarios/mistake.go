package scenarios

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"github.com/agnivade/levenshtein"
)

// Mistake is one thing that is wrong with a scenario, and where.
type Mistake struct {
	File     string // as the user named it; "--set" for a change on the command line
	Line     int    // from 1; 0 where the text has no lines (--set) or the place is unknown
	Column   int    // from 1, in characters; 0 where it is unknown
	Excerpt  string // the line itself, "" where there is none
	Path     string // of the key, such as receivers.pillar.queue; "" for the text as a whole
	Found    string
	Expected string // "" for a contradiction: then Found is a sentence
	Hint     string // what may have been meant, "" where nobody can tell
}

// excerptWidth is how many characters of a line are printed around the caret.
const excerptWidth = 76

// String prints the mistake with the excerpt and the caret under its column.
func (m Mistake) String() string {
	var b strings.Builder
	b.WriteString(m.File)
	if m.Line > 0 {
		fmt.Fprintf(&b, ":%d", m.Line)
	}
	if m.Column > 0 {
		fmt.Fprintf(&b, ":%d", m.Column)
	}
	b.WriteString(": ")
	if m.Path != "" {
		b.WriteString(m.Path + ": ")
	}
	if m.Expected == "" {
		b.WriteString(m.Found)
	} else {
		b.WriteString("found " + m.Found + ", expected " + m.Expected)
	}
	if m.Excerpt != "" {
		margin := "      | "
		if m.Line > 0 {
			margin = fmt.Sprintf("%5d | ", m.Line)
		}
		line, caret := cutExcerpt(m.Excerpt, m.Column)
		fmt.Fprintf(&b, "\n%s%s", margin, line)
		if m.Column > 0 {
			fmt.Fprintf(&b, "\n      | %s^", strings.Repeat(" ", caret))
		}
	}
	if m.Hint != "" {
		b.WriteString("\n        " + m.Hint)
	}
	return b.String()
}

// cutExcerpt returns a printable piece of the line that holds the column and
// the caret's distance from the piece's left end.
func cutExcerpt(line string, column int) (string, int) {
	runes := []rune(line)
	for i, r := range runes {
		if r < ' ' || r == 0x7f {
			runes[i] = ' '
		}
	}
	at := max(column-1, 0)
	from := 0
	if len(runes) > excerptWidth && at > excerptWidth*2/3 {
		from = min(at-excerptWidth/2, len(runes))
	}
	to := min(from+excerptWidth, len(runes))
	return strings.TrimRight(string(runes[from:to]), " "), at - from
}

// Mistakes is everything that is wrong with a scenario.
type Mistakes []Mistake

// mistakesShown bounds the printed text: a file of another kind can be wrong in
// every line.
const mistakesShown = 50

// Error returns the text that a user reads: all mistakes in the order of the
// text, each with its excerpt, then their number.
func (m Mistakes) Error() string {
	var b strings.Builder
	for i, one := range m {
		if i == mistakesShown {
			fmt.Fprintf(&b, "... and %d more\n", len(m)-i)
			break
		}
		b.WriteString(one.String() + "\n")
	}
	if len(m) == 1 {
		b.WriteString("1 mistake in the scenario")
	} else {
		fmt.Fprintf(&b, "%d mistakes in the scenario", len(m))
	}
	return b.String()
}

// sorted puts the mistakes in reading order, files in the order in which they
// were first met. What several displays have from one place is said once.
func (m Mistakes) sorted() Mistakes {
	order := map[string]int{}
	for _, one := range m {
		if _, ok := order[one.File]; !ok {
			order[one.File] = len(order)
		}
	}
	slices.SortStableFunc(m, func(a, b Mistake) int {
		return cmp.Or(cmp.Compare(order[a.File], order[b.File]),
			cmp.Compare(a.Line, b.Line), cmp.Compare(a.Column, b.Column))
	})
	return slices.Compact(m)
}

// didYouMean returns "did you mean ...?" for the nearest of the words, or "".
// A word is near when at most a third of its letters differ; one may always, and
// two from four letters on, as two letters that changed places do.
func didYouMean(found string, words []string) string {
	if near := nearest(found, words); near != "" {
		return "did you mean " + near + "?"
	}
	return ""
}

// nearest returns the word that is nearest to what was found, or "". Of equally
// near words the first counts.
func nearest(found string, words []string) string {
	if len(found) > 100 {
		return ""
	}
	best, distance := "", 1<<30
	for _, w := range words {
		d := levenshtein.ComputeDistance(strings.ToLower(found), strings.ToLower(w))
		longer := max(len(found), len(w))
		if d < distance && (d <= max(1, longer/3) || d == 2 && longer >= 4) {
			best, distance = w, d
		}
	}
	return best
}

// quote shows a piece of the user's text, cut when it is long.
func quote(text string) string {
	return fmt.Sprintf("%q", shorten(text, 60))
}

// shorten cuts a text to so many characters.
func shorten(text string, most int) string {
	if runes := []rune(text); len(runes) > most {
		return string(runes[:most-3]) + "..."
	}
	return text
}

// oneOf writes a list of words as a sentence has it: a, b or c.
func oneOf(words []string) string {
	switch len(words) {
	case 0:
		return "nothing"
	case 1:
		return words[0]
	}
	return strings.Join(words[:len(words)-1], ", ") + " or " + words[len(words)-1]
}

// count writes a number of things: 1 byte, 2 bytes.
func count(n int, thing string) string {
	if n == 1 {
		return "1 " + thing
	}
	return fmt.Sprintf("%d %ss", n, thing)
}
