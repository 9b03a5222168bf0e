package scenarios

import (
	"cmp"
	"time"

	"stalegauge/bus"
	"stalegauge/bus/traffic"
)

// Source makes the traffic of one replication: the message set, or the capture
// from the replication's offset on. released is told of every release of a
// watched message, by index of the message set, with the page that the instance
// carries; it may be told ahead of the frames. A capture knows of no releases.
//
// A source that is an io.Closer holds a file and is to be closed after use.
func (b *Bus) Source(s Streams, watched []bool, released func(message, page int, at time.Duration)) (bus.Source, error) {
	if b.Capture != nil {
		return b.Capture.source(s, b.BitRate, cmp.Or(b.DataBitRate, b.BitRate))
	}
	return traffic.New(traffic.Config{
		Messages: b.Messages, BitRate: b.BitRate, DataBitRate: b.DataBitRate,
		Timeline: b.Timeline, BitErrorRate: b.BitErrorRate, ErrorFrames: b.ErrorFrames,
		Stream: s.Rand, Watch: watched, OnRelease: released,
	})
}
