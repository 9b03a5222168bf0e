package scenarios

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"reflect"
	"slices"
	"strings"
	"time"

	"stalegauge/bus"
	"stalegauge/bus/capture"
	"stalegauge/bus/signal"
)

// CapturePlan is recorded traffic in place of a message set. The frames stay in
// the file: each [Bus.Source] opens a reader of its own. It is only read, by any
// number of sources at once.
type CapturePlan struct {
	Name    string // as the scenario has it; "-" = standard input
	Options capture.Options
	Loop    bool // begin again at the end
	// Offset is where in the capture every replication begins, its time 0. With
	// Offsets it is drawn instead: uniform from 0 to below Offsets, so 0 when
	// Offsets is 0.
	Offset, Offsets time.Duration
	Round           time.Duration     // length of one round of the loop; without Loop the span
	Summary         *capture.Summary  // of the whole capture
	Carried         []CarriedID       // of each of Summary.IDs, what the summary does not tell
	pages           map[pageKey]visit // of the identifiers that have pages

	file *capture.File
	wire time.Duration // what all frames take on the bus, stuff bits not counted
}

// CarriedID is what a capture holds of one identifier beside its summary.
type CarriedID struct {
	Data              int64 // data frames
	Shortest, Longest int   // their length in bytes
}

type pageKey struct {
	id   bus.ID
	page int
}

// visit is when something is met in a capture.
type visit struct {
	frames      int64
	first, last time.Duration
}

func (v visit) period() time.Duration {
	return capture.IDSummary{Frames: v.frames, First: v.first, Last: v.last}.Period()
}

// find returns the index of an identifier in Summary.IDs, and whether it is
// there.
func (c *CapturePlan) find(id bus.ID) (int, bool) {
	return slices.BinarySearchFunc(c.Summary.IDs, id, func(s capture.IDSummary, id bus.ID) int { return int(int64(s.ID) - int64(id)) })
}

// period returns the mean period of an identifier's frames, or of those with a
// page; 0 when it comes less than twice.
func (c *CapturePlan) period(id bus.ID, page int) time.Duration {
	if v, ok := c.pages[pageKey{id, page}]; ok || page != signal.AnyPage {
		return v.period()
	}
	if i, ok := c.find(id); ok {
		return c.Summary.IDs[i].Period()
	}
	return 0
}

// has reports whether data frames of an identifier, with a page, are there.
func (c *CapturePlan) has(id bus.ID, page int) bool {
	i, ok := c.find(id)
	if !ok || c.Carried[i].Data == 0 {
		return false
	}
	_, paged := c.pages[pageKey{id, page}]
	return page == signal.AnyPage || paged
}

// source opens the capture for one replication, as traffic of these bit rates.
func (c *CapturePlan) source(s Streams, bitRate, dataBitRate int) (bus.Source, error) {
	o := capture.ReplayOptions{Offset: c.Offset, Loop: c.Loop, Summary: c.Summary}
	if c.Offsets > 0 {
		o.Offset = time.Duration(s.Rand("capture offset", 0).Int64N(int64(c.Offsets)))
	}
	replay, err := capture.NewReplay(c.file.Open, o)
	if err != nil {
		return nil, err
	}
	return &recorded{Replay: replay, bitRate: bitRate, dataBitRate: dataBitRate}, nil
}

// Open begins to read the whole capture once, from its first frame on.
func (c *CapturePlan) Open() (*capture.Reader, error) { return c.file.Open() }

// maxCarried bounds the identifiers of a capture that are told apart.
const maxCarried = 1 << 16

// fileError is about one of several files.
type fileError struct {
	index int
	error
}

// openCapture looks at a capture once, from its first line to its last. paths are
// where its files lie; selector tells which identifiers have pages.
func openCapture(paths []string, o capture.Options, bitRate, dataBitRate int, selector func(bus.ID) *signal.Selector) (*CapturePlan, error) {
	for i, path := range paths {
		if err := lookAt(path); err != nil {
			return nil, &fileError{i, err}
		}
	}
	file, err := capture.NewFiles(paths, os.Stdin, o)
	if err != nil {
		return nil, err
	}
	c := &CapturePlan{Options: o, file: file, pages: map[pageKey]visit{}}
	if err := c.survey(bitRate, dataBitRate, selector); err != nil {
		return nil, errors.Join(err, file.Close())
	}
	return c, nil
}

// lookAt sees that a path can be a capture.
func lookAt(path string) error {
	if path == "-" {
		return nil
	}
	info, err := os.Stat(path)
	switch {
	case err != nil:
		return reason(err)
	case info.IsDir():
		return errors.New("is a directory")
	case !info.Mode().IsRegular():
		return errors.New("is no file: a capture is read more than once")
	case info.Size() == 0:
		return errors.New("is empty")
	}
	return nil
}

// survey fills in what the whole capture tells.
func (c *CapturePlan) survey(bitRate, dataBitRate int, selector func(bus.ID) *signal.Selector) error {
	r, err := c.file.Open()
	if err != nil {
		return reason(err)
	}
	defer r.Close()
	s := &capture.Summary{}
	var table bus.Table
	var selectors []*signal.Selector
	var f bus.Frame
	for r.Next(&f) {
		if f.Kind == bus.Error {
			continue
		}
		c.wire += bus.PlainBits(f.ID.IsExtended(), f.Kind, f.Flags, int(f.Length)).WithIntermission().Duration(bitRate, dataBitRate)
		i, known := table.Lookup(f.ID)
		if !known {
			if table.Len() == maxCarried {
				s.OtherIDs++
				continue
			}
			i = table.Add(f.ID)
			s.IDs = append(s.IDs, capture.IDSummary{ID: f.ID, First: f.At})
			c.Carried = append(c.Carried, CarriedID{})
			selectors = append(selectors, selector(f.ID))
		}
		s.IDs[i].Frames++
		s.IDs[i].Last = f.At
		if f.Kind == bus.Data {
			c.carry(i, &f, selectors[i])
		}
	}
	if err := r.Err(); err != nil {
		return err
	}
	s.Report = r.Report()
	s.Span = s.Report.Span
	c.Summary = s
	c.sort()
	return nil
}

// carry notes a data frame.
func (c *CapturePlan) carry(i int, f *bus.Frame, selector *signal.Selector) {
	k := &c.Carried[i]
	length := int(f.Length)
	if k.Data == 0 || length < k.Shortest {
		k.Shortest = length
	}
	k.Longest = max(k.Longest, length)
	k.Data++
	if selector == nil {
		return
	}
	if page, ok := selector.Page(f.Payload()); ok {
		at := pageKey{f.ID, page}
		v, seen := c.pages[at]
		if !seen {
			v.first = f.At
		}
		v.frames, v.last = v.frames+1, f.At
		c.pages[at] = v
	}
}

// sort puts the identifiers into their order.
func (c *CapturePlan) sort() {
	order := make([]int, len(c.Carried))
	for i := range order {
		order[i] = i
	}
	ids, carried := c.Summary.IDs, c.Carried
	slices.SortFunc(order, func(x, y int) int { return int(int64(ids[x].ID) - int64(ids[y].ID)) })
	c.Summary.IDs, c.Carried = nil, nil
	for _, i := range order {
		c.Summary.IDs = append(c.Summary.IDs, ids[i])
		c.Carried = append(c.Carried, carried[i])
	}
}

// everyNote is how the files are read, and what is odd about them.
func (c *CapturePlan) everyNote() []string {
	out := slices.Clone(c.Summary.Report.Layout)
	for _, n := range c.notes() {
		if !slices.Contains(out, n) {
			out = append(out, n)
		}
	}
	return out
}

// notes are the oddities of the capture, a sentence each.
func (c *CapturePlan) notes() []string {
	r := c.Summary.Report
	// What is no oddity: what is known of how the file is read, and kinds of frame it
	// may well have.
	r.Layout = slices.DeleteFunc(slices.Clone(r.Layout), func(l string) bool { return !strings.Contains(l, "guess") && !strings.HasPrefix(l, "without effect") })
	r.Compressed, r.Remote, r.FD, r.RawDLC, r.LengthCode, r.CutDigits, r.Midnights = 0, 0, 0, 0, 0, 0, 0
	var out []string
	for _, n := range r.Notes() {
		switch {
		case n[0] != ' ':
			out = append(out, n)
		case len(out) > 0: // a line that belongs to the note before
			out[len(out)-1] += fmt.Sprintf("\n%s", n)
		}
	}
	return out
}

// Close removes what a plan keeps outside of memory: standard input spooled to
// a temporary file. Sources must not be opened any more.
func (p *Plan) Close() error {
	if p.Bus.Capture == nil {
		return nil
	}
	if err := p.Bus.Capture.file.Close(); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	return nil
}

// Same reports whether two plans replay the same capture in the same way.
func (c *CapturePlan) Same(d *CapturePlan) bool {
	return c.Name == d.Name && reflect.DeepEqual(c.Options, d.Options) && c.Loop == d.Loop && c.Offset == d.Offset &&
		c.Offsets == d.Offsets && c.Round == d.Round && reflect.DeepEqual(c.Summary, d.Summary)
}
