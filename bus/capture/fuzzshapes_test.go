package capture

import (
	"bytes"
	"compress/gzip"
	"encoding/binary"
	"testing"
)

func FuzzPackets(f *testing.F) {
	for _, order := range orders {
		n := newNG(order).face(227, option{2, []byte("can0")}, option{9, []byte{0x80 | 20}}).face(1)
		for i, r := range records {
			n.packet(0, uint64(i)<<10, r.record, option{2, order.AppendUint32(nil, 1)})
		}
		n.simple(classic).packet(1, 0, "00").section().face(227, option{14, make([]byte, 8)}).packet(0, 1<<40, classic)
		f.Add(n.out, false)
		f.Add(n.out[:len(n.out)-5], true)
	}
	f.Add(unhex("d4c3b2a1020004000000000000000000 00000400e3000000 e04fb85a5b9003001000000010000000 0000025408000000918ffe0603a60fff"), false)
	f.Add(unhex("a1b23c4d000200040000000000000000 00040000000000e3 5ab84fe00003905b0000001000000010 0000025408000000918ffe0603a60fff"), true)
	f.Fuzz(func(t *testing.T, data []byte, little bool) {
		laws(t, data, Options{LittleEndianIDs: little})
	})
}

func FuzzCompressed(f *testing.F) {
	for _, plain := range []string{line(0, "254#918FFE0603A60FFF") + line(ms, "123#01"), string(newNG(binary.LittleEndian).face(227).packet(0, 1, classic).out)} {
		var b bytes.Buffer
		z := gzip.NewWriter(&b)
		_, _ = z.Write([]byte(plain))
		_ = z.Close()
		f.Add(b.Bytes())
		f.Add(b.Bytes()[:b.Len()-9])
	}
	f.Fuzz(func(t *testing.T, data []byte) { laws(t, data, Options{MaxLine: 200}) })
}

func FuzzTemplate(f *testing.F) {
	f.Add(`(?P<t>[0-9.]+) (?P<ch>\w+) (?P<dir>[RT]x) (?P<id>[0-9A-F]+)(?P<ext>x?) (?P<dlc>\d+) (?P<data>[0-9A-F ]*)`, []byte("0.5 can0 Rx 123 2 01 02\nwhat\n0.6 can1 Tx 123x 1 AA\n"))
	f.Add(`(?P<t>.*):(?P<id>.*):(?P<data>.*)`, []byte("12:00:01:7FF:01\n12:00:02:0x123:02"))
	f.Add(`(?P<data>)(?P<id>\d)(?P<t>\d)`, []byte("11\n12\n"))
	f.Fuzz(func(t *testing.T, pattern string, data []byte) {
		template, err := ParseTemplate(pattern)
		if err != nil {
			return
		}
		laws(t, data, Options{Template: template, MaxLine: 200})
	})
}

func FuzzColumns(f *testing.F) {
	f.Add("time", "id", "data", "", []byte("time;id;data\n0.1;123;AA\n"))
	f.Add("1", "3", "4-6", "2", []byte("0.1,2,123,11,22,33\n0.2,1,123,44,,\n"))
	f.Add("a-b", "-", "d0-d7", "999", []byte("a-b,-,d0,d1\n1,2,3,4\n"))
	f.Fuzz(func(t *testing.T, at, id, payload, length string, data []byte) {
		if at+id+payload+length == "" {
			return
		}
		laws(t, data, Options{Columns: Columns{Time: at, ID: id, Data: payload, Length: length}, MaxLine: 200})
	})
}
