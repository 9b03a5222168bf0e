package capture

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"

	"stalegauge/bus"
)

// The link types (registry of link types of pcap and pcapng) whose packets carry
// frames. The cooked ones are what a logger writes that listens to all interfaces
// at once; their headers are from memory of the registry's descriptions.
const (
	linkFrames  = 227 // a frame behind an identifier in big-endian order
	linkCooked  = 113 // 16 bytes, then the same
	linkCooked2 = 276 // 20 bytes, then the same
	// The protocols of a cooked header that stand for frames.
	protocolClassic  = 0x000C
	protocolFlexible = 0x000D
)

// linkNames are the kinds of traffic most often met in the place of a bus.
var linkNames = map[uint32]string{1: "Ethernet", 105: "wireless LAN", 127: "wireless LAN", 187: "Bluetooth",
	189: "USB", 195: "IEEE 802.15.4", 201: "Bluetooth", 220: "USB", 230: "IEEE 802.15.4"}

// Link is a link type without frames and how many packets it has.
type Link struct {
	Type    uint32
	Packets int64
}

// String names the link type.
func (l Link) String() string {
	if name := linkNames[l.Type]; name != "" {
		return fmt.Sprintf("link type %d (%s)", l.Type, name)
	}
	return fmt.Sprintf("link type %d", l.Type)
}

// maxLinks bounds the link types told apart.
const maxLinks = 8

// errTruncated says that compressed data, or those of a packet, end too early.
var errTruncated = errors.New("the data end too early")

// packet is a record of a pcap or pcapng file.
type packet struct {
	link    uint32
	channel []byte // name of the interface, nil where there is none
	data    []byte // valid until the next packet; long ones are cut
	stamp   int64  // ns
	cut     bool   // the stamp has digits below the nanosecond
	mark    uint8  // of direction
	reason  string // why it cannot be used, "" = it can
}

// packetReader reads the records of a file. The error is io.EOF at a plain end
// and io.ErrUnexpectedEOF in the middle of a record.
type packetReader interface {
	next(p *packet) error
}

// packets turns packets into entries.
type packets struct {
	from   packetReader
	number int64 // of the packet last read, from 1
	little bool  // identifiers in little-endian order
	packet packet
}

// openPackets begins to read packets.
func openPackets(shape Shape, from io.Reader) (packetReader, error) {
	r := bufio.NewReaderSize(from, bufferSize)
	if shape == PCAP {
		return newPCAP(r)
	}
	return newBlocks(r), nil
}

// sniffPackets looks at the first packets and prepares to read all of them.
func (p *part) sniffPackets(shape Shape) error {
	name, head := p.tally.r.Name, p.lines.head()
	sample, err := openPackets(shape, bytes.NewReader(head))
	if err != nil {
		return nothing(name, nil, "it begins like a "+shape.String()+" file, but: "+err.Error())
	}
	k := packets{}
	found, big, little := 0, 0, 0
	for n := 0; n < sampleRows && sample.next(&k.packet) == nil; n++ {
		body, ok := k.packet.body()
		if !ok || len(body) < 8 {
			continue
		}
		found++
		if !plausible(binary.BigEndian.Uint32(body)) {
			big++
		}
		if !plausible(binary.LittleEndian.Uint32(body)) {
			little++
		}
	}
	switch {
	case !p.o.LittleEndianIDs && big*4 > found && little*4 < big:
		return nothing(name, nil, "its identifiers seem to be in little-endian order, against the definition of link type 227: "+
			"they make sense when id_order: little says so")
	case p.o.LittleEndianIDs && little*4 > found && big*4 < little:
		return nothing(name, nil, "its identifiers make no sense in little-endian order: leave out id_order: little")
	}
	rest := p.lines.from
	if err := p.lines.err; err == io.EOF {
		rest = bytes.NewReader(nil)
	} else if err != nil {
		rest = failing{err}
	}
	from, err := openPackets(shape, io.MultiReader(bytes.NewReader(head), rest))
	if err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	p.tally.r.Shape, p.tally.r.Layout = shape, p.o.unused(shape)
	p.packets = &packets{from: from, little: p.o.LittleEndianIDs}
	return nil
}

// failing is a reader that has come to an error.
type failing struct{ err error }

func (f failing) Read([]byte) (int, error) { return 0, f.err }

// plausible reports whether a word can be an identifier with its flags.
func plausible(word uint32) bool {
	switch {
	case word&errorFlag != 0:
		return word&(extendedFlag|remoteFlag) == 0 && knownClass(word&numberMask)
	case word&extendedFlag != 0:
		return true
	}
	return word&numberMask <= maxStandard
}

// knownClass reports whether an error frame has a class, and no other bits
// (linux/can/error.h).
func knownClass(class uint32) bool { return class != 0 && class&^knownClasses == 0 }

const (
	knownClasses  = 0x3FF
	classBusError = 0x80
)

// body returns the record of a frame in the packet's data; ok is false for a
// packet that is none.
func (k *packet) body() (body []byte, ok bool) {
	var protocol uint16
	switch b := k.data; {
	case k.link == linkFrames:
		return b, true
	case k.link == linkCooked && len(b) >= 16:
		protocol, body = binary.BigEndian.Uint16(b[14:]), b[16:]
	case k.link == linkCooked2 && len(b) >= 20:
		protocol, body = binary.BigEndian.Uint16(b), b[20:]
	}
	return body, protocol == protocolClassic || protocol == protocolFlexible
}

// takePacket reads one packet.
func (p *part) takePacket() {
	k, t := p.packets, &p.tally
	if b, ok := k.from.(*blocks); ok {
		defer func() { t.r.OtherBlock = b.others }()
	}
	err := k.from.next(&k.packet)
	if errors.Is(err, io.ErrUnexpectedEOF) {
		err = errTruncated
	}
	if err != nil {
		p.end(err, "packet", k.number)
		return
	}
	k.number++
	body, ok := k.packet.body()
	if !ok {
		t.r.OtherLink++
		t.link(k.packet.link)
		return
	}
	s, e := p.order.slot()
	reason := k.packet.reason
	if reason == "" {
		reason = k.decode(body, e)
	}
	if reason != "" {
		p.order.back(s)
		t.r.Unreadable++
		if len(t.r.Bad) < shownLines {
			t.r.Bad = append(t.r.Bad, BadLine{Number: k.number, Reason: reason, Packet: true})
		}
		return
	}
	e.stamp, e.mark, e.rawDLC = k.packet.stamp, k.packet.mark, false
	if k.packet.cut {
		t.r.CutDigits++
	}
	e.channel = t.channel(k.packet.channel)
	p.accept(s, e, k.number)
}

// link counts a packet of another link type.
func (t *tally) link(link uint32) {
	for i := range t.r.Links {
		if t.r.Links[i].Type == link {
			t.r.Links[i].Packets++
			return
		}
	}
	if len(t.r.Links) < maxLinks {
		t.r.Links = append(t.r.Links, Link{link, 1})
	}
}

// decode reads the record of link type 227: the word of identifier and flags,
// length, format flags, two reserved bytes, data, perhaps padding.
func (k *packets) decode(b []byte, e *entry) (reason string) {
	const (
		header       = 8
		longerFormat = 0x80 // in the place of the length: a frame of the XL format
		flagFast     = 0x01
		flagPassive  = 0x02
		flagFlexible = 0x04
		flexibleSize = 72 // of a whole record: what older loggers write instead of flagFlexible
	)
	if len(b) < header {
		return reasonShortPacket
	}
	word := binary.BigEndian.Uint32(b)
	if k.little {
		word = binary.LittleEndian.Uint32(b)
	}
	n := int(b[4])
	if n&longerFormat != 0 {
		return reasonXL
	}
	f := &e.frame
	f.Kind, f.Flags, f.Length, f.ID = bus.Data, 0, uint8(n), bus.ID(word&numberMask)
	if b[5]&flagFlexible != 0 || n > 8 || len(b) == flexibleSize {
		f.Flags = bus.FD
		if b[5]&flagFast != 0 {
			f.Flags |= bus.BitRateFast
		}
		if b[5]&flagPassive != 0 {
			f.Flags |= bus.ErrorPassive
		}
	}
	switch {
	case word&errorFlag != 0:
		f.Kind = bus.Error
		if n != 8 || f.Flags != 0 || word&(extendedFlag|remoteFlag) != 0 || !knownClass(word&numberMask) {
			return reasonErrorPacket
		}
	case word&extendedFlag != 0:
		f.ID |= bus.Extended
	case f.ID > maxStandard:
		return reasonIDWord
	}
	if word&remoteFlag != 0 {
		f.Kind = bus.Remote
		if n > 8 || f.Flags != 0 {
			return reasonRemoteLength
		}
		return ""
	}
	if f.Flags != 0 && (n > bus.MaxLength || flexibleLength[n] == 0) {
		return reasonFlexibleLength
	}
	if len(b) < header+n {
		return reasonShortPacket
	}
	copy(f.Data[:], b[header:header+n])
	return ""
}
