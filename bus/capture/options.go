package capture

import (
	"strings"
	"time"
)

// Shape is the form of a capture file.
type Shape uint8

// The shapes.
const (
	Sniff    Shape = iota // told by the content
	TextLog               // SocketCAN text log
	CSV                   // columns with or without a header
	Template              // lines read by Options.Template
	PCAP                  // packets
	PCAPNG                // packets
)

// String returns the shape's name as reports print it.
func (s Shape) String() string {
	return [...]string{"unknown", "SocketCAN text log", "CSV", "text by line template", "pcap", "pcapng"}[s]
}

// packets reports whether the file holds packets instead of lines.
func (s Shape) packets() bool { return s >= PCAP }

// Arrangement says how several files make one capture.
type Arrangement uint8

// The arrangements.
const (
	// InARow: one after the other. Where a file has no date and begins with an
	// earlier time than the one before it ended with, it is placed right behind,
	// its first frame with AfterGap set.
	InARow Arrangement = iota
	// SideBySide: at the same time, merged by their stamps.
	SideBySide
)

// MaxFiles is how many files one capture may have.
const MaxFiles = 64

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
	TimeUnit   time.Duration // of a time of plain numbers in CSV or a template; 0 = as the header says or the values suggest
	IDBase     int           // of identifiers in CSV or a template: 10 or 16; 0 = as the header says or the values suggest
	// Columns maps columns of a CSV file; the zero value lets their names or
	// their order tell.
	Columns Columns
	// Template reads lines of any other text; nil = none. See [ParseTemplate].
	Template *LineTemplate
	// LittleEndianIDs reads the identifiers of packets in the byte order of a
	// little-endian host, against the definition of link type 227.
	LittleEndianIDs bool
	Arrangement     Arrangement // of several files
}

// withDefaults fills in the fields that are zero. It panics on negative ones:
// they come from the program, not from a capture.
func (o Options) withDefaults() Options {
	if o.Gap < 0 || o.Keep < 0 || o.MaxLine < 0 || o.SpoolLimit < 0 || o.Shape > PCAPNG || o.GapRule > Silence ||
		o.Arrangement > SideBySide || o.IDBase != 0 && o.IDBase != 10 && o.IDBase != 16 {
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

// unused returns a note on the options that are for files of other shapes, if any
// is set. It is no mistake: of several files each may be of a shape of its own.
func (o Options) unused(shape Shape) []string {
	var keys []string
	note := func(key string, set bool) {
		if set {
			keys = append(keys, key)
		}
	}
	plain, packets := shape == CSV || shape == Template, shape.packets()
	note("columns", packets && o.Columns != Columns{})
	note("line_template", packets && o.Template != nil)
	note("id_base", !plain && o.IDBase != 0)
	note("time_unit", !plain && o.TimeUnit != 0)
	note("id_order", !packets && o.LittleEndianIDs)
	if keys == nil {
		return nil
	}
	return []string{"without effect on this file, which is of another shape: " + strings.Join(keys, ", ")}
}
