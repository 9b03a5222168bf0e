package main

import (
	"io"

	"github.com/schollz/progressbar/v3"
)

// progress shows on a terminal how far a run is and how long it will take.
type progress struct {
	bar *progressbar.ProgressBar
}

// newProgress returns a bar on w that counts what, or nothing to see where w is no
// terminal.
func newProgress(w io.Writer, what string) *progress {
	if !isTerminal(w) {
		return &progress{}
	}
	return &progress{progressbar.NewOptions(1,
		progressbar.OptionSetWriter(w),
		progressbar.OptionSetDescription(what),
		progressbar.OptionSetWidth(24),
		progressbar.OptionShowCount(),
		progressbar.OptionSetPredictTime(true),
		progressbar.OptionClearOnFinish(),
	)}
}

// report tells the bar how many replications of at most how many are done.
func (p *progress) report(done, atMost int) {
	if p.bar == nil || atMost < 1 || done > atMost {
		return
	}
	p.bar.ChangeMax(atMost)
	_ = p.bar.Set(done) // a bar that cannot be drawn harms nobody
}

// close takes the bar away.
func (p *progress) close() {
	if p.bar != nil {
		_ = p.bar.Clear()
	}
}
