package capture

import (
	"time"
)

// Shape is the form of a capture file.
type Shape uint8

// The shapes.
const (
	Sniff   Shape = iota // told by the content
	TextLog              // SocketCAN text log
	CSV                  // columns with or without a header
)

// String returns the shape's name as reports print it.
func (s Shape) String() string {
	return [...]string{"unknown", "SocketCAN text log", "CSV"}[s]
}

// GapRule says what a silence longer than Options.Gap is.
type GapRule uint8

// The rules.
const (
	// Cut: the logger was off. All but Options.Keep of the silence is taken out
	// of the time line and the frame after it has AfterGap set.
	Cut GapRule = iota
	// Silence: the bus was quiet. The time line stays as it is.
	Silence
)

// The defaults of the fields of Options that are zero.
const (
	DefaultGap        = 5 * time.Second
	DefaultKeep       = time.Millisecond
	DefaultMaxLine    = 16 << 10
	DefaultSpoolLimit = 1 << 30
)

// Window is how far back a line may step in time and still be sorted into its
// place.
const Window = 50 * time.Millisecond

// Options says how to read a capture. The zero value is usable.
type Options struct {
	Shape   Shape
	Channel string  // only frames of the channel of this name; "" = all, as if they were one bus
	GapRule GapRule // what a silence longer than Gap is
	Gap     time.Duration
	// Keep is what stays of a silence that is cut: about the distance of two
	// frames, so that no age grows over it and no two frames share an instant.
	Keep       time.Duration
	MaxLine    int           // bytes; a longer line is counted and skipped
	SpoolLimit int64         // bytes of standard input kept in a temporary file
	TimeUnit   time.Duration // of a CSV time column of plain numbers; 0 = as the header says or the values suggest
}

// withDefaults fills in the fields that are zero. It panics on negative ones:
// they come from the program, not from a capture.
func (o Options) withDefaults() Options {
	if o.Gap < 0 || o.Keep < 0 || o.MaxLine < 0 || o.SpoolLimit < 0 || o.Shape > CSV || o.GapRule > Silence {
		panic("capture: Options with a negative or unknown value")
	}
	switch o.TimeUnit {
	case 0, time.Nanosecond, time.Microsecond, time.Millisecond, time.Second:
	default:
		panic("capture: Options.TimeUnit is none of 1 s, 1 ms, 1 us, 1 ns")
	}
	if o.Gap == 0 {
		o.Gap = DefaultGap
	}
	if o.Keep == 0 {
		o.Keep = DefaultKeep
	}
	if o.MaxLine == 0 {
		o.MaxLine = DefaultMaxLine
	}
	if o.SpoolLimit == 0 {
		o.SpoolLimit = DefaultSpoolLimit
	}
	o.Keep = min(o.Keep, o.Gap)
	return o
}
