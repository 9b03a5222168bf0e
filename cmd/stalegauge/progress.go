package main

import (
	"io"
	"time"

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

// newCounter returns a bar for work of which nobody knows how much there is.
func newCounter(w io.Writer, what string) *progress {
	if !isTerminal(w) {
		return &progress{}
	}
	return &progress{progressbar.NewOptions(-1,
		progressbar.OptionSetWriter(w),
		progressbar.OptionSetDescription(what),
		progressbar.OptionShowCount(),
		progressbar.OptionShowIts(),
		progressbar.OptionThrottle(100*time.Millisecond),
		progressbar.OptionClearOnFinish(),
	)}
}

// count tells a counter how much is done.
func (p *progress) count(done int) {
	if p.bar != nil {
		_ = p.bar.Set(done) // a bar that cannot be drawn harms nobody
	}
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
