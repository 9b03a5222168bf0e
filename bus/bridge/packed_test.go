package bridge

import (
	"encoding/binary"
	"encoding/hex"
	"errors"
	"hash/crc32"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"stalegauge/bus"
	"stalegauge/bus/signal"
)

// packedList has a plain entry, one with pages 3 and 5, and one without fields.
func packedList() []Forward {
	return []Forward{
		{ID: 0x123, Length: 4, Fields: []Field{{Start: 4, Bits: 12, Page: signal.AnyPage}, {Start: 19, Bits: 3, BigEndian: true, Page: signal.AnyPage}, {Start: 31, Bits: 1, Page: signal.AnyPage}}},
		{ID: bus.Extended | 0x18FEF100, Length: 3, Selector: &signal.Selector{Bits: 4}, Fields: []Field{
			{Start: 8, Bits: 2, Page: signal.AnyPage}, {Start: 16, Bits: 8, Page: 3}, {Start: 16, Bits: 3, Page: 5},
		}},
		{ID: bus.Extended | 0x123, Length: 2},
	}
}

func packedSample() *Broadcast {
	b := &Broadcast{Sequence: 0xABCD, Counter: 0x01020304, SendTime: 20 * ms, Records: []Record{
		{Slot: 0, Page: NoPage, Length: 4}, {Slot: 1, Page: 3, Length: 3}, {Slot: 1, Page: 5, Length: 3}, {Slot: 1, Page: 9, Length: 3}, {Slot: 2, Page: NoPage, ValidAt: 5 * ms, Length: 2},
	}}
	copy(b.Records[0].Data[:], []byte{0xA7, 0xBC, 0x0D, 0x80})
	copy(b.Records[1].Data[:], []byte{0xF3, 0xFE, 0x5A})
	copy(b.Records[2].Data[:], []byte{0xF5, 0xFD, 0xFB})
	copy(b.Records[3].Data[:], []byte{0x09, 0x01, 0xFF})
	copy(b.Records[4].Data[:], []byte{0x77, 0x88})
	return b
}

// By hand. Slot 0: bits 4 to 15 of A7 BC little-endian are BCA; from bit 3 of 0D
// downwards, three bits: 110; bit 31: 1. BCA and 1101 make BC AD. Slot 1, page 3:
// selector 0011, bits 8 and 9 of FE: 10, 5A = 01011010, and two zeros: 0011 1001
// 0110 1000. Page 5: 0101 01, 011, zeros to the length of page 3. Page 9 has no
// fields of its own: 1001 01. Slot 2: all its data.
func TestBytesOfAPackedBroadcast(t *testing.T) {
	for _, x := range []struct {
		layout Layout
		want   string
	}{
		{Layout{Kind: LayoutPacked, Version: 1, Set: 2}, "01 00 0002 abcd 05" + "00 bcad" + "01 3968" + "01 5580" + "01 9400" + "02 7788"},
		{Layout{Kind: LayoutPacked, Version: 1, RecordAges: true}, "01 02 0000 abcd 05" + "00 bcad 00c8" + "01 3968 00c8" + "01 5580 00c8" + "01 9400 00c8" + "02 7788 0096"},
		{Layout{Kind: LayoutPacked, Version: 1, SendTime: true, Tag: 5}, "01 05 0000 abcd 05 00004e20 01020304" + "00 bcad" + "01 3968" + "01 5580" + "01 9400" + "02 7788" + "0000000000"},
	} {
		c := NewCodec(x.layout, packedList())
		have := c.Encode([]byte{0xEE}, packedSample())
		require.Equal(t, "ee"+plainHex(x.want), hex.EncodeToString(have))
		size := c.HeaderSize()
		for _, r := range packedSample().Records {
			size += c.RecordSize(r.Slot, int(r.Length))
		}
		require.Equal(t, size, len(have)-1)

		var d Datagram
		require.NoError(t, c.Decode(have[1:], &d))
		require.Equal(t, []int{NoPage, 3, 5, 9, NoPage}, []int{d.Records[0].Page, d.Records[1].Page, d.Records[2].Page, d.Records[3].Page, d.Records[4].Page})
		require.Equal(t, []byte{0xA0, 0xBC, 0x0C, 0x80}, d.Records[0].Data)
		require.Equal(t, []byte{0x03, 0x02, 0x5A}, d.Records[1].Data)
		require.Equal(t, []byte{0x05, 0x01, 0x03}, d.Records[2].Data)
		require.Equal(t, []byte{0x09, 0x01, 0x00}, d.Records[3].Data)
		require.Equal(t, []byte{0x77, 0x88}, d.Records[4].Data)
		require.Len(t, d.Tag, x.layout.Tag)
		require.Equal(t, x.layout.Tag > 0, d.Counter == 0x01020304)
	}
}

func TestHostilePackedDatagrams(t *testing.T) {
	overlapping := packedList()
	overlapping[0].Fields[1] = Field{Start: 4, Bits: 3, Page: signal.AnyPage}
	for _, x := range []struct {
		list []Forward
		tag  int
		hex  string
		want string
	}{
		{packedList(), 0, "01000000000001 03", "byte 7: record 1 of 1: slot 3, the forward list has 3 entries"},
		{packedList(), 0, "01000000000001 00bc", "byte 7: record 1 of 1: 2 bytes of data and 0 of age expected, 1 bytes are left"},
		{packedList(), 0, "01000000000001 013969", "byte 7: record 1 of 1: " + errPacked.Error()},
		{packedList(), 0, "01000000000001 015581", "byte 7: record 1 of 1: " + errPacked.Error()},
		{packedList(), 0, "01000000000001 019400", ""},
		{packedList(), 0, "01000000000001 019800", ""},
		{packedList(), 0, "01000000000001 019400 00", "byte 10: 1 bytes follow the last of 1 records"},
		{overlapping, 0, "01000000000001 00bca5", ""},
		{overlapping, 0, "01000000000001 00bcad", "byte 7: record 1 of 1: " + errPacked.Error()},
		{packedList(), 4, "01000000000000 00000000 00000000", "byte 1: flags 0x00, expected 0x04, with or without 0x01 and 0x02"},
		{packedList(), 4, "010c0000000000 00000000 00000000", "byte 1: flags 0x0c, expected 0x04, with or without 0x01 and 0x02"},
		{packedList(), 4, "01040000000000 00000000 000000", "byte 7: the counter of 4 bytes and the tag of 4 do not fit in 7"},
		{packedList(), 4, "01040000000001 00000000 00000000", "byte 11: record 1 of 1: the datagram ends before it"},
		{packedList(), 4, "01040000000000 00000000 0000000000", "byte 11: 1 bytes follow the last of 0 records"},
	} {
		bytes, err := hex.DecodeString(plainHex(x.hex))
		require.NoError(t, err)
		var d Datagram
		err = NewCodec(Layout{Kind: LayoutPacked, Version: 1, Tag: x.tag}, x.list).Decode(bytes, &d)
		if x.want == "" {
			require.NoError(t, err, x.hex)
			continue
		}
		require.EqualError(t, err, x.want, x.hex)
	}
}

// A tag covers everything before it, of every layout.
func TestTags(t *testing.T) {
	sign := func(message, tag []byte) { binary.BigEndian.PutUint32(tag, crc32.ChecksumIEEE(message)) }
	for kind := range layoutKinds {
		layout := Layout{Kind: kind, Version: 1, SendTime: true, Tag: 4}
		c := NewCodec(layout, packedList()).Signed(sign)
		bytes := c.Encode([]byte("before"), packedSample())[6:]
		require.Equal(t, crc32.ChecksumIEEE(bytes[:len(bytes)-4]), binary.BigEndian.Uint32(bytes[len(bytes)-4:]))
		var d Datagram
		require.NoError(t, c.Decode(bytes, &d))
		require.Equal(t, bytes[len(bytes)-4:], d.Tag)
		for i := 2; i < len(bytes); i++ { // the first two bytes are refused before
			bytes[i] ^= 4
			require.True(t, i == 6 || errors.Is(c.Decode(bytes, &d), ErrTag), "byte %d", i)
			require.Error(t, c.Decode(bytes, &d))
			bytes[i] ^= 4
		}
		require.NoError(t, NewCodec(layout, packedList()).Decode(bytes, &d), "without a key every tag will do")
	}
}

func TestAnyBitsRoundTripThroughFields(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 7))
	for range 2_000 {
		length := 1 + r.IntN(64)
		e := Forward{ID: 0x123, Length: length}
		for range 1 + r.IntN(8) {
			f := Field{Start: r.IntN(8 * length), Bits: 1 + r.IntN(64), BigEndian: r.IntN(2) == 0, Page: signal.AnyPage}
			if bus.FieldInside(length, f.Start, f.Bits, f.BigEndian) {
				e.Fields = append(e.Fields, f)
			}
		}
		c := NewCodec(Layout{Kind: LayoutPacked}, []Forward{e})
		rec := Record{Page: NoPage, Length: uint8(length)}
		for i := range rec.Data {
			rec.Data[i] = byte(r.Uint32())
		}
		bytes := c.Encode(nil, &Broadcast{Records: []Record{rec, rec}})
		require.Len(t, bytes, c.HeaderSize()+2*c.RecordSize(0, length))
		var d Datagram
		require.NoError(t, c.Decode(bytes, &d))
		require.Equal(t, needed(c, &rec), d.Records[0].Data)
		require.Equal(t, needed(c, &rec), d.Records[1].Data)
	}
}

// Whatever bytes come in: no panic, nothing read beyond the end, and what is
// accepted is exactly what an encoder writes.
func FuzzDecodePacked(f *testing.F) {
	for flags := range 8 {
		layout := Layout{Kind: LayoutPacked, Version: 1, SendTime: flags&1 != 0, RecordAges: flags&2 != 0, Tag: flags & 4}
		bytes := NewCodec(layout, packedList()).Encode(nil, packedSample())
		f.Add(bytes, uint8(layout.Tag))
		f.Add(bytes[:len(bytes)-1], uint8(layout.Tag))
		f.Add(append(bytes, 0), uint8(layout.Tag))
	}
	random := rand.New(rand.NewPCG(1, 2))
	for range 200 {
		bytes := append([]byte{1, byte(random.IntN(8)), 0, 0, 0, 0}, make([]byte, random.IntN(20))...)
		for i := range bytes[6:] {
			bytes[6+i] = byte(random.IntN(4))
		}
		f.Add(bytes, uint8(random.IntN(2)*4))
	}
	f.Fuzz(func(t *testing.T, bytes []byte, tag uint8) {
		for kind := range layoutKinds {
			layout := Layout{Kind: kind, Version: 1}
			if tag >= leastTag && tag <= mostTag {
				layout.Tag = int(tag)
			}
			c := NewCodec(layout, packedList())
			d := Datagram{Records: []DatagramRecord{{Slot: 77}}, room: []byte{1, 2, 3}}
			if err := c.Decode(bytes[:len(bytes):len(bytes)], &d); err != nil {
				require.NotEmpty(t, err.Error())
				continue
			}
			require.Equal(t, bytes, rebuild(c, &d))
		}
	})
}

func TestDecodingPackedAllocatesNothing(t *testing.T) {
	c := NewCodec(Layout{Kind: LayoutPacked, Version: 1, Tag: 4}, packedList())
	bytes := c.Encode(nil, packedSample())
	var d Datagram
	work := func() {
		if err := c.Decode(bytes, &d); err != nil {
			t.Fatal(err)
		}
		bytes = c.Encode(bytes[:0], packedSampled)
	}
	work()
	require.Zero(t, testing.AllocsPerRun(10, work))
}

var packedSampled = packedSample()

func BenchmarkEncodePacked(b *testing.B) {
	c := NewCodec(Layout{Kind: LayoutPacked, Version: 1}, packedList())
	bytes := make([]byte, 0, 250)
	b.ReportAllocs()
	for b.Loop() {
		bytes = c.Encode(bytes[:0], packedSampled)
	}
}

func BenchmarkDecodePacked(b *testing.B) {
	c := NewCodec(Layout{Kind: LayoutPacked, Version: 1}, packedList())
	bytes := c.Encode(nil, packedSampled)
	var d Datagram
	b.ReportAllocs()
	for b.Loop() {
		if err := c.Decode(bytes, &d); err != nil {
			b.Fatal(err)
		}
	}
}
