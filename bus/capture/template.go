package capture

import (
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strings"
)

// LineTemplate reads lines that are neither a text log nor CSV: a regular
// expression whose named groups say where the parts of a frame stand. It is read
// by the rules of the CSV columns of the same roles.
type LineTemplate struct {
	pattern *regexp.Regexp
	columns [roles]int16
}

// templateGroups are the groups of a template by role.
var templateGroups = []struct {
	name string
	role role
}{
	{"t", timeColumn}, {"id", idColumn}, {"ext", extendedColumn}, {"ch", channelColumn},
	{"dlc", lengthColumn}, {"data", dataColumn}, {"dir", directionColumn},
}

// maxTemplate bounds the text of a template.
const maxTemplate = 1000

// ParseTemplate reads a template, such as
//
//	^(?P<t>[0-9.]+) (?P<ch>\w+) (?P<id>[0-9A-F]+) \[(?P<dlc>\d)\] (?P<data>[0-9A-F ]*)$
//
// The groups t (time), id and data must be there; ext (width of the identifier:
// text such as 29, ext, x, or nothing), ch (channel), dlc (length) and dir
// (direction) may. The error lists all that is wrong.
func ParseTemplate(text string) (*LineTemplate, error) {
	if len(text) > maxTemplate {
		return nil, fmt.Errorf("a template of %d bytes, expected at most %d", len(text), maxTemplate)
	}
	pattern, err := regexp.Compile(text)
	if err != nil {
		return nil, errors.New(strings.TrimPrefix(err.Error(), "error parsing regexp: "))
	}
	t := &LineTemplate{pattern: pattern}
	var all []string
	for i := range t.columns {
		t.columns[i] = -1
	}
	for _, g := range templateGroups {
		all = append(all, g.name)
		t.columns[g.role] = int16(pattern.SubexpIndex(g.name))
	}
	var wrong []error
	seen := map[string]bool{}
	for _, name := range pattern.SubexpNames() {
		switch {
		case name == "":
		case !slices.Contains(all, name):
			wrong = append(wrong, fmt.Errorf("a group %q, expected only %s", name, strings.Join(all, ", ")))
		case seen[name]:
			wrong = append(wrong, fmt.Errorf("the group %q twice", name))
		}
		seen[name] = true
	}
	for _, name := range []string{"t", "id", "data"} {
		if !seen[name] {
			wrong = append(wrong, fmt.Errorf("no group (?P<%s>...)", name))
		}
	}
	if pattern.NumSubexp() >= maxColumns {
		wrong = append(wrong, fmt.Errorf("%d groups, expected at most %d", pattern.NumSubexp(), maxColumns-1))
	}
	if len(wrong) > 0 {
		return nil, errors.Join(wrong...)
	}
	return t, nil
}

// String returns the text of the template.
func (t *LineTemplate) String() string { return t.pattern.String() }

// cut puts the groups of a line into fields, as columns are. A group that took no
// part is empty. The match allocates its positions, the only memory per line.
func (t *LineTemplate) cut(b []byte, fields *[maxColumns][]byte) (n int, reason string) {
	at := t.pattern.FindSubmatchIndex(b)
	if at == nil {
		return 0, reasonTemplate
	}
	for i := 0; i < len(at); i += 2 {
		fields[i/2] = nil
		if at[i] >= 0 {
			fields[i/2] = trim(b[at[i]:at[i+1]])
		}
	}
	return len(at) / 2, ""
}

// layout returns the reading of the groups, what they leave open being decided by
// the sample.
func (t *LineTemplate) layout(sample [][]byte, o Options) layout {
	l := layout{template: t, columns: t.columns, exponent: -1}
	l.decide(sample, o.IDBase, o)
	return l
}
