package capture

import (
	"bytes"
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus"
)

// laws reads any bytes and checks what holds for all of them: no panic, legal
// frames, time that does not go back, every line in one counter, the same again
// on a second reading.
func laws(t *testing.T, data []byte, o Options) {
	open := func() (*Reader, error) { return NewReader("fuzz", bytes.NewReader(data), o) }
	r, err := open()
	if err != nil {
		var format *FormatError
		require.True(t, errors.As(err, &format), "%v", err)
		return
	}
	var f bus.Frame
	var last time.Duration
	var frames, errorFrames, gaps int64
	for r.Next(&f) {
		frames++
		require.GreaterOrEqual(t, f.At, last)
		require.Equal(t, f.At, f.Released)
		require.Equal(t, int32(-1), f.Message)
		last = f.At
		legal(t, &f)
		if f.Kind == bus.Error {
			errorFrames++
		}
		if f.AfterGap {
			gaps++
		}
	}
	report := r.Report()
	balance(t, report)
	require.Equal(t, frames, report.Frames)
	require.Equal(t, errorFrames, report.Errors)
	require.Equal(t, last, report.Span)
	if o.GapRule == Cut {
		require.Equal(t, report.Gaps, gaps)
	} else {
		require.Zero(t, gaps)
	}
	packets := report.Shape.packets()
	if !packets && report.Compressed == 0 {
		require.Equal(t, lineCount(data), report.Lines)
	}
	if err := r.Err(); err != nil && (packets || report.Compressed > 0) {
		require.NotEmpty(t, err.Error()) // damaged behind the first frames
		return
	} else if err != nil {
		require.Zero(t, frames, "an error without an error of the disk: %v", err)
		return
	}
	require.NotEmpty(t, report.Shape.String())
	_ = report.Notes()
	again, err := open()
	require.NoError(t, err)
	s, err := Summarize(again)
	require.NoError(t, err)
	require.Equal(t, report, s.Report)
	replayLaws(t, open, &s)
}

// replayLaws loops what was read.
func replayLaws(t *testing.T, open func() (*Reader, error), s *Summary) {
	p, err := NewReplay(open, ReplayOptions{Loop: true, Summary: s, Offset: s.Span / 3})
	if err != nil {
		require.Less(t, s.Span, leastRound)
		return
	}
	var f bus.Frame
	var last time.Duration
	for range min(3*s.Report.Frames, 60) {
		if !p.Next(&f) {
			require.Greater(t, s.Span, time.Duration(maxStamp/100), "a loop has no end")
			break
		}
		require.GreaterOrEqual(t, f.At, last)
		last = f.At
	}
	require.NoError(t, p.Close())
}

// legal checks that identifier and length are possible ones.
func legal(t *testing.T, f *bus.Frame) {
	switch f.Kind {
	case bus.Error:
		require.False(t, f.ID.IsExtended())
		require.LessOrEqual(t, f.ID.Number(), uint32(numberMask))
		require.Equal(t, uint8(8), f.Length)
		require.Zero(t, f.Flags)
		return
	case bus.Remote:
		require.LessOrEqual(t, f.Length, uint8(8))
		require.Zero(t, f.Flags)
	default:
		require.Equal(t, bus.Data, f.Kind)
		require.True(t, f.Flags == 0 && f.Length <= 8 || f.Flags&bus.FD != 0 && flexibleLength[f.Length] != 0, "%v", f)
	}
	if f.ID.IsExtended() {
		require.LessOrEqual(t, f.ID.Number(), uint32(numberMask))
	} else {
		require.LessOrEqual(t, f.ID.Number(), uint32(maxStandard))
	}
}

// lineCount counts lines in the plain way: NUL and Ctrl-Z at the end of the file
// and behind a line's end are no line.
func lineCount(data []byte) int64 {
	data = bytes.TrimPrefix(data, []byte(byteOrderMark))
	n := int64(bytes.Count(data, []byte("\n")))
	rest := data[bytes.LastIndexByte(data, '\n')+1:]
	if len(bytes.TrimLeft(rest, "\x00\x1a")) > 0 {
		n++
	}
	return n
}

func FuzzTextLog(f *testing.F) {
	f.Add([]byte(line(0, "254#918FFE0603A60FFF")+line(ms, "18FEF100##1AA")+line(2*ms, "7DF#R8")), true)
	f.Add([]byte(line(0, "20000004#0001000000000000")+"\r\n\x00\x00  "+line(ms, "123#1122334455667788_C T")), false)
	f.Add([]byte(line(time.Hour, "123#00")+line(0, "123#01")+line(10*time.Second, "123#02")+line(ms, "123#02")), true)
	f.Add([]byte("(1522028512.233563)  254#918FFE0603A60FFF\n(2018-03-26 01:41:52.2) can0 123#\n(-1e9) c 123#"), true)
	f.Add([]byte(recording(time.Second, source{id: 1, period: 10 * ms}, source{id: 2, period: 33 * ms})), true)
	f.Add([]byte("(0000000000.0) a 000#\n(1700000000.0) a 000#"), false) // 53 years a round
	f.Add([]byte("\xef\xbb\xbf(0) a 123#\n"+strings.Repeat("x", 300)+"\n#\n//\n\x1a"), true)
	f.Fuzz(func(t *testing.T, data []byte, cut bool) {
		o := Options{Shape: TextLog, MaxLine: 200}
		if !cut {
			o.GapRule = Silence
		}
		laws(t, data, o)
	})
}

func FuzzCSV(f *testing.F) {
	for _, s := range []string{
		"time_s,id,data\n0.5,254,918F\n0.501,18FEF100,01\n",
		"Time [ms];ID (hex);Data\n1,5;0x254;91 8F\n2,5;0x123;01\n",
		"t_s,id,dlc,d0,d1,d2\n0,254,2,91,8f,\n1,254,3,1,2,3\n",
		"t_s,id,ext,rtr,error,fd,brs,esi,dir,type,ch,dlc,data\n0,254,1,0,0,1,1,1,Tx,data,can0,9,5A5A5A5A5A5A5A5A5A5A5A5A\n",
		"1478198376.5,0316,2,05,21,R\n1478198376.501,018f,3,fe,5b,00,R\n",
		"time;id;data\n23:59:59.5;254;91\n00:00:00.25;254;01\n",
		"time,id,data\n2018-03-25 01:59:59.5,2566844672,\"91,8F\"\n",
		"t ns,id,B0\n0,10\n1,0",
		"t_ns,id,D1\n0,000007FF,1\n-5,00000001,2\n",
	} {
		f.Add([]byte(s), true)
	}
	f.Fuzz(func(t *testing.T, data []byte, cut bool) {
		o := Options{Shape: CSV, MaxLine: 200}
		if !cut {
			o.GapRule = Silence
		}
		laws(t, data, o)
	})
}

// The unguided reader, and what is read must not depend on the shape being told.
func FuzzSniff(f *testing.F) {
	f.Add([]byte("time_s,id,data\n0.5,254,918F\n"))
	f.Add([]byte(line(0, "254#918FFE0603A60FFF")))
	f.Add([]byte("\x1f\x8b"))
	f.Fuzz(func(t *testing.T, data []byte) {
		laws(t, data, Options{})
	})
}
