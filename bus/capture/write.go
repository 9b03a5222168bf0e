package capture

import (
	"encoding/binary"
	"fmt"
	"io"
	"time"

	"github.com/gopacket/gopacket"
	"github.com/gopacket/gopacket/layers"
	"github.com/gopacket/gopacket/pcapgo"

	"stalegauge/bus"
)

// Writer writes frames as pcapng with link type 227, one interface, stamps in
// nanoseconds. A remote frame loses the length that it asks for: the format has
// no place for it.
type Writer struct {
	to      *pcapgo.NgWriter
	record  [8 + bus.MaxLength]byte
	start   int64
	frames  int64
	remotes int64
}

// NewWriter begins a file. channel names its interface; start is the stamp, in
// nanoseconds since 1970, of the frames' time 0, and 0 where that is not known.
// Close ends the file.
func NewWriter(to io.Writer, channel string, start int64) (*Writer, error) {
	if start < 0 || start > maxStamp {
		return nil, fmt.Errorf("pcapng: a start at %d ns, expected 0 to %d", start, int64(maxStamp))
	}
	w, err := pcapgo.NewNgWriterInterface(to, pcapgo.NgInterface{Name: channel, LinkType: layers.LinkType(linkFrames), TimestampResolution: 9},
		pcapgo.NgWriterOptions{SectionInfo: pcapgo.NgSectionInfo{Application: "stalegauge"}})
	if err != nil {
		return nil, fmt.Errorf("pcapng: %w", err)
	}
	return &Writer{to: w, start: start}, nil
}

// Write writes a frame. It does not allocate.
func (w *Writer) Write(f *bus.Frame) error {
	at := w.start + int64(f.At)
	if at < 0 || at > maxStamp {
		return fmt.Errorf("pcapng: a frame at %v, which is out of range", f.At)
	}
	data := w.encode(f)
	info := gopacket.CaptureInfo{Timestamp: time.Unix(at/1e9, at%1e9), CaptureLength: len(data), Length: len(data)}
	if err := w.to.WritePacket(info, data); err != nil {
		return fmt.Errorf("pcapng: %w", err)
	}
	w.frames++
	if f.Kind == bus.Remote && f.Length > 0 {
		w.remotes++
	}
	return nil
}

// encode returns the record of a frame: classic ones in the 16 bytes that they
// have in memory of the logger's host, others as long as they are.
func (w *Writer) encode(f *bus.Frame) []byte {
	word := f.ID.Number()
	if f.ID.IsExtended() {
		word |= extendedFlag
	}
	length, flags := f.Length, byte(0)
	switch f.Kind {
	case bus.Remote:
		word |= remoteFlag
		length = 0
	case bus.Error:
		class := f.ID.Number() & knownClasses
		if class == 0 {
			class = classBusError // what a simulated bus error is
		}
		word, length = class|errorFlag, 8
	}
	clear(w.record[:])
	size := 16
	if f.Flags != 0 {
		flags, size = 0x04, 8+int(length)
		if f.Flags&bus.BitRateFast != 0 {
			flags |= 0x01
		}
		if f.Flags&bus.ErrorPassive != 0 {
			flags |= 0x02
		}
	}
	binary.BigEndian.PutUint32(w.record[:], word)
	w.record[4], w.record[5] = length, flags
	copy(w.record[8:], f.Data[:min(length, f.Length)])
	return w.record[:size]
}

// Frames returns how many frames were written, and how many remote frames lost
// the length that they ask for.
func (w *Writer) Frames() (all, remotes int64) { return w.frames, w.remotes }

// Close writes what is still held. It does not close the file.
func (w *Writer) Close() error {
	if err := w.to.Flush(); err != nil {
		return fmt.Errorf("pcapng: %w", err)
	}
	return nil
}
