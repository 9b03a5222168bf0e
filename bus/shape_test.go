package bus

import (
	"encoding/binary"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
)

// stuffing summarises the stuff bits of many frames.
type stuffing struct {
	counts  [64]int
	n       int
	sum, sq float64
	most    int
}

func (s *stuffing) add(count int) {
	s.counts[count]++
	s.n++
	s.sum += float64(count)
	s.sq += float64(count) * float64(count)
	s.most = max(s.most, count)
}

func (s *stuffing) mean() float64 { return s.sum / float64(s.n) }

// standardError is that of the mean.
func (s *stuffing) standardError() float64 {
	return math.Sqrt((s.sq/float64(s.n) - s.mean()*s.mean()) / float64(s.n))
}

// stuffed returns the stuff bits of a frame with these data.
func stuffed(s *Shape, kind Kind, extended bool, length int, data []byte) int {
	return s.Bits(data).Nominal - PlainBits(extended, kind, 0, length).Nominal
}

// Recomputed: all 2048 base frames without data.
func TestStuffBitsOfEmptyFrames(t *testing.T) {
	var all stuffing
	for number := range ID(2048) {
		s := NewShape(number, Data, 0, 0)
		all.add(stuffed(&s, Data, false, 0, nil))
	}
	require.Equal(t, []int{0, 676, 877, 393, 88, 13, 1, 0}, all.counts[:8])
	require.Equal(t, 1.96875, all.mean())
	require.Equal(t, 50, frame(t, "000", "", 0).Bits().Total(), "the one with six")
}

// Recomputed: all 2048 base remote frames with length code 0.
func TestStuffBitsOfRemoteFrames(t *testing.T) {
	var all stuffing
	for number := range ID(2048) {
		s := NewShape(number, Remote, 0, 0)
		all.add(stuffed(&s, Remote, false, 0, nil))
	}
	require.Equal(t, 5, all.most)
	require.InDelta(t, 1.7583, all.mean(), 0.00005)
	require.Equal(t, 44+5, remoteFrame(t, "003", 0).Bits().Total())
}

// Recomputed: all base frames with one data byte.
func TestStuffBitsOfOneByte(t *testing.T) {
	var all stuffing
	for number := range ID(2048) {
		s := NewShape(number, Data, 0, 1)
		for b := range 256 {
			all.add(stuffed(&s, Data, false, 1, []byte{byte(b)}))
		}
	}
	require.Equal(t, 7, all.most)
	require.InDelta(t, 2.01809, all.mean(), 0.000005)
	require.Equal(t, 52+7, frame(t, "010", "EE", 0).Bits().Total())
}

// Recomputed: all base frames with two data bytes; in the short form 512 drawn
// ones for each identifier.
func TestStuffBitsOfTwoBytes(t *testing.T) {
	var all stuffing
	var data [2]byte
	random := rand.New(rand.NewPCG(1, 2))
	for number := range ID(2048) {
		s := NewShape(number, Data, 0, 2)
		if long() {
			for word := range 1 << 16 {
				binary.BigEndian.PutUint16(data[:], uint16(word))
				all.add(stuffed(&s, Data, false, 2, data[:]))
			}
			continue
		}
		for range 1 << 9 {
			binary.BigEndian.PutUint16(data[:], uint16(random.Uint32()))
			all.add(stuffed(&s, Data, false, 2, data[:]))
		}
	}
	require.LessOrEqual(t, all.most, 9)
	tolerance := 0.000005
	if !long() {
		tolerance += 5 * all.standardError()
	} else {
		require.Equal(t, 9, all.most)
	}
	require.InDelta(t, 2.24880, all.mean(), tolerance)
	require.Equal(t, 60+9, frame(t, "000", "7C3C", 0).Bits().Total())
}

// Recomputed by simulation, printed to three digits; the means of the table have
// an error of their own, taken as large as that of a million frames. The most is
// what searches found.
func TestStuffBitsOfRandomFrames(t *testing.T) {
	frames := 400_000
	if long() {
		frames = 4_000_000
	}
	random := rand.New(rand.NewPCG(3, 4))
	for _, row := range []struct {
		extended bool
		length   int
		bound    int
		mean     float64
	}{
		{false, 4, 16, 2.348},
		{false, 8, 24, 3.282},
		{true, 0, 13, 2.740},
		{true, 8, 29, 4.054},
	} {
		var all stuffing
		var data [8]byte
		for range frames {
			id := ID(random.Uint32() & MaxBaseNumber)
			if row.extended {
				id = Extended | ID(random.Uint32()&MaxExtendedNumber)
			}
			s := NewShape(id, Data, 0, row.length)
			binary.LittleEndian.PutUint64(data[:], random.Uint64())
			all.add(stuffed(&s, Data, row.extended, row.length, data[:row.length]))
		}
		theirs := all.standardError() * math.Sqrt(float64(frames)/1e6)
		tolerance := 0.0005 + 4*math.Hypot(all.standardError(), theirs)
		require.InDelta(t, row.mean, all.mean(), tolerance, "%v", row)
		require.LessOrEqual(t, all.most, row.bound, "%v", row)
	}
	for _, f := range []*Frame{frame(t, "41E", "1E1E1E1E", 0), frame(t, "078", "3C3C3C3C3C7C3C3C", 0)} {
		require.GreaterOrEqual(t, f.Wire().Stuffed, map[uint8]int{4: 13, 8: 21}[f.Length])
	}
}

func TestShapeEqualsBitByBit(t *testing.T) {
	frames := 20_000
	if long() {
		frames = 2_000_000
	}
	random := rand.New(rand.NewPCG(5, 6))
	for range frames {
		f := randomFrame(random)
		require.Equal(t, f.Wire().Bits, f.Bits(), "%v %v %v % X", f.ID, f.Kind, f.Flags, f.Payload())
	}
}

// Every state and byte against the plain rule: a run that leads to the state, the
// byte, and the stuff bits counted.
func TestStepTables(t *testing.T) {
	for state := range uint8(8) {
		last, run := state&1, int(state>>1)+1
		var lead []uint8
		for range run {
			lead = append(lead, last)
		}
		for word := range 256 {
			bits := appendBits(append([]uint8{last ^ 1}, lead...), uint64(word), 8)
			_, marks := stuff(bits)
			step := byteSteps[word][state]
			require.Equal(t, marks[len(bits)], int(step>>stateShift), "state %d, byte %02X", state, word)
			after, count := stuffWord(state, uint64(word), 8)
			require.Equal(t, step, uint8(count)<<stateShift|after)
		}
	}
}

func TestShapeRefusesWrongUse(t *testing.T) {
	s := NewShape(0x123, Data, 0, 8)
	require.Panics(t, func() { s.Bits(make([]byte, 7)) })
	require.Panics(t, func() { new(Shape).Bits(nil) })
	require.Panics(t, func() { NewShape(0x800, Data, 0, 8) })
	require.Panics(t, func() { NewShape(0x123, Remote, FD, 0) })
	require.Panics(t, func() { NewShape(0x123, Data, 0, 9) })
	require.Panics(t, func() { (&Frame{Kind: Error}).Wire() })
}

func TestErrorFrame(t *testing.T) {
	require.Equal(t, 20, (&Frame{Kind: Error}).Bits().Total())
	// From the detection of an error to the next frame: 17 to 23 bits, and 31
	// where the sender has to wait (values from memory; 31 is the overhead that
	// response-time analyses count).
	require.Equal(t, 17, ErrorFrame+Intermission)
	require.Equal(t, 23, ErrorFrameLongest+Intermission)
	require.Equal(t, 31, ErrorFrameLongest+Intermission+SuspendTransmission)
}

// Laws: the tables agree with the bits written out; the bounds hold; the wire of
// a classic frame, its stuff bits taken out again, leaves no remainder and gives
// back the frame.
func FuzzFrameLength(f *testing.F) {
	f.Add(uint32(0), uint8(0), []byte{})
	f.Add(uint32(0x7FF), uint8(2), []byte("\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF"))
	f.Add(uint32(0x12345678), uint8(1|4|8), make([]byte, 64))
	f.Add(uint32(0x009), uint8(2), []byte{})
	f.Add(uint32(0x123), uint8(4), []byte("nine byte"))
	f.Fuzz(func(t *testing.T, number uint32, format uint8, data []byte) {
		var frame Frame
		extended := format&1 != 0
		frame.ID = ID(number & MaxBaseNumber)
		if extended {
			frame.ID = Extended | ID(number&MaxExtendedNumber)
		}
		if format&2 != 0 {
			frame.Kind = Remote
		} else if format&4 != 0 {
			frame.Flags = FD | Flags(format>>3&1)*BitRateFast | Flags(format>>4&1)*ErrorPassive
		}
		frame.Length = uint8(min(len(data), MaxLength))
		if frame.Flags&FD == 0 {
			frame.Length = min(frame.Length, 8)
		}
		copy(frame.Data[:], data)

		bits, wire := frame.Bits(), frame.Wire()
		require.Equal(t, wire.Bits, bits)
		require.Len(t, wire.Levels, bits.Total())
		least := MinBits(extended, frame.Kind, frame.Flags, int(frame.Length))
		most := MaxBits(extended, frame.Kind, frame.Flags, int(frame.Length))
		require.LessOrEqual(t, least.Nominal, bits.Nominal)
		require.LessOrEqual(t, least.Total(), bits.Total())
		require.LessOrEqual(t, bits.Nominal, most.Nominal)
		require.LessOrEqual(t, bits.Total(), most.Total())
		if frame.Flags&FD == 0 {
			checkClassicWire(t, &frame, wire)
		}
	})
}

func checkClassicWire(t *testing.T, f *Frame, wire Wire) {
	t.Helper()
	var bits []uint8
	run, last := 0, byte(0)
	for i, level := range []byte(wire.Levels[:len(wire.Levels)-len(footerBits)]) {
		if run == 5 {
			require.NotEqual(t, last, level, "bit %d is no stuff bit", i)
			run, last = 1, level
			continue
		}
		if level != last {
			run, last = 0, level
		}
		run++
		bits = append(bits, level-'0')
	}
	bare, _ := f.bareBits()
	require.Equal(t, bare, bits[:len(bits)-15])
	register := crcRegister{width: 15, polynomial: polynomial15}
	for _, b := range bits {
		register.shift(b)
	}
	require.Zero(t, register.value)
}

var sinkBits Bits

func BenchmarkShapeBits(b *testing.B) {
	for _, c := range []struct {
		name   string
		flags  Flags
		length int
	}{
		{"classic 8", 0, 8}, {"classic 7", 0, 7}, {"classic 0", 0, 0}, {"FD 64", FD | BitRateFast, 64},
	} {
		b.Run(c.name, func(b *testing.B) {
			s := NewShape(0x123, Data, c.flags, c.length)
			data := make([]byte, c.length)
			random := rand.New(rand.NewPCG(1, 1))
			for i := range data {
				data[i] = byte(random.Uint32())
			}
			b.ReportAllocs()
			for i := range b.N {
				if c.length > 0 {
					data[0] = byte(i)
				}
				sinkBits = s.Bits(data)
			}
		})
	}
}

func BenchmarkFrameBits(b *testing.B) {
	f := frame(b, "12345678", "0341000000000000", 0)
	b.ReportAllocs()
	for i := range b.N {
		f.Data[7] = byte(i)
		sinkBits = f.Bits()
	}
}

func BenchmarkWire(b *testing.B) {
	f := frame(b, "12345678", "0341000000000000", 0)
	b.ReportAllocs()
	for range b.N {
		sinkBits = f.Wire().Bits
	}
}
