package capture

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"io"
	"testing"
	"time"

	"github.com/gopacket/gopacket/layers"
	"github.com/gopacket/gopacket/pcapgo"
	"github.com/stretchr/testify/require"

	"stalegauge/bus"
)

// What is written is read back by the library, by a reader made from the draft
// here, and by the package itself.
func TestWriter(t *testing.T) {
	var b bytes.Buffer
	w, err := NewWriter(&b, "can0", 1522028512_000000000)
	require.NoError(t, err)
	n := newNG(binary.LittleEndian).face(227)
	for i, r := range records {
		n.packet(0, uint64(i)*1000, r.record)
	}
	source, err := NewReader("test", bytes.NewReader(n.out), Options{})
	require.NoError(t, err)
	var f bus.Frame
	for source.Next(&f) {
		require.NoError(t, w.Write(&f))
	}
	require.NoError(t, w.Close())
	all, remotes := w.Frames()
	require.EqualValues(t, len(records), all)
	require.Zero(t, remotes)

	frames, report := read(t, b.String(), Options{})
	for i, r := range records {
		require.Equal(t, fmt.Sprintf("%d %s", i*int(time.Millisecond), r.says), frames[i])
	}
	require.EqualValues(t, 1522028512_000000000, report.FirstStamp)

	library, err := pcapgo.NewNgReader(bytes.NewReader(b.Bytes()), pcapgo.DefaultNgReaderOptions)
	require.NoError(t, err)
	require.Equal(t, layers.LinkType(227), library.LinkType())
	face, err := library.Interface(0)
	require.NoError(t, err)
	require.Equal(t, "can0", face.Name)
	drafted := fromDraft(t, b.Bytes())
	for i, r := range records {
		data, info, err := library.ReadPacketData()
		require.NoError(t, err)
		require.Equal(t, int64(1522028512_000000000+i*1_000_000), info.Timestamp.UnixNano())
		require.Equal(t, data, drafted[i].data)
		require.Equal(t, uint64(info.Timestamp.UnixNano()), drafted[i].counter)
		if i < 5 { // those in the form in which they are written
			require.Equal(t, unhex(r.record), data)
		}
	}
	_, _, err = library.ReadPacketData()
	require.Equal(t, io.EOF, err)

}

// A simulated error frame has no class; a remote frame's length is counted.
func TestWriterOfOddFrames(t *testing.T) {
	var b bytes.Buffer
	w, err := NewWriter(&b, "can0", 0)
	require.NoError(t, err)
	require.NoError(t, w.Write(&bus.Frame{Kind: bus.Error}))
	require.NoError(t, w.Write(&bus.Frame{At: ms, ID: 0x7DF, Kind: bus.Remote, Length: 8}))
	require.NoError(t, w.Close())
	_, remotes := w.Frames()
	require.EqualValues(t, 1, remotes)
	frames, _ := read(t, b.String(), Options{})
	require.Equal(t, []string{"0 error 80 [8] 0000000000000000", "1000000 7DF remote 0"}, frames)
	require.Error(t, w.Write(&bus.Frame{At: -1}))

	_, err = NewWriter(&b, "can0", -1)
	require.ErrorContains(t, err, "a start at -1 ns")
}

type draftedPacket struct {
	counter uint64
	data    []byte
}

// fromDraft reads a little-endian pcapng file with nanoseconds by the figures of
// the draft alone.
func fromDraft(t *testing.T, b []byte) (out []draftedPacket) {
	t.Helper()
	get := binary.LittleEndian.Uint32
	for first := true; len(b) > 0; first = false {
		kind, length := get(b), get(b[4:])
		require.Equal(t, length, get(b[length-4:]))
		require.Zero(t, length%4)
		body := b[8 : length-4]
		switch kind {
		case 0x0A0D0D0A:
			require.True(t, first)
			require.EqualValues(t, 0x1A2B3C4D, get(body))
			require.EqualValues(t, 1, get(body[4:])) // version 1.0
		case 1:
			require.EqualValues(t, 227, get(body))
			require.Contains(t, string(body), "\x09\x00\x01\x00\x09") // if_tsresol: 10^-9 s
		case 6:
			require.Zero(t, get(body))
			require.Equal(t, get(body[12:]), get(body[16:]))
			out = append(out, draftedPacket{uint64(get(body[4:]))<<32 | uint64(get(body[8:])), body[20 : 20+get(body[12:])]})
		default:
			t.Fatalf("block type %d", kind)
		}
		b = b[length:]
	}
	return out
}

func TestWriterDoesNotAllocate(t *testing.T) {
	w, err := NewWriter(io.Discard, "can0", 0)
	require.NoError(t, err)
	f := bus.Frame{ID: 0x123, Length: 8}
	require.Zero(t, testing.AllocsPerRun(1000, func() {
		f.At += time.Millisecond
		require.NoError(t, w.Write(&f))
	}))
}
