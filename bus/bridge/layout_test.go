package bridge

import (
	"encoding/hex"
	"errors"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus"
	"stalegauge/bus/signal"
)

func layoutList() []Forward {
	return []Forward{
		{ID: 0x123, Length: 2}, {ID: bus.Extended | 0x18FEF100, Length: 3, Selector: &signal.Selector{Start: 0, Bits: 4}}, {ID: bus.Extended | 0x123, Length: 0},
	}
}

func sample() *Broadcast {
	b := &Broadcast{Sequence: 0xABCD, SendTime: 5000*time.Second + 7*us, Records: []Record{
		{Slot: 0, Page: NoPage, ValidAt: 5000*time.Second + 7*us - 12_399*us, Length: 2},
		{Slot: 1, Page: 5, ValidAt: 4990 * time.Second, Length: 3},
		{Slot: 2, Page: NoPage, ValidAt: 5000 * time.Second, Length: 0},
	}}
	copy(b.Records[0].Data[:], []byte{0x11, 0x22})
	copy(b.Records[1].Data[:], []byte{0x35, 0x44, 0x55})
	return b
}

// Byte by byte as the layout says; 5000.000007 s is 5,000,000,007 us, less 2^32
// 705,032,711 = 2A05F207.
func TestBytesOfABroadcast(t *testing.T) {
	for _, x := range []struct {
		layout Layout
		want   string
	}{
		{Layout{Kind: LayoutID, Version: 1, Set: 0x0203}, "01 00 0203 abcd 03" + "0123 02 1122" + "98fef100 03 354455" + "80000123 00"},
		{Layout{Kind: LayoutSlot, Version: 9, Set: 0x0203}, "09 00 0203 abcd 03" + "00 1122" + "01 354455" + "02"},
		{Layout{Kind: LayoutID, Version: 1, SendTime: true}, "01 01 0000 abcd 03 2a05f207" + "0123 02 1122" + "98fef100 03 354455" + "80000123 00"},
		{Layout{Kind: LayoutSlot, Version: 1, RecordAges: true}, "01 02 0000 abcd 03" + "00 1122 007b" + "01 354455 ffff" + "02 0000"},
		{Layout{Kind: LayoutSlot, Version: 1, SendTime: true, RecordAges: true}, "01 03 0000 abcd 03 2a05f207" + "00 1122 007b" + "01 354455 ffff" + "02 0000"},
	} {
		c := NewCodec(x.layout, layoutList())
		have := c.Encode([]byte{0xEE}, sample())
		require.Equal(t, byte(0xEE), have[0], "Encode appends")
		require.Equal(t, plainHex(x.want), hex.EncodeToString(have[1:]))
		size := c.HeaderSize()
		for _, r := range sample().Records {
			size += c.Overhead(r.Slot) + int(r.Length)
		}
		require.Equal(t, size, len(have)-1)

		var d Datagram
		require.NoError(t, c.Decode(have[1:], &d))
		require.Equal(t, x.layout.Set, d.Set)
		require.Equal(t, uint16(0xABCD), d.Sequence)
		require.Equal(t, []int{NoPage, 5, NoPage}, []int{d.Records[0].Page, d.Records[1].Page, d.Records[2].Page})
		require.Equal(t, bus.Extended|0x123, d.Records[2].ID)
		if x.layout.RecordAges {
			require.Equal(t, []uint16{123, 65535, 0}, []uint16{d.Records[0].Age, d.Records[1].Age, d.Records[2].Age})
		}
	}
}

func plainHex(s string) string {
	var out []byte
	for i := range len(s) {
		if s[i] != ' ' {
			out = append(out, s[i])
		}
	}
	return string(out)
}

func TestHostileDatagrams(t *testing.T) {
	for _, x := range []struct {
		kind LayoutKind
		hex  string
		want string
	}{
		{LayoutID, "", "datagram of 0 bytes is shorter than its header of 7"},
		{LayoutID, "010000000000", "datagram of 6 bytes is shorter than its header of 7"},
		{LayoutID, "02000000000000", "byte 0: layout version 2, expected 1: another layout version"},
		{LayoutID, "01040000000000", "byte 1: flags 0x04, only 0x01 and 0x02 are known"},
		{LayoutID, "01010000000000 aabb", "byte 7: the send time of 4 bytes is cut off"},
		{LayoutID, "01000000000000 00", "byte 7: 1 bytes follow the last of 0 records"},
		{LayoutID, "01000000000001", "byte 7: record 1 of 1: the datagram ends before it"},
		{LayoutID, "01000000000002 012300 01", "byte 10: record 2 of 2: the datagram ends before it"},
		{LayoutID, "01000000000001 98fef100", "byte 7: record 1 of 1: the datagram ends before it"},
		{LayoutID, "01000000000001 080000", "byte 7: record 1 of 1: identifier field 0800 has bits beyond the identifier"},
		{LayoutID, "01000000000001 e000000000", "byte 7: record 1 of 1: identifier field E0000000 has bits beyond the identifier"},
		{LayoutID, "01000000000001 012341 00", "byte 7: record 1 of 1: length 65, a frame has at most 64 bytes"},
		{LayoutID, "01000000000001 012302 11", "byte 7: record 1 of 1: 2 bytes of data and 0 of age expected, 1 bytes are left"},
		{LayoutID, "01020000000001 012302 1122 00", "byte 7: record 1 of 1: 2 bytes of data and 2 of age expected, 3 bytes are left"},
		{LayoutSlot, "01000000000001 03", "byte 7: record 1 of 1: slot 3, the forward list has 3 entries"},
		{LayoutSlot, "01000000000001 0011", "byte 7: record 1 of 1: 2 bytes of data and 0 of age expected, 1 bytes are left"},
	} {
		bytes, err := hex.DecodeString(plainHex(x.hex))
		require.NoError(t, err)
		c := NewCodec(Layout{Kind: x.kind, Version: 1}, layoutList())
		var d Datagram
		err = c.Decode(bytes, &d)
		require.EqualError(t, err, x.want)
		require.Equal(t, len(bytes) > 6 && bytes[0] != 1, errors.Is(err, ErrVersion))
	}
}

func TestAnIdentifierOffTheListDecodes(t *testing.T) {
	var d Datagram
	require.NoError(t, NewCodec(Layout{Version: 1}, layoutList()).Decode([]byte{1, 0, 0, 0, 0, 0, 1, 0x01, 0x24, 1, 0xFF}, &d))
	require.Equal(t, DatagramRecord{ID: 0x124, Slot: -1, Page: NoPage, Data: []byte{0xFF}}, d.Records[0])
}

// rebuild writes a decoded datagram anew, from what the decoder says alone.
func rebuild(c *Codec, d *Datagram) []byte {
	layout := c.layout
	layout.SendTime, layout.RecordAges, layout.Set, layout.Version = d.HasSendTime, d.HasAges, d.Set, d.Version
	list := c.entries
	b := &Broadcast{Sequence: d.Sequence, Counter: d.Counter, SendTime: time.Duration(d.SendTime) * us}
	for _, r := range d.Records {
		slot := r.Slot
		if slot < 0 { // an entry of its own
			slot = len(list)
			list = append(list[:slot:slot], Forward{ID: r.ID})
		}
		rec := Record{Slot: slot, Page: r.Page, ValidAt: b.SendTime - time.Duration(r.Age)*ageUnit, Length: uint8(len(r.Data))}
		copy(rec.Data[:], r.Data)
		b.Records = append(b.Records, rec)
	}
	return NewCodec(layout, list).Signed(func(_, tag []byte) { copy(tag, d.Tag) }).Encode(nil, b)
}

// Whatever bytes come in: no panic, nothing read beyond the end, and what is
// accepted is exactly what an encoder writes.
func FuzzDecode(f *testing.F) {
	for _, kind := range []LayoutKind{LayoutID, LayoutSlot} {
		for flags := range 4 {
			layout := Layout{Kind: kind, Version: 1, SendTime: flags&1 != 0, RecordAges: flags&2 != 0}
			bytes := NewCodec(layout, layoutList()).Encode(nil, sample())
			f.Add(bytes, kind == LayoutSlot)
			f.Add(bytes[:len(bytes)-1], kind == LayoutSlot)
			f.Add(append(bytes, 0), kind == LayoutSlot)
		}
	}
	random := rand.New(rand.NewPCG(1, 1))
	for range 200 {
		bytes := make([]byte, random.IntN(40))
		for i := range bytes {
			bytes[i] = byte(random.IntN(4))
		}
		f.Add(bytes, random.IntN(2) == 0)
	}
	f.Fuzz(func(t *testing.T, bytes []byte, slots bool) {
		layout := Layout{Version: 1}
		if slots {
			layout.Kind = LayoutSlot
		}
		c := NewCodec(layout, layoutList())
		d := Datagram{Records: []DatagramRecord{{Slot: 77}}}
		if err := c.Decode(bytes[:len(bytes):len(bytes)], &d); err != nil {
			require.NotEmpty(t, err.Error())
			return
		}
		require.Equal(t, bytes, rebuild(c, &d))
	})
}

// needed is the data of a record as far as the layout has it, bit by bit.
func needed(c *Codec, r *Record) []byte {
	e := &c.entries[r.Slot]
	if c.layout.Kind != LayoutPacked || len(e.Fields) == 0 {
		return r.Data[:r.Length]
	}
	out := make([]byte, r.Length)
	fields := slices.Clone(e.Fields)
	if s := e.Selector; s != nil {
		fields = append(fields, Field{s.Start, s.Bits, s.BigEndian, signal.AnyPage})
	}
	for _, f := range fields {
		if f.Page == signal.AnyPage || f.Page == r.Page {
			raw, _ := bus.ReadField(r.Data[:r.Length], f.Start, f.Bits, f.BigEndian)
			bus.WriteField(out, f.Start, f.Bits, f.BigEndian, raw)
		}
	}
	return out
}

// What a bridge writes is read back as it was.
func FuzzEncodeDecode(f *testing.F) {
	for seed := range uint64(30) {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, seed uint64) {
		config, frames := randomCase(seed)
		r := newRig(t, config).run(200*ms, frames...)
		codec := r.bridge.Codec()
		var d Datagram
		for i, h := range r.out {
			require.NoError(t, codec.Decode(r.written[i], &d))
			require.Equal(t, h.sequence, d.Sequence)
			require.Len(t, d.Records, len(h.records))
			for j, rec := range h.records {
				require.Equal(t, rec.Slot, d.Records[j].Slot)
				require.Equal(t, rec.Page, d.Records[j].Page)
				require.Equal(t, needed(codec, &rec), d.Records[j].Data)
			}
		}
	})
}
