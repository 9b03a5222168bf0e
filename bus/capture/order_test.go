package capture

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

const ms = time.Millisecond

// marksOf reads a text and returns the data byte of each frame, which numbers the
// lines, and the report.
func marksOf(t *testing.T, lines []string, o Options) (string, Report) {
	t.Helper()
	frames, r := read(t, strings.Join(lines, ""), o)
	var b strings.Builder
	for _, f := range frames {
		b.WriteString(strings.Fields(f)[3][:2] + " ")
	}
	return strings.TrimSpace(b.String()), r
}

// at writes one line per offset in ms; the data byte is the line's number.
func at(offsets ...int) []string {
	var lines []string
	for i, o := range offsets {
		lines = append(lines, line(time.Duration(o)*ms+10*time.Second, fmt.Sprintf("123#%02d", i)))
	}
	return lines
}

func TestOrder(t *testing.T) {
	for _, c := range []struct {
		name                  string
		offsets               []int
		want                  string
		sorted, late, damaged int64
	}{
		{"in order", []int{0, 10, 20}, "00 01 02", 0, 0, 0},
		{"equal stamps keep the order of the file", []int{0, 0, 0, 5, 0, 5}, "00 01 02 04 03 05", 1, 0, 0},
		{"back by exactly the window", []int{0, 50, 60, 10, 70}, "00 03 01 02 04", 1, 0, 0},
		{"back by more than the window", []int{0, 20, 40, 60, 9, 70}, "00 01 02 03 05", 0, 1, 0},
		{"one stamp far ahead", []int{0, 10, 100000, 20, 30, 40}, "00 01 03 04 05", 0, 0, 1},
		{"the first stamp far ahead", []int{100000, 10, 20, 30}, "01 02 03", 0, 0, 1},
		{"a real jump", []int{0, 10, 100000, 100010, 100020}, "00 01 02 03 04", 0, 0, 0},
		{"a real jump, one line late behind it", []int{0, 10, 1000, 20, 1010, 1020}, "00 01 02 04 05", 0, 1, 0},
		{"a real jump, one line too late behind it", []int{0, 100, 1000, 20, 1010}, "00 01 02 04", 0, 1, 0},
		{"two lines in the wrong order", []int{0, 10, 200, 170, 210}, "00 01 03 02 04", 1, 0, 0},
		{"sparse traffic", []int{0, 100, 200, 300}, "00 01 02 03", 0, 0, 0},
		{"a doubt at the end of the file", []int{0, 10, 200}, "00 01 02", 0, 0, 0},
		{"two doubts at the end of the file", []int{0, 10, 200, 100}, "00 01 02", 0, 1, 0},
		{"one line", []int{0}, "00", 0, 0, 0},
	} {
		got, r := marksOf(t, at(c.offsets...), Options{})
		require.Equal(t, c.want, got, c.name)
		require.Equal(t, [3]int64{c.sorted, c.late, c.damaged}, [3]int64{r.Sorted, r.Late, r.Damaged}, c.name)
		require.Len(t, r.Dropped, int(c.late+c.damaged), c.name)
	}
	_, r := marksOf(t, at(0, 20, 40, 60, 9, 70), Options{})
	require.Equal(t, "line 5: its stamp steps back by 51ms", r.Dropped[0].String())
}

// More frames of one instant than the window holds: order and count stay.
func TestOrderOfManyEqualStamps(t *testing.T) {
	var b strings.Builder
	for i := range 3 * windowFrames {
		b.WriteString(line(0, fmt.Sprintf("%03X#%04X", i%0x700, i)))
	}
	frames, r := read(t, b.String(), Options{})
	require.Len(t, frames, 3*windowFrames)
	require.Positive(t, r.WindowFull)
	for i, f := range frames {
		require.Equal(t, fmt.Sprintf("0 %03X [2] %04X", i%0x700, i), f)
	}
}

func TestTwins(t *testing.T) {
	for _, c := range []struct {
		name  string
		lines []string
		want  string
		twins int64
	}{
		{"request and frame", []string{line(0, "123#01 T"), line(1001*time.Microsecond, "123#01 R")}, "1001000", 1},
		{"frame without a request", []string{line(0, "123#01 R"), line(ms, "123#01 R")}, "0 1000000", 0},
		{"sent again", []string{line(0, "123#01 T"), line(ms, "123#01 T")}, "0 1000000", 0},
		{"other data", []string{line(0, "123#01 T"), line(ms, "123#02 R")}, "0 1000000", 0},
		{"one request, two frames", []string{line(0, "123#01 T"), line(ms, "123#01 R"), line(2*ms, "123#01 R")}, "1000000 2000000", 1},
		{"beyond the window", []string{line(0, "123#01 T"), line(51*ms, "111#"), line(102*ms, "123#01 R")}, "0 51000000 102000000", 0},
		{"closer than its bits", []string{line(1001, "123#01"), line(40_000, "123#01")}, "1001", 1},
		{"as far as its bits", []string{line(1001, "123#01"), line(1001+55_000, "123#01")}, "1001 56001", 0},
		{"another channel", []string{line(1001, "123#01"), strings.Replace(line(40_000, "123#01"), "can0", "can1", 1)}, "1001 40000", 0},
		{"stamps of whole ms tell nothing", []string{line(0, "123#01"), line(0, "123#01")}, "0 0", 0},
		{"error frames", []string{line(1, "20000080#0000000000000000"), line(2, "20000080#0000000000000000")}, "1 2", 0},
	} {
		frames, r := read(t, strings.Join(c.lines, ""), Options{})
		var first int64
		if len(frames) > 0 {
			first = r.FirstStamp % 1e9
		}
		var got []string
		for _, f := range frames {
			var at int64
			_, err := fmt.Sscan(f, &at)
			require.NoError(t, err)
			got = append(got, fmt.Sprint(at+first))
		}
		require.Equal(t, c.want, strings.Join(got, " "), c.name)
		require.Equal(t, c.twins, r.Twins, c.name)
	}
	_, r := read(t, "t_s,id,dir,data\n0,123,TxRq,01\n0.0002,123,Tx,01\n0.5,123,Rx,01\n", Options{})
	require.Equal(t, int64(1), r.Twins)
	require.Equal(t, int64(200_000), r.FirstStamp)
}

func TestGaps(t *testing.T) {
	text := line(0, "123#00") + line(10*ms, "123#01") + line(5010*ms, "123#02") + line(15*time.Second, "123#03")
	frames, r := read(t, text, Options{})
	require.Equal(t, []string{"0 123 [1] 00", "10000000 123 [1] 01", "5010000000 123 [1] 02",
		"5011000000 123 [1] 03 after gap"}, frames, "exactly 5 s is no gap; 1 ms of a longer one is kept")
	require.Equal(t, int64(1), r.Gaps)
	require.Equal(t, 9990*ms, r.LongestGap)
	require.Equal(t, 9989*ms, r.CutOut)
	require.Equal(t, 5011*ms, r.Span)

	frames, r = read(t, text, Options{GapRule: Silence})
	require.Equal(t, "15000000000 123 [1] 03", frames[3])
	require.Equal(t, int64(1), r.Gaps)
	require.Zero(t, r.CutOut)

	frames, r = read(t, text, Options{Gap: time.Second, Keep: 20 * ms})
	require.Equal(t, "50000000 123 [1] 03 after gap", frames[3])
	require.Equal(t, int64(2), r.Gaps)
	require.Contains(t, strings.Join(r.Notes(), "\n"), "2 silences, the longest 9.99s: 14.95s cut out")
}

func TestChannels(t *testing.T) {
	text := line(0, "123#00") + strings.Replace(line(ms, "123#01"), "can0", "can1", 1) + line(2*ms, "123#02")
	_, r := read(t, text, Options{})
	require.Equal(t, []Channel{{"can0", 2}, {"can1", 1}}, r.Channels)
	require.Contains(t, r.Notes(), `channels read as if they were one bus: "can0" (2), "can1" (1)`)
	frames, r := read(t, text, Options{Channel: "can1"})
	require.Equal(t, []string{"0 123 [1] 01"}, frames)
	require.Equal(t, int64(2), r.OtherChannel)

	none, err := NewReader("drive.log", strings.NewReader(text), Options{Channel: "can7"})
	require.NoError(t, err)
	require.Empty(t, all(none))
	require.EqualError(t, none.Err(), `drive.log: no frame of channel "can7"; the file has "can0", "can1"`)
	balance(t, none.Report())

	var b strings.Builder
	for i := range 100 {
		b.WriteString(strings.Replace(line(time.Duration(i)*ms, "123#00"), "can0", fmt.Sprintf("bus%d", i), 1))
	}
	_, r = read(t, b.String(), Options{})
	require.Len(t, r.Channels, maxChannels)
	require.Equal(t, Channel{otherChannels, 100 - maxChannels + 1}, r.Channels[maxChannels-1])
}
