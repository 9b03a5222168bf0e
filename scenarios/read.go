package scenarios

import (
	"cmp"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"stalegauge/bus"
)

// value is what a key of the table became in one scenario. Blocks and lists
// have kids; a block has one for each of its keys, given or not.
type value struct {
	key     *Key
	path    string
	name    string // last segment of the path
	at      place  // of the value; of the nearest block around it when it was not given
	keyAt   place  // of the key
	given   bool
	bad     bool // could not be read; a mistake has been reported
	unused  bool // has no effect beside the other values
	parsed  any  // of a scalar
	kids    []*value
	from    *value // the value that holds instead, for a key that falls back on another
	because string // of a default that is not the table's: where it comes from
	filled  bool   // not given, but taken from the signal database
}

// get returns the value of a key below this one. It must be in the table.
func (v *value) get(name string) *value {
	for _, k := range v.kids {
		if k.name == name {
			return k
		}
	}
	panic("scenarios: no key " + v.path + "." + name)
}

// is reports whether the value is this word or truth value.
func (v *value) is(w any) bool { return v.parsed == w }

// The accessors return the zero value for a word such as none, for a value that
// was not given and has no default, and for one that could not be read.

func (v *value) str() string          { s, _ := v.parsed.(string); return s }
func (v *value) truth() bool          { b, _ := v.parsed.(bool); return b }
func (v *value) int() int             { n, _ := v.parsed.(int64); return int(n) }
func (v *value) float() float64       { f, _ := v.parsed.(float64); return f }
func (v *value) time() time.Duration  { d, _ := v.parsed.(time.Duration); return d }
func (v *value) id() bus.ID           { id, _ := v.parsed.(bus.ID); return id }
func (v *value) identRun() identRange { r, _ := v.parsed.(identRange); return r }

// origin returns the layer kind the value was written in.
func (v *value) origin() origin {
	if v.from != nil {
		return v.from.origin()
	}
	switch {
	case v.filled:
		return fromDatabase
	case !v.given:
		return fromDefault
	}
	return v.at.source.origin
}

// reason says where a default comes from.
func (v *value) reason() string {
	if v.because != "" {
		return v.because
	}
	return v.key.Origin
}

// layer tells which text wins: -1 for defaults.
func (v *value) layer() int {
	if !v.given {
		return -1
	}
	return v.at.source.layer
}

// anyBad reports whether one of the values could not be read, so that checks
// across values do not complain twice.
func anyBad(vs ...*value) bool {
	return slices.ContainsFunc(vs, func(v *value) bool { return v.bad })
}

// reset drops what was given.
func (v *value) reset() {
	v.given = false
	v.parsed = v.key.defaultValue()
}

// defaultValue parses the default of the table.
func (k *Key) defaultValue() any {
	if k.Default == "" {
		return nil
	}
	p, wrong := parseScalar(k.kind, k.Words, k.Default)
	if wrong != nil {
		panic("scenarios: default of " + k.Path + ": found " + wrong.found + ", expected " + wrong.expected)
	}
	return p
}

// reader checks a tree of nodes against the table.
type reader struct {
	mistakes Mistakes
	partial  bool // a part of the scenario could not be read: nothing counts as missing
	database bool // there is a signal database, which may say what is missing
	root     *value
}

func (r *reader) add(at place, path, found, expected, hint string) {
	r.mistakes = append(r.mistakes, at.mistake(path, found, expected, hint))
}

// read returns the value of a key. The node is nil when the key was not given;
// around is the place of the block that should hold it.
func (r *reader) read(k *Key, n *node, path, name string, keyAt, around place) *value {
	v := &value{key: k, path: path, name: name, at: around, keyAt: keyAt, given: n != nil}
	if r.root == nil {
		r.root = v
	}
	if n != nil && n.faulty {
		n, v.given, v.bad = nil, false, true
		c := *k
		c.required = false
		k = &c
	}
	if n != nil {
		v.at = n.at
		if k.kind == section || k.kind == names {
			v.at = keyAt
		}
	} else if k.required && !(k.database && r.database) {
		if !r.partial {
			r.add(around, path, "nothing", wantOf(k), "")
		}
		v.bad = true
	}
	switch k.kind {
	case section:
		r.readSection(v, n)
	case names:
		r.readNames(v, n)
	case items:
		r.readItems(v, n)
	default:
		r.readScalar(v, n)
	}
	return v
}

// wantOf says what belongs to a key, for a message.
func wantOf(k *Key) string {
	switch k.kind {
	case section:
		return "a block with the keys " + strings.Join(k.kidNames(), ", ")
	case names:
		return "a block of names, each with its keys"
	case items:
		if k.single {
			return withWords("a value or a list of values", k.Words)
		}
		if len(k.Words) > 0 {
			return oneOf(append([]string{"a list"}, k.Words...))
		}
		return "a list"
	case word:
		return oneOf(k.Words)
	case anyText:
		return "text"
	case truth:
		return "true or false"
	case whole:
		return withWords("a whole number", k.Words)
	case number:
		return withWords("a decimal number", k.Words)
	case ident:
		return identExpected
	case idents:
		return identExpected + " or a range such as 200-21F"
	}
	q := quantities[k.kind]
	return withWords(q.what+" such as "+q.example, k.Words)
}

func join(path, name string) string {
	if path == "" {
		return name
	}
	return path + "." + name
}

// wrongShape reports a node that is no block where one is needed.
func (r *reader) wrongShape(v *value, n *node, want shape) bool {
	if n == nil || n.shape == want {
		return false
	}
	found := n.shape.String()
	if n.shape == scalar {
		found = quote(n.text)
		if n.text == "" {
			found = "no value"
		}
	}
	r.add(n.at, v.path, found, wantOf(v.key), "")
	v.bad = true
	return true
}

func (r *reader) readSection(v *value, n *node) {
	if r.wrongShape(v, n, mapping) {
		n = nil
	}
	if n != nil {
		for _, e := range n.entries {
			if v.key.kid(e.name) == nil {
				r.unknownKey(v, e)
			}
		}
	}
	for _, k := range v.key.kids {
		name, at := k.name(), v.at
		kid := n.child(name)
		if kid != nil {
			at = n.entries[n.find(name)].at
		}
		// What a block that was not given would require is not missing.
		kk := k
		if k.required && !v.given {
			c := *k
			c.required = false
			kk = &c
		}
		v.kids = append(v.kids, r.read(kk, kid, join(v.path, name), name, at, v.at))
	}
}

func (r *reader) unknownKey(v *value, e entry) {
	known := v.key.kidNames()
	where := "a scenario has"
	if v.path != "" {
		where = v.path + " has"
	}
	hint := didYouMean(e.name, known)
	if hint == "" {
		hint = elsewhere(e.name)
	}
	r.add(e.at, join(v.path, e.name), "an unknown key", "one of the keys that "+where+": "+strings.Join(known, ", "), hint)
}

// elsewhere tells where a key that is unknown here belongs.
func elsewhere(name string) string {
	for _, k := range allKeys() {
		if k.name() == name {
			return "there is a key " + k.Path
		}
	}
	return ""
}

var namePattern = regexp.MustCompile(`^[A-Za-z_][A-Za-z0-9_-]{0,63}$`)

// dottedPattern has a signal, perhaps behind its message or the identifier of one,
// and perhaps in front of its page.
var dottedPattern = regexp.MustCompile(`^([A-Za-z0-9_][A-Za-z0-9_-]{0,127}\.)?[A-Za-z_][A-Za-z0-9_-]{0,127}(@[0-9]{1,5})?$`)

// goodName reports whether a user's name fits its place: only shown signals may
// have the name of their message in front.
func goodName(k *Key, name string) bool {
	if k.Path == "receivers.*.shows" {
		return dottedPattern.MatchString(name)
	}
	return namePattern.MatchString(name)
}

func (r *reader) readNames(v *value, n *node) {
	if r.wrongShape(v, n, mapping) || n == nil {
		return
	}
	for _, e := range n.entries {
		if !goodName(v.key, e.name) {
			r.add(e.at, v.path, quote(e.name), "a name of letters, digits, _ and -, that begins with a letter", "")
			continue
		}
		v.kids = append(v.kids, r.read(v.key.kids[0], e.value, join(v.path, e.name), e.name, e.at, e.at))
	}
	if len(n.entries) == 0 && v.key.required {
		r.add(v.at, v.path, "an empty block", wantOf(v.key), "")
		v.bad = true
	}
}

func (r *reader) readItems(v *value, n *node) {
	if n != nil && n.shape == scalar && slices.Contains(v.key.Words, n.text) {
		v.parsed = n.text
		return
	}
	if n == nil && v.key.fallback != "" && !v.bad {
		v.from = find(r.root, v.key.fallback)
		return
	}
	if n == nil && v.key.Default != "" {
		v.parsed = v.key.defaultValue()
		return
	}
	if r.wrongShape(v, n, list) || n == nil {
		return
	}
	for i, item := range n.items {
		index := strconv.Itoa(i)
		v.kids = append(v.kids, r.read(v.key.kids[0], item, join(v.path, index), index, item.at, item.at))
	}
}

func (r *reader) readScalar(v *value, n *node) {
	if n == nil {
		if v.key.fallback != "" {
			v.from = find(r.root, v.key.fallback)
			v.parsed = v.from.parsed
			return
		}
		v.parsed = v.key.defaultValue()
		return
	}
	if r.wrongShape(v, n, scalar) {
		v.parsed = v.key.defaultValue()
		return
	}
	if n.text == "" && !n.quoted {
		r.add(n.at, v.path, "no value", wantOf(v.key), "")
		v.bad = true
		v.parsed = v.key.defaultValue()
		return
	}
	parsed, wrong := parseScalar(v.key.kind, v.key.Words, n.text)
	if wrong == nil {
		wrong = v.key.outOfRange(parsed, n.text)
	}
	if wrong != nil {
		r.add(n.at, v.path, wrong.found, wrong.expected, wrong.hint)
		v.bad = true
		parsed = v.key.defaultValue()
	}
	v.parsed = parsed
}

// find returns the value at a path of plain keys.
func find(v *value, path string) *value {
	for _, name := range strings.Split(path, ".") {
		v = v.get(name)
	}
	return v
}

// outOfRange compares a value with the bounds of the table.
func (k *Key) outOfRange(parsed any, s string) *fault {
	below := k.Min != "" && compareValues(parsed, k.bound(k.Min)) < 0
	above := k.Max != "" && compareValues(parsed, k.bound(k.Max)) > 0
	if !below && !above {
		return nil
	}
	expected := "at least " + k.Min
	if k.Max != "" {
		expected = fmt.Sprintf("%s to %s", k.Min, k.Max)
		if k.Min == "" {
			expected = "at most " + k.Max
		}
	}
	return &fault{quote(s) + ", which is out of range", withWords(expected, k.Words), ""}
}

func (k *Key) bound(s string) any {
	p, wrong := parseScalar(k.kind, nil, s)
	if wrong != nil {
		panic("scenarios: bound of " + k.Path + " is not " + wrong.expected)
	}
	return p
}

// compareValues orders two parsed quantities of one kind; words are in range.
func compareValues(a, b any) int {
	switch a := a.(type) {
	case int64:
		return cmp.Compare(a, b.(int64))
	case float64:
		return cmp.Compare(a, b.(float64))
	case time.Duration:
		return cmp.Compare(a, b.(time.Duration))
	}
	return 0
}
