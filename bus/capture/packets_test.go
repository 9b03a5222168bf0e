package capture

import (
	"bytes"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/gopacket/gopacket/pcapgo"
	"github.com/stretchr/testify/require"
)

// ng builds a pcapng file by the tables of the published draft
// (draft-ietf-opsawg-pcapng, sections 3 and 4), in either byte order.
type ng struct {
	order binary.AppendByteOrder
	out   []byte
}

func newNG(order binary.AppendByteOrder) *ng {
	n := &ng{order: order}
	return n.section()
}

// block appends a block with both of its lengths.
func (n *ng) block(kind uint32, body []byte) *ng {
	for len(body)%4 != 0 {
		body = append(body, 0)
	}
	n.out = n.order.AppendUint32(n.out, kind)
	n.out = n.order.AppendUint32(n.out, uint32(len(body)+12))
	n.out = append(n.out, body...)
	n.out = n.order.AppendUint32(n.out, uint32(len(body)+12))
	return n
}

func (n *ng) section() *ng {
	body := n.order.AppendUint32(nil, 0x1A2B3C4D)
	body = n.order.AppendUint16(body, 1)
	body = n.order.AppendUint16(body, 0)
	return n.block(0x0A0D0D0A, n.order.AppendUint64(body, ^uint64(0)))
}

// option is one option of a block.
type option struct {
	code  uint16
	value []byte
}

func (n *ng) options(body []byte, options []option) []byte {
	for _, o := range options {
		body = n.order.AppendUint16(body, o.code)
		body = append(n.order.AppendUint16(body, uint16(len(o.value))), o.value...)
		for len(body)%4 != 0 {
			body = append(body, 0)
		}
	}
	if len(options) > 0 {
		body = append(body, 0, 0, 0, 0)
	}
	return body
}

func (n *ng) face(link uint16, options ...option) *ng {
	body := n.order.AppendUint16(nil, link)
	body = n.order.AppendUint16(body, 0)
	return n.block(1, n.options(n.order.AppendUint32(body, 0), options))
}

func (n *ng) packet(face uint32, counter uint64, record string, options ...option) *ng {
	data := unhex(record)
	body := n.order.AppendUint32(nil, face)
	body = n.order.AppendUint32(body, uint32(counter>>32))
	body = n.order.AppendUint32(body, uint32(counter))
	body = n.order.AppendUint32(body, uint32(len(data)))
	body = append(n.order.AppendUint32(body, uint32(len(data))), data...)
	for len(body)%4 != 0 {
		body = append(body, 0)
	}
	return n.block(6, n.options(body, options))
}

func (n *ng) simple(record string) *ng {
	data := unhex(record)
	return n.block(3, append(n.order.AppendUint32(nil, uint32(len(data))), data...))
}

func unhex(text string) []byte {
	b, err := hex.DecodeString(strings.ReplaceAll(text, " ", ""))
	if err != nil {
		panic(err)
	}
	return b
}

// classic is the record of a frame 254#918FFE0603A60FFF.
const classic = "00000254 08000000 918FFE0603A60FFF"

var orders = map[string]binary.AppendByteOrder{"little": binary.LittleEndian, "big": binary.BigEndian}

// The records of link type 227 (registry of link types): identifiers are
// big-endian in files of either order.
var records = []struct{ record, says string }{
	{"00000123 04000000 1122334400000000", "123 [4] 11223344"},
	{"98FEF100 08000000 FFFFFFFFFFFFFFFF", "18FEF100 [8] FFFFFFFFFFFFFFFF"},
	{"400007DF 00000000 0000000000000000", "7DF remote 0"},
	{"00000123 0C050000 000102030405060708090A0B", "123 [12] 000102030405060708090A0B fd fast"},
	{"20000004 08000000 0001000000000000", "error 4 [8] 0001000000000000"},
	{"00000123 02000000 1122", "123 [2] 1122"},
	{"00000123 08000000 1122334455667788" + strings.Repeat("00", 56), "123 [8] 1122334455667788 fd"}, // 72 bytes in all
	{"00000123 00040000", "123 [0]  fd"},
	{"00000123 08060000 1122334455667788", "123 [8] 1122334455667788 fd passive"},
}

func TestPacketRecords(t *testing.T) {
	for name, order := range orders {
		n := newNG(order).face(227)
		for i, r := range records {
			n.packet(0, uint64(i)*1000, r.record)
		}
		frames, report := read(t, string(n.out), Options{})
		require.Equal(t, PCAPNG, report.Shape)
		require.Len(t, frames, len(records), name)
		for i, r := range records {
			require.Equal(t, fmt.Sprintf("%d %s", i*int(time.Millisecond), r.says), frames[i], name)
		}
	}
}

// Records that are no frames are counted with the reason.
func TestPacketMistakes(t *testing.T) {
	for _, c := range []struct{ record, reason string }{
		{"00000123 0400", reasonShortPacket},
		{"00000123 04000000 1122", reasonShortPacket},
		{"00000123 80000000 1122334455667788", reasonXL},
		{"00000923 01000000 11", reasonIDWord},
		{"40000923 00000000", reasonIDWord},
		{"40000123 09000000", reasonRemoteLength},
		{"40000123 00040000", reasonRemoteLength},
		{"00000123 09040000 112233445566778899", reasonFlexibleLength},
		{"20000004 07000000 00010000000000", reasonErrorPacket},
		{"20010000 08000000 0000000000000000", reasonErrorPacket},
		{"A0000004 08000000 0000000000000000", reasonErrorPacket},
	} {
		n := newNG(binary.LittleEndian).face(227).packet(0, 0, classic).packet(0, 1000, c.record).packet(0, 2000, classic)
		frames, report := read(t, string(n.out), Options{})
		require.Len(t, frames, 2, c.record)
		require.Equal(t, []BadLine{{Number: 2, Reason: c.reason, Packet: true}}, report.Bad, c.record)
		require.Contains(t, report.Notes(), "1 packet of 3 not understood")
	}
}

// The whole file is the worked example for link type 227: header of 24 bytes and
// one record, in both byte orders, with microseconds and nanoseconds.
func TestPCAP(t *testing.T) {
	const little = "d4c3b2a1020004000000000000000000 00000400e3000000 e04fb85a5b9003001000000010000000 0000025408000000918ffe0603a60fff"
	const big = "a1b2c3d4000200040000000000000000 00040000000000e3 5ab84fe00003905b0000001000000010 0000025408000000918ffe0603a60fff"
	const littleNS = "4d3cb2a1020004000000000000000000 00000400e3000000 e04fb85a5b9003001000000010000000 0000025408000000918ffe0603a60fff"
	const bigNS = "a1b23c4d000200040000000000000000 00040000000000e3 5ab84fe00003905b0000001000000010 0000025408000000918ffe0603a60fff"
	for text, stamp := range map[string]int64{
		little: 1522028512_233563_000, big: 1522028512_233563_000, littleNS: 1522028512_000233563, bigNS: 1522028512_000233563,
	} {
		whole := unhex(text)
		frames, report := read(t, string(whole), Options{})
		require.Equal(t, []string{"0 254 [8] 918FFE0603A60FFF"}, frames)
		require.Equal(t, stamp, report.FirstStamp)
		require.Equal(t, PCAP, report.Shape)
		require.True(t, report.Epoch)
		require.Empty(t, report.Notes())

		// Cut off anywhere in a second record, the first one is kept.
		for cut := 1; cut < 32; cut++ {
			frames, report := read(t, string(whole)+string(whole[24:24+cut]), Options{})
			require.Len(t, frames, 1)
			require.Equal(t, []string{"1 file cut off at the end: what came before is used"}, report.Notes(), "%d bytes", cut)
		}
	}
}

// Two interfaces are two channels; a section begins the count anew.
func TestInterfaces(t *testing.T) {
	n := newNG(binary.BigEndian).face(227, option{2, []byte("can0")}).face(227, option{2, []byte("can1")}).
		packet(0, 1000, classic).packet(1, 2000, classic).section().face(227, option{2, []byte("can2")}).packet(0, 3000, classic).
		face(227).packet(1, 4000, classic)
	_, report := read(t, string(n.out), Options{})
	require.Equal(t, []Channel{{"can0", 1}, {"can1", 1}, {"can2", 1}, {"interface 1", 1}}, report.Channels)
	frames, report := read(t, string(n.out), Options{Channel: "can1"})
	require.Len(t, frames, 1)
	require.EqualValues(t, 3, report.OtherChannel)
	r, err := NewReader("test", bytes.NewReader(n.out), Options{Channel: "can9"})
	require.NoError(t, err)
	require.Empty(t, all(r))
	require.EqualError(t, r.Err(), `test: no frame of channel "can9"; the file has "can0", "can1", "can2", "interface 1"`)
}

// Stamps in any resolution are exact to the nanosecond: 1.5 s less one tick.
func TestResolutions(t *testing.T) {
	for _, c := range []struct {
		resolution byte
		counter    uint64
		ns         int64
		cut        bool
	}{
		{0, 2, 2_000_000_000, false},
		{3, 1499, 1_499_000_000, false},
		{6, 1_499_999, 1_499_999_000, false},
		{9, 1_499_999_999, 1_499_999_999, false},
		{12, 1_499_999_999_999, 1_499_999_999, true},
		{0x80, 1, 1_000_000_000, false},
		{0x80 | 10, 1535, 1_499_023_437, true},              // 1535/1024 s
		{0x80 | 20, 1<<20 + 1<<19 - 1, 1_499_999_046, true}, // a whole number of ns a tick would be 0.7 ms off
		{0x80 | 20, 1<<20 + 1<<19, 1_500_000_000, false},    //
		{0x80 | 32, 1<<32 + 1<<31 - 1, 1_499_999_999, true}, //
		{0x80 | 32, 1<<33 - 1, 1_999_999_999, true},         // a whole number of ticks a ns would pass 2 s
		{0x80 | 63, 1<<63 + 1<<62, 1_500_000_000, false},    //
		{0x80 | 70, 1 << 63, 1e9 / 128, false},              //
	} {
		n := newNG(binary.LittleEndian).face(227, option{9, []byte{c.resolution}}).packet(0, 0, classic).packet(0, c.counter, classic)
		_, report := read(t, string(n.out), Options{})
		require.Equal(t, c.ns, report.LastStamp, "%#x", c.resolution)
		require.Equal(t, c.cut, report.CutDigits == 1, "%#x", c.resolution)
	}
	offset := binary.LittleEndian.AppendUint64(nil, 1522028512)
	n := newNG(binary.LittleEndian).face(227, option{14, offset}).packet(0, 233563, classic)
	_, report := read(t, string(n.out), Options{})
	require.EqualValues(t, 1522028512_233563_000, report.FirstStamp)
	for _, wrong := range []option{{9, []byte{64}}, {14, binary.LittleEndian.AppendUint64(nil, 1<<62)}} {
		n := newNG(binary.LittleEndian).face(227).face(227, wrong).packet(0, 0, classic).packet(1, 1, classic)
		_, report := read(t, string(n.out), Options{})
		require.Equal(t, reasonRange, report.Bad[0].Reason)
	}
}

// The reason for reading blocks here: the library scales a tick of 2^-20 s to a
// whole number of nanoseconds. Once it does not, its reader may do.
func TestLibraryScalesBinaryResolutions(t *testing.T) {
	n := newNG(binary.LittleEndian).face(227, option{9, []byte{0x80 | 20}}).packet(0, 1<<20-1, classic)
	library, err := pcapgo.NewNgReader(bytes.NewReader(n.out), pcapgo.DefaultNgReaderOptions)
	require.NoError(t, err)
	_, info, err := library.ReadPacketData()
	require.NoError(t, err)
	_, report := read(t, string(n.out), Options{})
	require.EqualValues(t, 999_999_046, report.FirstStamp)
	require.InDelta(t, 707_000, report.FirstStamp-info.Timestamp.UnixNano(), 1000)
}

// What is no frame with a time is left out and said.
func TestOtherPackets(t *testing.T) {
	cooked := "0001 0118 0000 0000000000000000 000C"
	cooked2 := "000C 0000 00000002 0118 01 00 0000000000000000"
	n := newNG(binary.LittleEndian).face(227, option{2, []byte("can0")}).face(1).face(113).face(276).
		packet(0, 1000, classic).packet(1, 2000, "FFFFFFFFFFFF00000000000008004500").
		packet(2, 3000, cooked+classic).packet(2, 4000, "0001 0118 0000 0000000000000000 0800"+classic).packet(3, 5000, cooked2+classic).
		simple(classic).packet(9, 6000, classic).block(5, make([]byte, 12)).block(0xBAD, []byte("private"))
	frames, report := read(t, string(n.out), Options{})
	require.Equal(t, []string{"0 254 [8] 918FFE0603A60FFF", "2000000 254 [8] 918FFE0603A60FFF", "4000000 254 [8] 918FFE0603A60FFF"}, frames)
	require.Equal(t, []string{
		"2 packets of other link types left out: link type 1 (Ethernet): 1, link type 113: 1",
		"2 blocks without packets skipped",
		"2 packets of 7 not understood",
		"  packet 6: " + reasonSimple,
		"  packet 7: " + reasonInterface,
		`channels read as if they were one bus: "can0" (1), "interface 2" (1), "interface 3" (1)`,
	}, report.Notes())
}

// The direction tells a request from the frame itself.
func TestDirectionOfPackets(t *testing.T) {
	for _, order := range orders {
		flags := func(v uint32) option { return option{2, order.AppendUint32(nil, v)} }
		n := newNG(order).face(227).packet(0, 1000, classic, flags(2)).packet(0, 1700, classic, flags(1))
		frames, report := read(t, string(n.out), Options{})
		require.Len(t, frames, 1)
		require.EqualValues(t, 1, report.Twins)
	}
}

// Cut off anywhere, all whole packets come out and nothing else.
func TestTruncatedBlocks(t *testing.T) {
	n := newNG(binary.LittleEndian).face(227).packet(0, 1000, classic).packet(0, 2000, classic)
	whole := len(n.out)
	n.packet(0, 3000, classic)
	for cut := whole; cut <= len(n.out); cut++ {
		frames, report := read(t, string(n.out[:cut]), Options{})
		want, truncated := 2, int64(1)
		if cut == len(n.out) {
			want = 3
		}
		if cut == whole || cut == len(n.out) {
			truncated = 0
		}
		require.Len(t, frames, want, "%d", cut)
		require.Equal(t, truncated, report.Truncated, "%d", cut)
	}
	_, report := read(t, string(n.out)+strings.Repeat("\x00", 64), Options{})
	require.EqualValues(t, 1, report.Truncated, "NUL bytes of a lost power")
}

// A damaged block ends the reading with its place, after the packets before it.
func TestDamagedBlocks(t *testing.T) {
	good := newNG(binary.LittleEndian).face(227).packet(0, 1000, classic).out
	at := len(good)
	for _, c := range []struct {
		name, says string
		damage     func(b []byte)
	}{
		{"length", "a length of 7", func(b []byte) { b[at+4] = 7 }},
		{"other length at the end", "48 bytes long at its beginning and 49 at its end", func(b []byte) { b[len(b)-4] = 49 }},
		{"packet longer than its block", "a packet of 255 bytes reaches beyond it", func(b []byte) { b[at+20] = 255 }},
	} {
		n := newNG(binary.LittleEndian).face(227).packet(0, 1000, classic).packet(0, 2000, classic)
		c.damage(n.out)
		r, err := NewReader("test", bytes.NewReader(n.out), Options{})
		require.NoError(t, err)
		require.Len(t, all(r), 1, c.name)
		require.ErrorContains(t, r.Err(), fmt.Sprintf("test: after packet 1: the block at byte %d is damaged: ", at), c.name)
		require.ErrorContains(t, r.Err(), c.says, c.name)
	}
}

// Files of packets that hold no frames say what they hold.
func TestNoFramesInPackets(t *testing.T) {
	ethernet := unhex("d4c3b2a1020004000000000000000000 0000040001000000 e04fb85a5b9003001000000010000000 00000254080000000000000000000000")
	version := newNG(binary.LittleEndian).face(227).packet(0, 0, classic).out
	version[12] = 9
	for _, c := range []struct {
		says string
		data []byte
	}{
		{"its packets are of link type 1 (Ethernet), not of link type 227", ethernet},
		{"its packets are of link type 127 (wireless LAN), not", newNG(binary.BigEndian).face(127).packet(0, 0, "00").out},
		{"no capture", newNG(binary.BigEndian).face(227).out},
		{"packet 1: " + reasonSimple, newNG(binary.BigEndian).face(227).simple(classic).out},
		{"the format version 9, expected 1", version},
	} {
		r, err := NewReader("test", bytes.NewReader(c.data), Options{})
		if err == nil {
			require.Empty(t, all(r))
			err = r.Err()
		}
		require.ErrorContains(t, err, c.says)
	}
}

// Identifiers in the order of a little-endian host are suspected, and read only
// when asked for.
func TestLittleEndianIdentifiers(t *testing.T) {
	n := newNG(binary.LittleEndian).face(227)
	for i, id := range []string{"23010000", "54020000", "A0010000", "00F1FE98", "20010000", "80000000"} {
		n.packet(0, uint64(i)*1000, id+"01000000 11")
	}
	_, err := NewReader("test", bytes.NewReader(n.out), Options{})
	require.ErrorContains(t, err, "its identifiers seem to be in little-endian order")
	require.ErrorContains(t, err, "id_order: little")
	frames, _ := read(t, string(n.out), Options{LittleEndianIDs: true})
	require.Equal(t, []string{"0 123 [1] 11", "1000000 254 [1] 11", "2000000 1A0 [1] 11", "3000000 18FEF100 [1] 11", "4000000 120 [1] 11", "5000000 080 [1] 11"}, frames)
	right := newNG(binary.LittleEndian).face(227).packet(0, 0, classic)
	_, err = NewReader("test", bytes.NewReader(right.out), Options{LittleEndianIDs: true})
	require.ErrorContains(t, err, "make no sense in little-endian order")
}
