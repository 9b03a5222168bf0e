package scenarios

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"unicode"
)

// Design is one of several designs of the same scenario: a name and what it
// changes.
type Design struct {
	Name string
	Sets []Set

	at Mistake // where the name stands
}

// MaxDesigns is how many designs are compared at most: the pairs, and with them
// the width of each interval, grow as their square.
const MaxDesigns = 32

// maxDesignName bounds a name, which heads columns.
const maxDesignName = 24

// writing is where a change stands in a longer text.
type writing struct {
	file      string
	line      int // 0 = a text without lines
	text      string
	path, key int // columns of the path and of the value in the text
	length    int // of the path in characters
}

// move puts a mistake of the change where it stands in the longer text.
func (w *writing) move(m *Mistake) {
	if w == nil {
		return
	}
	m.File, m.Line, m.Excerpt = w.file, w.line, w.text
	switch {
	case m.Column > w.length:
		m.Column += w.key - w.length - 2 // behind the path comes the equals sign
	case m.Column > 0:
		m.Column += w.path - 1
	}
}

// ParseDesigns reads designs as --design takes them, NAME:KEY=VALUE,KEY=VALUE. A
// comma ends a value unless it stands inside brackets, braces or quotes: so
// bridge.forward=[120, 1A4] and bridge.policy={kind: fill, hold: 20ms} are one
// value each. A quote opens where a value or an item of a list begins. A design
// without changes is the scenario as it stands. All mistakes are returned as
// [Mistakes].
func ParseDesigns(texts []string) ([]Design, error) {
	p := &designParser{}
	for _, text := range texts {
		p.line(&source{name: "--design", lines: []string{text}, inline: true}, 1)
	}
	return p.end()
}

// ParseDesignFile reads designs from a text, one a line, in the form of
// [ParseDesigns]. A line that begins with a blank goes on with the changes of the
// design above it; empty lines do not count, nor what follows a # at the beginning
// of a line or behind a blank. path names the text in messages.
func ParseDesignFile(path string, text []byte) ([]Design, error) {
	src := &source{name: path}
	if len(strings.TrimSpace(string(text))) == 0 {
		return nil, nil
	}
	if m := checkText(src, text); m != nil {
		return nil, m
	}
	p := &designParser{comments: true}
	src.lines = strings.Split(strings.TrimPrefix(string(text), "\ufeff"), "\n")
	for i := range src.lines {
		src.lines[i] = strings.TrimSuffix(src.lines[i], "\r")
	}
	for i := range src.lines {
		p.line(src, i+1)
	}
	return p.end()
}

// ReadDesigns reads a file of designs.
func ReadDesigns(path string) ([]Design, error) {
	text, err := readFile(path)
	if err != nil {
		return nil, err
	}
	return ParseDesignFile(path, text)
}

type designParser struct {
	comments bool // as a file has them
	designs  []Design
	mistakes Mistakes
}

func (p *designParser) end() ([]Design, error) {
	if len(p.mistakes) > 0 {
		return nil, p.mistakes
	}
	return p.designs, nil
}

// line reads one design, or in a file what goes on with the one above.
func (p *designParser) line(src *source, number int) {
	at := place{src, number, 1}
	runes := []rune(src.lines[number-1])
	items := p.split(at, runes)
	if len(items) == 0 && p.comments {
		return
	}
	if p.comments && unicode.IsSpace(runes[0]) {
		if len(p.designs) == 0 {
			p.complain(at, items[0].from, quote(items[0].text(runes)), "NAME: at the beginning of a line", "a line that begins with a blank goes on with the design above it")
			return
		}
		p.sets(at, runes, items)
		return
	}
	first := piece{}
	if len(items) > 0 {
		first = items[0]
	}
	colon, equals := slices.Index(runes[first.from:first.until], ':'), slices.Index(runes[first.from:first.until], '=')
	name := strings.TrimSpace(first.text(runes))
	if colon >= 0 {
		name = strings.TrimSpace(string(runes[first.from : first.from+colon]))
	}
	switch {
	case equals >= 0 && (colon < 0 || equals < colon):
		p.complain(at, first.from, quote(first.text(runes))+" without a name", "NAME:KEY=VALUE,..., such as slow:bridge.policy.hold=200ms", "")
	case name == "":
		p.complain(at, first.from, "no name", "NAME:KEY=VALUE,..., such as slow:bridge.policy.hold=200ms", "")
	case len([]rune(name)) > maxDesignName || strings.ContainsFunc(name, func(r rune) bool { return !unicode.IsPrint(r) || strings.ContainsRune(`"'[]{}`, r) }):
		p.complain(at, first.from, "the name "+quote(name), fmt.Sprintf("at most %d letters, digits, blanks and signs other than quotes and brackets", maxDesignName), "")
	}
	p.designs = append(p.designs, Design{Name: name, at: place{src, number, first.from + 1}.mistake("", "", "", "")})
	if colon < 0 {
		if len(items) > 1 {
			p.complain(at, first.from, quote(name)+" without a colon", "NAME:KEY=VALUE,...", "")
		}
		return
	}
	items[0].from += colon + 1
	if strings.TrimSpace(items[0].text(runes)) == "" && len(items) == 1 {
		return // nothing is changed
	}
	p.sets(at, runes, items)
}

// piece is a part of a line.
type piece struct{ from, until int }

func (c piece) text(line []rune) string { return string(line[c.from:c.until]) }

// split cuts a line at the commas that stand on their own. A line whose brackets
// or quotes do not close is one piece.
func (p *designParser) split(at place, line []rune) []piece {
	var items []piece
	var open []int // where brackets were opened
	from, end, last := 0, len(line), rune(' ')
	for i := 0; i < end; i++ {
		r := line[i]
		switch {
		case p.comments && r == '#' && (i == 0 || unicode.IsSpace(line[i-1])):
			end = i
			continue
		case (r == '"' || r == '\'') && strings.ContainsRune("=[{,:", last):
			closing := closingQuote(line, i)
			if closing < 0 {
				p.complain(at, i, "a quote that is never closed", "its end", "")
				return []piece{{0, end}}
			}
			i = closing
		case r == '[' || r == '{':
			open = append(open, i)
		case r == ']' || r == '}':
			if len(open) == 0 || (line[open[len(open)-1]] == '[') != (r == ']') {
				p.complain(at, i, quote(string(r)), "no bracket here that closes none", "quotes around a value make it plain text")
				return []piece{{0, end}}
			}
			open = open[:len(open)-1]
		case r == ',' && len(open) == 0:
			items = append(items, piece{from, i})
			from = i + 1
		}
		if !unicode.IsSpace(r) {
			last = r
		}
	}
	if len(open) > 0 {
		p.complain(at, open[len(open)-1], "a bracket that is never closed", "its end", "quotes around a value make it plain text")
		return []piece{{0, end}}
	}
	if strings.TrimSpace(string(line[from:end])) != "" || !p.comments {
		items = append(items, piece{from, end})
	}
	return items
}

// closingQuote returns where the text ends that is quoted from i on, -1 when it
// does not. Inside, YAML doubles a single quote and puts a backslash before a
// double one.
func closingQuote(line []rune, i int) int {
	mark := line[i]
	for i++; i < len(line); i++ {
		switch {
		case mark == '"' && line[i] == '\\', mark == '\'' && line[i] == mark && i+1 < len(line) && line[i+1] == mark:
			i++
		case line[i] == mark:
			return i
		}
	}
	return -1
}

// sets reads the changes of the last design.
func (p *designParser) sets(at place, line []rune, items []piece) {
	d := &p.designs[len(p.designs)-1]
	for _, item := range items {
		text := item.text(line)
		path, value, ok := strings.Cut(text, "=")
		from := item.from + len([]rune(path)) - len([]rune(strings.TrimLeftFunc(path, unicode.IsSpace)))
		if trimmed := strings.TrimSpace(path); !ok || trimmed == "" {
			found := quote(strings.TrimSpace(text))
			if strings.TrimSpace(text) == "" {
				found = "nothing between two commas or at an end"
			}
			p.complain(at, min(from, max(len(line)-1, 0)), found, "KEY=VALUE, such as bridge.policy.hold=200ms", "a comma inside a value stands in brackets, braces or quotes")
			continue
		}
		set := Set{Path: strings.TrimSpace(path), Text: value}
		blanks := len([]rune(value)) - len([]rune(strings.TrimLeftFunc(value, unicode.IsSpace)))
		m := place{at.source, at.line, 1}.mistake("", "", "", "")
		set.written = &writing{
			file: m.File, line: m.Line, text: m.Excerpt, path: from + 1, length: len([]rune(set.Path)),
			key: item.from + len([]rune(path)) + 2 + blanks,
		}
		d.Sets = append(d.Sets, set)
	}
}

func (p *designParser) complain(at place, index int, found, expected, hint string) {
	at.column = index + 1
	p.mistakes = append(p.mistakes, at.mistake("", found, expected, hint))
}

// OpenDesigns opens a scenario with changes as --set takes them, and each design
// of it. All mistakes of all designs are returned at once as [Mistakes]; one of
// the scenario itself is told once. The caller must close the plans.
func OpenDesigns(nameOrPath string, sets []string, designs []Design) (base *Plan, plans []*Plan, err error) {
	all := checkNames(designs)
	path, text, err := locate(nameOrPath, "")
	if err != nil {
		return nil, nil, err
	}
	common, err := parseSets(sets)
	if err != nil {
		return nil, nil, err
	}
	base, err = Load(path, text, common)
	said, err := told(err)
	if err != nil {
		return nil, nil, err
	}
	if c := base.capture(); c != nil && c.Name == "-" {
		m := Mistake{File: path, Path: "bus.capture", Found: "standard input", Expected: "a file: each design reads the capture"}
		return nil, nil, append(Mistakes{m}, base.discard()...)
	}
	opened := []*Plan{base}
	for i := range designs {
		plan, err := Load(path, text, slices.Concat(common, designs[i].Sets))
		m, err := told(err)
		if err != nil {
			all = append(all, Mistake{File: path, Found: "design " + designs[i].Name + ": " + err.Error()})
			continue
		}
		for _, one := range m {
			if !slices.Contains(said, one) {
				all = append(all, one)
			}
		}
		opened = append(opened, plan)
	}
	if all = append(said, all...); len(all) > 0 {
		for _, plan := range opened {
			if plan != nil {
				all = append(all, plan.discard()...)
			}
		}
		return nil, nil, all
	}
	return base, opened[1:], nil
}

// capture is nil where there is none, and of a plan that is nil.
func (p *Plan) capture() *CapturePlan {
	if p == nil {
		return nil
	}
	return p.Bus.Capture
}

// told splits mistakes from other errors.
func told(err error) (Mistakes, error) {
	var m Mistakes
	if errors.As(err, &m) {
		return slices.Clone(m), nil
	}
	return nil, err
}

// checkNames finds names that stand for two designs, and too many of them.
func checkNames(designs []Design) (all Mistakes) {
	seen := map[string]bool{BatchedName: true}
	for i := range designs {
		d := &designs[i]
		m := d.at
		if seen[d.Name] {
			m.Found, m.Expected = "a second design "+quote(d.Name), "a name of its own"
			all = append(all, m)
		}
		seen[d.Name] = true
		if i == MaxDesigns {
			m.Found, m.Expected = fmt.Sprintf("%d designs", len(designs)), fmt.Sprintf("at most %d", MaxDesigns)
			all = append(all, m)
		}
	}
	return all
}
