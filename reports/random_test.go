package reports_test

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"reflect"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/jedib0t/go-pretty/v6/text"
	"github.com/stretchr/testify/require"

	"stalegauge/bus"
	"stalegauge/bus/fate"
	"stalegauge/reports"
	"stalegauge/scenarios"
	"stalegauge/sim/study"
)

var escapes = regexp.MustCompile("\x1b\\[[0-9;]*m")

// notANumber finds what Go prints for figures that are none. Names in random
// results hold no capital letters, so that a hit is never a name.
var notANumber = regexp.MustCompile(`NaN|Inf|%!`)

// Whatever a result holds, reports hold to their form: no line beyond 80
// columns, no figure that is none, six lines of answer first, JSON that can be
// read, and CSV with equal rows.
func TestAnyResultCanBeReported(t *testing.T) {
	for seed := range trials() {
		r := randomResult(rand.New(rand.NewPCG(seed, 1)))
		for _, color := range []bool{false, true} {
			var b bytes.Buffer
			require.NoError(t, reports.Text(&b, r, reports.TextOptions{Color: color}))
			checkText(t, seed, escapes.ReplaceAllString(b.String(), ""))
		}
		var b bytes.Buffer
		require.NoError(t, reports.JSON(&b, r), "seed %d", seed)
		require.True(t, json.Valid(b.Bytes()), "seed %d", seed)
		b.Reset()
		require.NoError(t, reports.CSV(&b, r))
		require.NotRegexp(t, notANumber, b.String(), "seed %d", seed)
		rows, err := csv.NewReader(&b).ReadAll() // refuses rows of unequal length
		require.NoError(t, err, "seed %d", seed)
		signals := 0
		for _, d := range r.Receivers {
			signals += len(d.Signals)
		}
		require.Len(t, rows, 1+signals, "seed %d", seed)
	}
}

func checkText(t *testing.T, seed uint64, report string) {
	t.Helper()
	require.NotRegexp(t, notANumber, report, "seed %d", seed)
	lines := strings.Split(report, "\n")
	for i, label := range []string{"limits", "worst", "where", "air", "lost", "decide", ""} {
		first, _, _ := strings.Cut(lines[i], " ")
		require.Equal(t, label, first, "seed %d, line %d", seed, i+1)
	}
	for i, line := range lines {
		require.LessOrEqual(t, text.StringWidthWithoutEscSequences(line), 80, "seed %d, line %d: %s", seed, i+1, line)
		require.Equal(t, strings.TrimRight(line, " "), line, "seed %d, line %d ends with a blank", seed, i+1)
	}
}

// randomResult fills every figure of a result with something nasty.
func randomResult(rng *rand.Rand) *study.Result {
	r := &study.Result{}
	scramble(rng, reflect.ValueOf(r).Elem())
	r.Plan = &scenarios.Plan{Name: randomName(rng), Seed: rng.Uint64(), Warnings: []string{randomName(rng)}}
	scramble(rng, reflect.ValueOf(&r.Plan.Assumptions).Elem())
	scramble(rng, reflect.ValueOf(&r.Plan.Background).Elem())
	r.Plan.Bridge.Policy.Hold = time.Duration(rng.Int64())
	for i := range r.Receivers {
		d := &r.Receivers[i]
		for j := range d.Signals {
			s := &d.Signals[j]
			s.Verdict = []study.Verdict{study.Met, study.Missed, study.Undecided, study.NoLimit}[rng.IntN(4)]
			s.Shown.Limit = nil
			s.Shown.ID = bus.ID(rng.IntN(0x800))
			if s.Verdict != study.NoLimit {
				s.Shown.Limit = &scenarios.Limit{At: scenarios.Place(rng.IntN(2)), Quantile: rng.Float64(), Value: time.Duration(rng.Int64())}
			}
		}
		if rng.IntN(2) == 0 {
			r.Plan.Receivers = append(r.Plan.Receivers, scenarios.Receiver{Name: d.Name, Draw: time.Duration(rng.Int64()), Redraw: time.Duration(rng.Int64N(1e12))})
		}
	}
	return r
}

func scramble(rng *rand.Rand, v reflect.Value) {
	switch v.Kind() {
	case reflect.Struct:
		for i := range v.NumField() {
			if v.Field(i).CanSet() {
				scramble(rng, v.Field(i))
			}
		}
	case reflect.Array:
		for i := range v.Len() {
			scramble(rng, v.Index(i))
		}
	case reflect.Slice:
		v.Set(reflect.MakeSlice(v.Type(), rng.IntN(4), 4))
		for i := range v.Len() {
			scramble(rng, v.Index(i))
		}
	case reflect.Bool:
		v.SetBool(rng.IntN(3) > 0)
	case reflect.Float64:
		v.SetFloat(randomFigure(rng))
	case reflect.Int, reflect.Int64:
		v.SetInt(rng.Int64N(1 << rng.IntN(62)))
	case reflect.Uint64:
		v.SetUint(rng.Uint64() >> rng.IntN(64))
	case reflect.String:
		v.SetString(randomName(rng))
	}
}

func randomFigure(rng *rand.Rand) float64 {
	switch rng.IntN(12) {
	case 0:
		return math.NaN()
	case 1:
		return math.Inf(1)
	case 2:
		return math.MaxFloat64
	case 3:
		return 0
	default:
		return math.Pow(10, rng.Float64()*24-12)
	}
}

func randomName(rng *rand.Rand) string {
	letters := []string{"a", "b", "_", "9", " ", "ü", "度", "\x1b[2J", "\n", "\t", "\xff", "\"", ","}
	var b strings.Builder
	for range 1 + rng.IntN(1<<rng.IntN(7)) {
		b.WriteString(letters[rng.IntN(len(letters))])
	}
	return b.String()
}

// The first lines name what a reader has to turn. Each stage has a parameter.
func TestEachStageHasAParameter(t *testing.T) {
	for stage := range fate.Stages {
		r := hopper()
		r.Receivers[1].Signals = r.Receivers[1].Signals[:1]
		s := &r.Receivers[0].Signals[0]
		s.Waterfall = [fate.Stages]float64{}
		s.Waterfall[stage] = s.Age.Mean.Value
		var b bytes.Buffer
		require.NoError(t, reports.Text(&b, r, reports.TextOptions{}))
		where := strings.Split(b.String(), "\n")[2]
		require.Contains(t, where, levers[stage], "stage %s", stage)
		require.True(t, strings.HasPrefix(where, fmt.Sprintf("where    %s 130 ms, ", stage)), where)
	}
}

var levers = [fate.Stages]string{
	fate.StageSource:       "bus.messages.Drive.period (20.0 ms)",
	fate.StageWire:         "bus.bitrate (500000 bit/s)",
	fate.StagePickup:       "bridge.pickup.cost",
	fate.StageBusQueue:     "bridge.queue (32 frames)",
	fate.StageHold:         "bridge.policy.hold (50.0 ms)",
	fate.StageRateLimit:    "bridge.limit",
	fate.StageSendQueue:    "bridge.send_queue.depth",
	fate.StageAccess:       "air.background.yard.share",
	fate.StageAirtime:      "radio.profile",
	fate.StageCollision:    "air.background.yard.share",
	fate.StageFading:       "weather.loss",
	fate.StageReceiveQueue: "receivers.pillar.draw",
	fate.StageHandler:      "receivers.pillar.handler",
	fate.StageRedraw:       "receivers.pillar.redraw.every",
}

// trials is how many random results are written.
func trials() uint64 {
	if os.Getenv("STALEGAUGE_LONG") != "" {
		return 1000
	}
	return 150
}
