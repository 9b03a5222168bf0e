package scenarios

import (
	"fmt"
	"strings"
)

// Where the value of a default comes from.
const (
	judgement   = "engineering judgement, confirm by measurement"
	reported    = "field reports"
	standard    = "IEEE 802.11-2016"
	lowRate     = "IEEE 802.15.4-2015"
	advertising = "Bluetooth Core 5.0"
	regional    = "EN 300 220-2 as quoted in papers; check the rules where the vehicle drives"
	neutral     = "the case without this effect"
	program     = "choice of the program"
)

// Key describes one key of a scenario. The table of all keys is the only place
// where a default is declared.
type Key struct {
	Path    string   // with * for a name that the user gives and for an item of a list
	About   string   // what it means, in one line
	Default string   // as a scenario would write it; "" when there is none
	Origin  string   // where the default comes from
	Words   []string // words that may stand instead of, or are, the value
	Min     string   // smallest and largest value, as a scenario would write them
	Max     string

	kind      kind
	required  bool
	matters   bool   // listed among the assumptions
	noted     bool   // listed there when somebody gave it
	single    bool   // of a list: a plain value stands for a list of one
	database  bool   // required, unless a signal database says it
	shorthand string // of a block: the key that a plain value stands for
	fallback  string // path of the key whose value holds where this one is silent
	kids      []*Key
}

// name is the last segment of the path.
func (k *Key) name() string {
	if i := strings.LastIndexByte(k.Path, '.'); i >= 0 {
		return k.Path[i+1:]
	}
	return k.Path
}

// kid returns the key of a segment, or nil. A block of names and a list have
// one key for all of their entries.
func (k *Key) kid(name string) *Key {
	if k.kind == names || k.kind == items {
		return k.kids[0]
	}
	for _, c := range k.kids {
		if c.name() == name {
			return c
		}
	}
	return nil
}

// kidNames lists the keys that may stand in a block.
func (k *Key) kidNames() []string {
	var out []string
	if k.kind == section {
		for _, c := range k.kids {
			out = append(out, c.name())
		}
	}
	return out
}

// schema is the root of the table as a tree.
var schema = buildSchema()

// Keys returns the table of all keys in the order of a scenario. The slice is
// the caller's.
func Keys() []Key {
	var out []Key
	for _, k := range allKeys() {
		out = append(out, *k)
	}
	return out
}

func allKeys() []*Key {
	var out []*Key
	for _, part := range [][]Key{generalKeys, busKeys, bridgeKeys, policyKeys, sendKeys, radioKeys, receiverKeys, sizeKeys} {
		for i := range part {
			out = append(out, &part[i])
		}
	}
	return out
}

// buildSchema hangs every key below its parent. A table that cannot be built is
// a programming error.
func buildSchema() *Key {
	root := &Key{kind: section}
	byPath := map[string]*Key{"": root}
	for _, k := range allKeys() {
		parent := ""
		if i := strings.LastIndexByte(k.Path, '.'); i >= 0 {
			parent = k.Path[:i]
		}
		up := byPath[parent]
		if up == nil || byPath[k.Path] != nil {
			panic(fmt.Sprintf("scenarios: key %s has no parent or stands twice in the table", k.Path))
		}
		byPath[k.Path] = k
		up.kids = append(up.kids, k)
	}
	return root
}
