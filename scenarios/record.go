package scenarios

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"stalegauge/bus"
	"stalegauge/bus/capture"
)

// IsScenario reports whether a name means a scenario: a built-in one or a file
// with the ending of one. Anything else is taken for a capture.
func IsScenario(name string) bool {
	ending := strings.ToLower(filepath.Ext(name))
	return slices.Contains(builtinNames(), name) || ending == ".yaml" || ending == ".yml"
}

// OpenCapture opens a capture as a scenario would that has nothing but it, with
// changes as --set takes them: keys below bus. Only the Bus of the plan is filled;
// the caller closes the plan.
func OpenCapture(path string, sets []string) (*Plan, error) {
	parsed, err := parseSets(sets)
	if err != nil {
		return nil, err
	}
	tree, m := parseText(&source{name: "--set"}, []byte("bus: {}"))
	file := &node{at: place{&source{name: "command line", lines: []string{path}, origin: fromCommandLine, inline: true}, 1, 1}, text: path, quoted: true}
	tree.entries[0].value = desugar(schema.kid("bus"), &node{shape: mapping, at: file.at, entries: []entry{{"capture", file.at, file}}})
	for i, set := range parsed {
		changed, more := apply(tree, set, i+1)
		tree, m = changed, append(m, more...)
	}
	r := &reader{partial: true, database: hasDatabase(tree)}
	top := place{file.at.source, 1, 1}
	root := r.read(schema, tree, "", "", top, top)
	if m = append(m, r.mistakes...); len(m) > 0 {
		return nil, m.sorted()
	}
	b := &builder{root: root, plan: &Plan{Name: path}, messageAt: map[bus.ID]*value{}, signals: map[string][]Shown{}}
	b.bus(root.get("bus"))
	if len(b.mistakes) > 0 {
		return nil, append(b.mistakes, b.plan.discard()...).sorted()
	}
	b.plan.Warnings = b.warnings
	return b.plan, nil
}

// Recorded tells what [Record] wrote.
type Recorded struct {
	Frames  int64
	Length  time.Duration // from the first frame to the last
	Remotes int64         // remote frames without the length that they ask for
	Notes   []string      // about the capture that was read
}

// defaultRecord is how long the traffic of a scenario is recorded where nobody
// says so.
const defaultRecord = time.Minute

// Record writes the traffic of a scenario or of a capture to a pcapng file: of a
// scenario what the bus carries in the first replication, of a capture the frames
// with the stamps that they have. The length bounds it; 0 is a minute of a
// scenario and all of a capture.
func Record(ctx context.Context, nameOrPath string, sets []string, length time.Duration, to io.Writer) (Recorded, error) {
	plan, err := openTraffic(nameOrPath, sets)
	if err != nil {
		return Recorded{}, err
	}
	out, err := plan.record(ctx, IsScenario(nameOrPath), length, to)
	return out, errors.Join(err, plan.Close())
}

func openTraffic(nameOrPath string, sets []string) (*Plan, error) {
	if IsScenario(nameOrPath) {
		return Open(nameOrPath, sets)
	}
	// The gaps of a recording stay what they are, and one frame is enough.
	return OpenCapture(nameOrPath, append([]string{"bus.capture.gaps=silence", "bus.capture.loop=false"}, sets...))
}

func (p *Plan) record(ctx context.Context, simulated bool, length time.Duration, to io.Writer) (out Recorded, err error) {
	var from bus.Source
	var start int64
	if simulated {
		if length == 0 {
			length = defaultRecord
		}
		if from, err = p.Bus.Source(Streams{Seed: p.Seed}, nil, nil); err != nil {
			return out, err
		}
	} else {
		reader, err := p.Bus.Capture.file.Open()
		if err != nil {
			return out, err
		}
		from = reader
		start = max(0, p.Bus.Capture.Summary.Report.FirstStamp)
		out.Notes = p.Bus.Capture.everyNote()
	}
	if c, ok := from.(io.Closer); ok {
		defer func() { err = errors.Join(err, c.Close()) }()
	}
	w, err := capture.NewWriter(to, "can0", start)
	if err != nil {
		return out, err
	}
	var f bus.Frame
	first := time.Duration(-1)
	for n := 0; from.Next(&f) && (length == 0 || f.At < length); n++ {
		if n%4096 == 0 && ctx.Err() != nil {
			return out, ctx.Err()
		}
		if first < 0 {
			first = f.At
		}
		if err := w.Write(&f); err != nil {
			return out, err
		}
		out.Length = f.At - first
	}
	if e, ok := from.(interface{ Err() error }); ok && e.Err() != nil {
		return out, e.Err()
	}
	if out.Frames, out.Remotes = w.Frames(); out.Frames == 0 {
		return out, fmt.Errorf("%s: no frame in the first %s", p.Name, formatDuration(length))
	}
	return out, w.Close()
}
