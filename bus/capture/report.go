package capture

import (
	"fmt"
	"time"

	"stalegauge/bus"
)

// Report says what a reader met so far; after the last frame, what is in the
// file. Two sums hold at the end:
//
//	Lines = Blank + Comments + Header + Unreadable + TooLong + OtherLink + Read
//	Read  = OtherChannel + Twins + Damaged + Late + Frames
type Report struct {
	Name    string // of several files all, with commas
	Files   int
	Shape   Shape    // of several files the first one's
	Unequal bool     // files of several shapes
	Layout  []string // CSV and line template: how each column or group is read and why; what of the options has no effect

	Lines      int64 // in the file; packets of a pcap or pcapng file
	Blank      int64
	Comments   int64 // lines that begin with # or //
	Header     int64 // column names, and what stands before them
	Unreadable int64
	OtherLink  int64 // packets of a link type that carries no frames
	TooLong    int64 // lines over Options.MaxLine
	Read       int64 // lines understood as a frame
	Padding    int64 // NUL and Ctrl-Z bytes around lines, skipped

	OtherChannel int64 // frames of channels not asked for
	Twins        int64 // transmit requests logged beside the frame itself: one of two kept
	Damaged      int64 // single stamps far ahead of the lines around them: dropped
	Late         int64 // stepped back by more than Window: dropped
	Frames       int64 // handed out, of every kind

	Sorted     int64 // stepped back by at most Window: put into their place
	WindowFull int64 // frames handed out before Window had passed, too many being in it
	CutDigits  int64 // stamps with digits below the nanosecond
	Midnights  int64 // days that ended under stamps with a time of day only

	Remote     int64 // remote frames among Frames
	Errors     int64 // error frames among Frames
	Overruns   int64 // error frames that say the logger itself lost frames
	FD         int64 // flexible data rate frames among Frames
	RawDLC     int64 // classic frames of 8 bytes with a length code above 8
	LengthCode int64 // CSV rows whose length column holds a length code of 9..15
	ExtraBytes int64 // CSV rows with more data bytes than the length column says
	Compressed int64 // files read through gzip
	Truncated  int64 // files that end in the middle of a packet or of compressed data: what came before was kept
	OtherBlock int64 // pcapng blocks that are no packets and say nothing about them, skipped

	Joins      int64         // files placed behind the one before, nothing being known of the time between
	Gaps       int64         // silences longer than Options.Gap
	LongestGap time.Duration // the longest of them
	CutOut     time.Duration // taken out of the time line under Cut
	Span       time.Duration // offset of the last frame handed out

	Epoch      bool  // stamps are nanoseconds since 1970, else since some start
	FirstStamp int64 // stamp of the first frame handed out, ns
	LastStamp  int64 // stamp of the last one

	Channels []Channel // by first appearance, at most maxChannels
	Links    []Link    // of OtherLink, the first few
	Bad      []BadLine // the first few lines of Unreadable and TooLong
	Dropped  []BadLine // the first few of Late and Damaged; Text is empty
}

// Channel is the name of a bus in a capture and how many frames it has.
type Channel struct {
	Name   string
	Frames int64
}

// BadLine is a line that was not used.
type BadLine struct {
	File   string // named where a capture has several
	Number int64  // from 1
	Packet bool   // a packet, not a line
	Text   string
	Reason string
}

// String returns the line as a message.
func (b BadLine) String() string {
	s := "line"
	if b.Packet {
		s = "packet"
	}
	if b.File != "" {
		s = b.File + ", " + s
	}
	s = fmt.Sprintf("%s %d: %s", s, b.Number, b.Reason)
	if b.Text == "" {
		return s
	}
	return fmt.Sprintf("%s: %q", s, b.Text)
}

const (
	shownLines  = 5  // of each list of bad lines
	shownBytes  = 80 // of a bad line
	maxChannels = 32 // names kept; further ones are counted together
	channelName = 40 // bytes of a name
)

// otherChannels is the name under which further channels are counted.
const otherChannels = "(others)"

// Why a line is not a frame.
const (
	reasonNoStamp        = "no time stamp in brackets at its beginning"
	reasonTime           = "the time is no decimal number and no time of day"
	reasonRange          = "the time is out of range"
	reasonNoFrame        = "no frame such as 254#918FFE behind the channel name"
	reasonDigits         = "an identifier has 3 hex digits (11 bit) or 8 (29 bit)"
	reasonStandard       = "an 11-bit identifier is at most 7FF"
	reasonExtended       = "a 29-bit identifier is at most 1FFFFFFF, an error frame 20000000..3FFFFFFF"
	reasonFlags          = "## is followed by one hex digit of flags"
	reasonLong           = "more data than a frame holds (8 bytes, 64 behind ##)"
	reasonOdd            = "odd number of hex digits in the data"
	reasonNotHex         = "the data has a character that is no hex digit"
	reasonErrorFrame     = "an error frame has 8 bytes of data and no flags"
	reasonFlexibleLength = "no length of the flexible data rate format (0..8, 12, 16, 20, 24, 32, 48, 64)"
	reasonRemoteLength   = "a remote frame asks for 0..8 bytes"
	reasonRawDLC         = "a raw length code of 9..F stands behind 8 bytes of a classic frame only"
	reasonTrailing       = "text behind the frame other than the direction R or T"
	reasonTooLong        = "the line is too long"
	reasonFewColumns     = "fewer columns than the layout needs"
	reasonQuote          = "a quote is not closed"
	reasonID             = "the identifier is no number of at most 29 bits"
	reasonIDWidth        = "the identifier does not fit the width of 11 bits stated for it"
	reasonLengthColumn   = "the length is no number of 0..64"
	reasonFewBytes       = "fewer data bytes than the length column says"
	reasonByte           = "a data byte is no number of 0..255"
	reasonYesNo          = "a mark column holds neither yes nor no"
	reasonTemplate       = "the line template does not match"
	reasonShortPacket    = "the packet is shorter than its frame: the logger cut it"
	reasonXL             = "a frame of the XL format"
	reasonErrorPacket    = "the identifier is marked as an error, but class or length are not those of an error frame"
	reasonIDWord         = "the identifier is above 7FF without the mark of 29 bits"
	reasonInterface      = "the packet names an interface that the file does not describe"
	reasonSimple         = "the packet has no time stamp (simple packet block)"
)

// nothingHint says what packets there were where none was a frame.
func (r *Report) nothingHint() string {
	if len(r.Links) == 0 || r.OtherLink < r.Lines {
		return ""
	}
	return fmt.Sprintf("its packets are of %v, not of link type %d", r.Links[0], linkFrames)
}

// tally counts for a reader.
type tally struct {
	r    Report
	last int // index of the channel last met
}

// bad counts a line that is not used.
func (t *tally) bad(number int64, line []byte, reason string) {
	if len(t.r.Bad) < shownLines {
		t.r.Bad = append(t.r.Bad, badLine(number, line, reason))
	}
}

func badLine(number int64, line []byte, reason string) BadLine {
	text := string(line[:min(len(line), shownBytes)])
	if len(line) > shownBytes {
		text += "..."
	}
	return BadLine{Number: number, Text: text, Reason: reason}
}

// dropped notes a frame whose stamp did not fit.
func (t *tally) dropped(e *entry, format string, by int64) {
	if len(t.r.Dropped) < shownLines {
		reason := fmt.Sprintf(format, time.Duration(by))
		t.r.Dropped = append(t.r.Dropped, BadLine{Number: e.line, Reason: reason, Packet: t.r.Shape.packets()})
	}
}

// lastChannel returns the name of the channel last met, "" before.
func (t *tally) lastChannel() string {
	if c := t.r.Channels; t.last < len(c) {
		return c[t.last].Name
	}
	return ""
}

// channel returns the index of a channel name; it is counted later, when the
// line has been read whole.
func (t *tally) channel(name []byte) uint8 {
	name = name[:min(len(name), channelName)]
	if c := t.r.Channels; t.last < len(c) && c[t.last].Name == string(name) {
		return uint8(t.last)
	}
	for i := range t.r.Channels {
		if t.r.Channels[i].Name == string(name) {
			t.last = i
			return uint8(i)
		}
	}
	if len(t.r.Channels) < maxChannels-1 {
		t.r.Channels = append(t.r.Channels, Channel{Name: string(name)})
	} else if len(t.r.Channels) < maxChannels {
		t.r.Channels = append(t.r.Channels, Channel{Name: otherChannels})
	}
	t.last = len(t.r.Channels) - 1
	return uint8(t.last)
}

// kinds counts a frame that is handed out.
func (t *tally) kinds(e *entry) {
	t.r.Frames++
	if e.rawDLC {
		t.r.RawDLC++
	}
	f := &e.frame
	if f.Flags != 0 {
		t.r.FD++
	}
	switch f.Kind {
	case bus.Remote:
		t.r.Remote++
	case bus.Error:
		t.r.Errors++
		if f.ID.Number()&classController != 0 && f.Data[1]&receiveOverrun != 0 {
			t.r.Overruns++
		}
	}
}
