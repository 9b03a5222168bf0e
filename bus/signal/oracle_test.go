package signal

import (
	"bytes"
	"encoding/hex"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"stalegauge/bus"
)

// python is where Debian installs the package python3-canmatrix for.
const python = "/usr/bin/python3"

// TestDecodeEqualsOracle holds decoding against an independent implementation, the
// Debian package python3-canmatrix: every signal of random payloads, its raw bits,
// physical value and presence. It is known to find only one selector at a time,
// and the last of two signals of one name; their presence is left out.
func TestDecodeEqualsOracle(t *testing.T) {
	if err := exec.Command(python, "-c", "import canmatrix").Run(); err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatalf("%s has no canmatrix (apt-get install python3-canmatrix): %v", python, err)
		}
		t.Skipf("%s has no canmatrix (apt-get install python3-canmatrix): decoding is not held against it", python)
	}
	random := rand.New(rand.NewPCG(3, 4))
	generated := filepath.Join(t.TempDir(), "generated.dbc")
	require.NoError(t, os.WriteFile(generated, []byte(randomDatabase(random, 40)), 0o600))
	payloads := 1400
	if os.Getenv("STALEGAUGE_LONG") == "1" {
		payloads = 25000
	}
	total := 0
	for _, file := range []string{"testdata/tractor.dbc", "testdata/ferry.dbc", "testdata/camper.dbc", generated} {
		decodes, values, present := compareWithOracle(t, random, file, payloads)
		t.Logf("%s: %d payloads, %d signals, %d of them present", filepath.Base(file), decodes, values, present)
		require.Greater(t, present, decodes, "the comparison must see signals")
		total += decodes
	}
	require.GreaterOrEqual(t, total, 5000)
}

func compareWithOracle(t *testing.T, random *rand.Rand, file string, payloads int) (decodes, values, presentCount int) {
	t.Helper()
	text, err := os.ReadFile(file)
	require.NoError(t, err)
	db, mistakes := ParseDatabase(file, text)
	for _, m := range mistakes {
		require.Equal(t, Warning, m.Severity, "%v", m)
	}
	var questions bytes.Buffer
	var messages []*Message
	var data [][]byte
	for range payloads {
		m := &db.Messages[random.IntN(len(db.Messages))]
		payload := make([]byte, m.Length)
		for i := range payload {
			payload[i] = byte(random.Uint32())
		}
		likelyBranch(m, payload, random)
		number := uint64(m.ID.Number())
		if m.ID.IsExtended() {
			number |= 1 << 31
		}
		fmt.Fprintf(&questions, "%d %s\n", number, hex.EncodeToString(payload))
		messages, data = append(messages, m), append(data, payload)
	}
	command := exec.Command(python, "testdata/oracle.py", file)
	command.Stdin = &questions
	var complaint bytes.Buffer
	command.Stderr = &complaint
	answer, err := command.Output()
	require.NoError(t, err, "%s", &complaint)
	lines := strings.Split(strings.TrimSuffix(string(answer), "\n"), "\n")
	require.Len(t, lines, payloads)
	for i, line := range lines {
		v, p := compareLine(t, messages[i], data[i], strings.Fields(line))
		values, presentCount = values+v, presentCount+p
	}
	return payloads, values, presentCount
}

// likelyBranch sets selectors to a value that a signal names, two times of three.
func likelyBranch(m *Message, data []byte, random *rand.Rand) {
	for range 2 {
		for i := range m.Signals {
			s := &m.Signals[i]
			if s.Parent == NoParent || random.IntN(3) == 0 {
				continue
			}
			v := s.Values[random.IntN(len(s.Values))]
			m.Signals[s.Parent].PutRaw(data, v.Low+random.Uint64N(v.High-v.Low+1))
		}
	}
}

func compareLine(t *testing.T, m *Message, data []byte, words []string) (values, present int) {
	t.Helper()
	const perSignal = 5
	require.Len(t, words, perSignal*len(m.Signals), m.Name)
	decoded := map[int]Decoded{}
	for _, d := range NewDecoder(m).Append(nil, data) {
		decoded[d.Signal] = d
	}
	for i := range m.Signals {
		s, word := &m.Signals[i], words[perSignal*i:]
		at := fmt.Sprintf("%s.%s in % X", m.Name, s.Name, data)
		require.Equal(t, []string{strconv.Itoa(s.Start), strconv.Itoa(s.Bits)}, word[:2], at)
		raw, ok := s.Raw(data)
		require.True(t, ok, at)
		if !s.Float {
			want := strconv.FormatUint(raw, 10)
			if s.Signed {
				want = strconv.FormatInt(int64(raw<<(64-s.Bits))>>(64-s.Bits), 10)
			}
			require.Equal(t, word[2], want, at)
		}
		value, err := strconv.ParseFloat(word[3], 64)
		if err != nil {
			require.ErrorIs(t, err, strconv.ErrRange, at)
		}
		requireSameValue(t, s, value, s.Value(raw), at)
		d, there := decoded[i]
		if oracleTells(m, s) {
			require.Equal(t, word[4] == "1", there, at)
		}
		require.Equal(t, m.Present(i, data), there, at)
		if there {
			require.Equal(t, raw, d.Raw, at)
			requireSameValue(t, s, value, d.Value, at)
			present++
		}
	}
	return len(m.Signals), present
}

// requireSameValue allows for the rounding of a product and a sum: the oracle
// reckons in decimal numbers.
func requireSameValue(t *testing.T, s *MessageSignal, want, got float64, at string) {
	t.Helper()
	if math.IsNaN(want) || math.IsInf(want, 0) {
		require.Equal(t, fmt.Sprint(want), fmt.Sprint(got), at)
		return
	}
	const unit = 1.0 / (1 << 52)
	require.InDelta(t, want, got, 4*unit*(math.Abs(want)+math.Abs(s.Offset)), at)
}

// oracleTells reports whether the oracle can tell that the signal is present.
func oracleTells(m *Message, s *MessageSignal) bool {
	selectors := map[int]int{}
	names := 0
	for i := range m.Signals {
		o := &m.Signals[i]
		if o.IsSelector {
			selectors[o.Parent]++
		}
		if o.Name == s.Name {
			names++
		}
	}
	for _, n := range selectors {
		if n > 1 {
			return false
		}
	}
	return names == 1
}

// randomDatabase writes messages with every form of signal: both byte orders,
// widths of 1 to 64 bits in up to 64 bytes, floating point, one selector, and
// nested ones with ranges.
func randomDatabase(random *rand.Rand, messages int) string {
	var text, rest strings.Builder
	text.WriteString("VERSION \"\"\n\nBU_: Hitch Cab\n\n")
	lengths := []int{1, 2, 5, 8, 8, 8, 12, 24, 64}
	for i := range messages {
		length, number := lengths[random.IntN(len(lengths))], 0x100+i
		if random.IntN(2) == 0 {
			number += 1<<31 + 0x123400
		}
		fmt.Fprintf(&text, "BO_ %d Message%d: %d Hitch\n", number, i, length)
		form := random.IntN(3) // no pages, one selector, nested ones
		if form > 0 {
			fmt.Fprintf(&text, " SG_ Outer M : 0|4@1+ (1,0) [0|0] \"\" Cab\n")
		}
		if form == 2 {
			fmt.Fprintf(&text, " SG_ Inner m2M : 4|3@1+ (1,0) [0|0] \"\" Cab\n")
			fmt.Fprintf(&rest, "SG_MUL_VAL_ %d Inner Outer 2-3;\n", number)
		}
		for j := range 1 + random.IntN(12) {
			randomSignal(random, &text, &rest, number, length, form, fmt.Sprintf("Signal%d", j))
		}
		text.WriteString("\n")
	}
	return text.String() + rest.String()
}

func randomSignal(random *rand.Rand, text, rest *strings.Builder, number, length, form int, name string) {
	start, width, order := 0, 0, random.IntN(2)
	float := length >= 8 && random.IntN(6) == 0
	for {
		start, width = random.IntN(8*length), 1+random.IntN(64)
		if float {
			width = 32 + 32*random.IntN(2)
		}
		if bus.FieldInside(length, start, width, order == 0) {
			break
		}
	}
	mark := ""
	switch branch := random.IntN(5); {
	case form == 0 || branch == 0:
	case form == 1:
		mark = fmt.Sprintf("m%d ", branch)
	default:
		mark = fmt.Sprintf("m%d ", branch)
		outer := []string{"Outer", "Inner"}[random.IntN(2)]
		fmt.Fprintf(rest, "SG_MUL_VAL_ %d %s %s %d-%d, 6-6;\n", number, name, outer, branch, branch+random.IntN(2))
	}
	sign := []string{"+", "-"}[random.IntN(2)]
	scale := []string{"1", "0.01", "-2.5", "1E-3", "1e4", "3"}[random.IntN(6)]
	offset := []string{"0", "-40", "0.125", "1000"}[random.IntN(4)]
	fmt.Fprintf(text, " SG_ %s %s: %d|%d@%d%s (%s,%s) [0|0] \"x\" Cab\n", name, mark, start, width, order, sign, scale, offset)
	if float {
		fmt.Fprintf(rest, "SIG_VALTYPE_ %d %s : %d;\n", number, name, width/32)
	}
}
