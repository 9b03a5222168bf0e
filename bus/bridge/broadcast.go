package bridge

import (
	"time"

	"stalegauge/bus"
)

// NoPage is the page of a record whose identifier has no pages.
const NoPage = -1

// Record is one value of a forwarded identifier inside a broadcast.
type Record struct {
	Slot    int           // index into the forward list
	Page    int           // value of the selector, or NoPage
	ValidAt time.Duration // release of the value at its source, or its reception
	Length  uint8
	Data    [bus.MaxLength]byte // the first Length bytes count

	frameID uint64 // identity of the frame inside the bridge, for its ledger
}

// Broadcast is one transmission. It belongs to the bridge that made it and is
// used again after the last holder has called Release.
type Broadcast struct {
	Sequence uint16
	Copy     int           // 0, then 1, 2, ... for repeats; the bytes are the same
	Size     int           // payload bytes as the layout encodes it
	SendTime time.Duration // first hand-over to the medium
	Records  []Record

	holders int
	home    *Bridge
}

// Retain adds n holders.
func (b *Broadcast) Retain(n int) { b.holders += n }
