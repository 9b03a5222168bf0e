package scenarios

import (
	"cmp"
	"errors"
	"path/filepath"
	"strings"

	"stalegauge/bus"
	"stalegauge/bus/capture"
	"stalegauge/bus/signal"
)

var idBases = map[string]int{"hex": 16, "decimal": 10}

// captureOptions reads how a capture is to be read.
func (b *builder) captureOptions(c *value) capture.Options {
	o := capture.Options{
		Gap: c.get("gap").time(), TimeUnit: timeUnits[c.get("time_unit").str()], IDBase: idBases[c.get("id_base").str()],
		LittleEndianIDs: c.get("id_order").is("little"),
	}
	if channel := c.get("channel"); !channel.is("all") {
		o.Channel = channel.str()
	}
	if c.get("gaps").is("silence") {
		o.GapRule = capture.Silence
	}
	if arrangement := c.get("arrangement"); len(c.get("file").kids) < 2 {
		arrangement.unused = true
	} else if arrangement.is("side-by-side") {
		o.Arrangement = capture.SideBySide
	}
	columns, template := c.get("columns"), c.get("line_template")
	o.Columns = capture.Columns{
		Time: columns.get("t").str(), ID: columns.get("id").str(), Extended: columns.get("ext").str(), Channel: columns.get("ch").str(),
		Length: columns.get("dlc").str(), Data: columns.get("data").str(), Direction: columns.get("dir").str(),
	}
	if template.is("none") {
		return o
	}
	var err error
	if o.Template, err = capture.ParseTemplate(template.str()); err != nil && !template.bad {
		b.mistakes = append(b.mistakes, template.at.mistake(template.path, strings.ReplaceAll(err.Error(), "\n", "; "),
			`a regular expression such as (?P<t>[0-9.]+) (?P<id>[0-9A-F]+) (?P<data>[0-9A-F]*)`, ""))
		template.bad = true
	}
	if o.Columns != (capture.Columns{}) {
		b.contradiction("stands beside "+columns.path, "leave one of them out", template, columns)
	}
	return o
}

// capture opens the capture and takes the periods of the signals from it.
func (b *builder) capture(v *value) {
	c := v.get("capture")
	file := c.get("file")
	o := b.captureOptions(c)
	if file.bad || c.get("line_template").bad {
		return
	}
	if len(file.kids) == 0 {
		b.contradiction("an empty list of files", "", file)
		return
	}
	paths := make([]string, len(file.kids))
	for i, f := range file.kids {
		if f.bad {
			return
		}
		paths[i] = f.fileAt()
	}
	out := &b.plan.Bus
	plan, err := openCapture(paths, o, out.BitRate, cmp.Or(out.DataBitRate, out.BitRate), b.selectorOf)
	if err != nil {
		b.unreadable(file, paths, err)
		return
	}
	plan.Name, plan.Loop = file.shownText(), c.get("loop").truth()
	out.Capture = plan
	b.offsets(c)
	b.streams()
	for _, found := range b.signals {
		for i := range found {
			found[i].Period = plan.period(found[i].ID, found[i].Signal.Page)
		}
	}
}

// selectorOf returns the page selector of an identifier, nil where it has none: of
// the scenario's messages, else of the signal database.
func (b *builder) selectorOf(id bus.ID) *signal.Selector {
	if b.messageAt[id] == nil {
		return b.databaseSelector(id)
	}
	if s := b.plan.Selectors[id]; s != nil && s.Check() == nil { // what is wrong with one has been said
		return s
	}
	return nil
}

// fileAt is the path that a scenario means: beside its file, or from the working
// directory when the command line said so.
func (v *value) fileAt() string {
	path := v.str()
	if path == "-" || filepath.IsAbs(path) || v.at.source == nil || v.at.source.origin != fromScenario {
		return path
	}
	return filepath.Join(filepath.Dir(v.at.source.name), path)
}

// unreadable reports a file that is no capture.
func (b *builder) unreadable(file *value, paths []string, err error) {
	culprit, at := file.kids[0], paths[0]
	format, which := (*capture.FormatError)(nil), (*fileError)(nil)
	isFormat := errors.As(err, &format)
	for i, path := range paths {
		if errors.As(err, &which) && which.index == i || isFormat && format.Name == path || strings.HasPrefix(err.Error(), path+" ") || strings.HasPrefix(err.Error(), path+":") {
			culprit, at = file.kids[i], path
			break
		}
	}
	found, hint := quote(culprit.str()), ""
	if at != culprit.str() {
		found += " (" + at + ")"
	}
	if isFormat {
		found += ": " + cmp.Or(format.Hint, "no line is a frame")
		for _, line := range format.Lines {
			hint += line.String() + "\n"
		}
		hint = strings.ReplaceAll(hint+capture.Expected, "\n", "\n        ")
	} else {
		found += ": " + strings.TrimPrefix(err.Error(), at+": ")
	}
	path := file.path
	if len(paths) > 1 {
		path = culprit.path
	}
	b.mistakes = append(b.mistakes, culprit.at.mistake(path, found, "a capture of a bus", hint))
}
