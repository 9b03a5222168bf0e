package capture

import (
	"bufio"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math/bits"
)

// The block types of pcapng (draft-ietf-opsawg-pcapng, section 4).
const (
	blockSection   = 0x0A0D0D0A
	blockInterface = 1
	blockPacket    = 2 // obsolete
	blockSimple    = 3
	blockEnhanced  = 6
)

// blocks reads the packets of a pcapng file. Each block is checked against its
// two lengths before anything in it is believed; of long blocks only the
// beginning is held.
//
// The library's reader is not used here: it scales a binary resolution of time
// stamps by a whole number, which shifts stamps by up to 70 ms, and takes the
// length of a packet without comparing it with that of its block.
type blocks struct {
	r          *bufio.Reader
	order      binary.ByteOrder // nil before the first section
	interfaces []netInterface   // of the section
	buf        []byte           // beginning of the block's body
	rest       int              // bytes of the body behind buf
	offset     int64            // of the next block in the file
	others     int64            // blocks without packets, skipped
}

// netInterface is one channel of a section.
type netInterface struct {
	link       uint32
	most       int // bytes kept of a packet, 0 = all
	name       []byte
	resolution uint8 // if_tsresol: a power of ten, with the top bit one of two
	offset     int64 // seconds added to every stamp
}

const (
	heldBytes     = 64 << 10 // of a block
	maxInterfaces = 1024     // of a section
)

func newBlocks(r *bufio.Reader) *blocks { return &blocks{r: r, buf: make([]byte, 0, heldBytes)} }

// damaged is an error about the block at offset b.offset.
func (b *blocks) damaged(format string, args ...any) error {
	return fmt.Errorf("the block at byte %d is damaged: "+format, append([]any{b.offset}, args...)...)
}

// next returns the next packet.
func (b *blocks) next(k *packet) error {
	for {
		kind, total, err := b.read()
		if err != nil {
			return err
		}
		found := false
		switch {
		case kind == blockSection:
			err = b.section()
		case kind == blockInterface:
			err = b.describe()
		case kind == blockEnhanced || kind == blockPacket:
			found, err = true, b.packet(k, kind)
		case kind == blockSimple:
			found, err = true, b.simple(k)
		default:
			b.others++
		}
		if err != nil {
			return err
		}
		b.offset += total
		if found {
			return nil
		}
	}
}

// read reads a block: its kind, its whole length and the beginning of its body.
func (b *blocks) read() (kind uint32, total int64, err error) {
	head, err := b.r.Peek(12)
	if len(head) == 0 && err == io.EOF {
		return 0, 0, io.EOF
	}
	if err != nil {
		return 0, 0, torn(err)
	}
	if binary.LittleEndian.Uint32(head) == blockSection { // the same in both orders
		switch magic := head[8:12]; {
		case binary.LittleEndian.Uint32(magic) == 0x1A2B3C4D:
			b.order = binary.LittleEndian
		case binary.BigEndian.Uint32(magic) == 0x1A2B3C4D:
			b.order = binary.BigEndian
		default:
			return 0, 0, b.damaged("no byte order in the header of a section")
		}
	}
	if b.order == nil {
		return 0, 0, errors.New("it does not begin with the header of a section")
	}
	kind, length := b.order.Uint32(head), b.order.Uint32(head[4:])
	if kind == 0 && length == 0 { // what a logger leaves that loses its power
		return 0, 0, io.ErrUnexpectedEOF
	}
	if length < 12 || length%4 != 0 {
		return 0, 0, b.damaged("a length of %d", length)
	}
	if _, err := b.r.Discard(8); err != nil {
		return 0, 0, torn(err)
	}
	body := int(length) - 12
	b.buf = b.buf[:min(body, heldBytes)]
	b.rest = body - len(b.buf)
	if _, err := io.ReadFull(b.r, b.buf); err != nil {
		return 0, 0, torn(err)
	}
	if _, err := b.r.Discard(b.rest); err != nil {
		return 0, 0, torn(err)
	}
	tail, err := b.r.Peek(4)
	if err != nil {
		return 0, 0, torn(err)
	}
	again := b.order.Uint32(tail)
	if _, err := b.r.Discard(4); err != nil {
		return 0, 0, torn(err)
	}
	if again != length {
		return 0, 0, b.damaged("it is %d bytes long at its beginning and %d at its end", length, again)
	}
	return kind, int64(length), nil
}

// torn turns an end in the middle of a block into io.ErrUnexpectedEOF.
func torn(err error) error {
	if err == io.EOF {
		return io.ErrUnexpectedEOF
	}
	return err
}

// section begins a section: its interfaces are counted anew.
func (b *blocks) section() error {
	if len(b.buf) < 16 {
		return b.damaged("the header of a section has %d bytes", len(b.buf))
	}
	if major := b.order.Uint16(b.buf[4:]); major != 1 {
		return fmt.Errorf("the section at byte %d has the format version %d, expected 1", b.offset, major)
	}
	b.interfaces = b.interfaces[:0]
	return nil
}

// describe takes in an interface.
func (b *blocks) describe() error {
	if len(b.buf) < 8 || b.rest > 0 {
		return b.damaged("the description of an interface has %d bytes", len(b.buf)+b.rest)
	}
	if len(b.interfaces) == maxInterfaces {
		return fmt.Errorf("more than %d interfaces in a section", maxInterfaces)
	}
	n := netInterface{link: uint32(b.order.Uint16(b.buf)), most: int(b.order.Uint32(b.buf[4:])), resolution: 6}
	whole := b.options(b.buf[8:], func(code uint16, value []byte) {
		switch {
		case code == 2: // if_name
			n.name = append([]byte(nil), value[:min(len(value), channelName)]...)
		case code == 9 && len(value) == 1: // if_tsresol
			n.resolution = value[0]
		case code == 14 && len(value) == 8: // if_tsoffset
			n.offset = int64(b.order.Uint64(value))
		}
	})
	if !whole {
		return b.damaged("the options of an interface reach beyond it")
	}
	if len(n.name) == 0 {
		n.name = fmt.Appendf(nil, "interface %d", len(b.interfaces))
	}
	b.interfaces = append(b.interfaces, n)
	return nil
}

// options calls visit with each option; false means that one reaches beyond the
// block.
func (b *blocks) options(list []byte, visit func(code uint16, value []byte)) bool {
	for len(list) >= 4 {
		code, n := b.order.Uint16(list), int(b.order.Uint16(list[2:]))
		if code == 0 {
			return true
		}
		padded := (n + 3) &^ 3
		if 4+padded > len(list) {
			return false
		}
		visit(code, list[4:4+n])
		list = list[4+padded:]
	}
	return len(list) == 0
}

// packet reads a packet with a time stamp. Both kinds have it at the same place.
func (b *blocks) packet(k *packet, kind uint32) error {
	const fixed = 20
	if len(b.buf) < fixed {
		return b.damaged("a packet has %d bytes", len(b.buf))
	}
	index, mark := b.order.Uint32(b.buf), uint8(0)
	if kind == blockPacket {
		index = uint32(b.order.Uint16(b.buf))
	}
	held := int(b.order.Uint32(b.buf[12:]))
	end := fixed + (held+3)&^3
	if end > len(b.buf)+b.rest {
		return b.damaged("a packet of %d bytes reaches beyond it", held)
	}
	*k = packet{data: b.buf[fixed:min(fixed+held, len(b.buf))]}
	if int64(index) >= int64(len(b.interfaces)) {
		k.link, k.reason = linkFrames, reasonInterface
		return nil
	}
	n := &b.interfaces[index]
	k.link, k.channel = n.link, n.name
	if kind == blockEnhanced && end < len(b.buf) {
		b.options(b.buf[end:], func(code uint16, value []byte) {
			if code == 2 && len(value) == 4 { // epb_flags: direction in the lowest two bits
				mark = [4]uint8{0, received, sent, 0}[b.order.Uint32(value)&3]
			}
		})
	}
	k.mark = mark
	ok := false
	k.stamp, k.cut, ok = n.stamp(uint64(b.order.Uint32(b.buf[4:]))<<32 | uint64(b.order.Uint32(b.buf[8:])))
	if !ok {
		k.reason = reasonRange
	}
	return nil
}

// simple reads a packet without interface and time: it belongs to the first
// interface and cannot be placed.
func (b *blocks) simple(k *packet) error {
	if len(b.buf) < 4 {
		return b.damaged("a packet has %d bytes", len(b.buf))
	}
	held := int(b.order.Uint32(b.buf))
	*k = packet{link: linkFrames, data: b.buf[4:], reason: reasonSimple}
	if len(b.interfaces) == 0 {
		k.reason = reasonInterface
		return nil
	}
	n := &b.interfaces[0]
	if n.most > 0 {
		held = min(held, n.most)
	}
	if held > len(b.buf)+b.rest-4 {
		return b.damaged("a packet of %d bytes reaches beyond it", held)
	}
	k.link, k.channel, k.data = n.link, n.name, b.buf[4:min(4+held, len(b.buf))]
	return nil
}

// stamp turns a counter into nanoseconds, exactly; cut tells whether digits below
// the nanosecond went.
func (n *netInterface) stamp(counter uint64) (ns int64, cut, ok bool) {
	var whole uint64
	exponent := uint(n.resolution & 0x7F)
	switch {
	case n.resolution&0x80 != 0:
		high, low := bits.Mul64(counter, 1e9)
		if exponent >= 64 {
			whole, cut = high>>(exponent-64), low != 0 || high&(1<<(exponent-64)-1) != 0
			break
		}
		if high>>exponent != 0 {
			return 0, false, false
		}
		whole, cut = high<<(64-exponent)|low>>exponent, low&(1<<exponent-1) != 0
	case exponent <= 9:
		high, low := bits.Mul64(counter, power10[9-exponent])
		if high != 0 {
			return 0, false, false
		}
		whole = low
	case exponent-9 < uint(len(power10)):
		whole, cut = counter/power10[exponent-9], counter%power10[exponent-9] != 0
	default:
		return 0, false, false
	}
	const most = maxStamp / 1e9
	if whole > maxStamp || n.offset > most || n.offset < -most {
		return 0, false, false
	}
	ns = int64(whole) + n.offset*1e9
	return ns, cut, ns <= maxStamp
}
