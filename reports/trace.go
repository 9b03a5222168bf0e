package reports

import (
	"encoding/csv"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"strconv"
	"time"

	"stalegauge/bus/bridge"
	"stalegauge/bus/fate"
	signals "stalegauge/bus/signal"
	"stalegauge/scenarios"
	"stalegauge/sim"
)

// TraceForm is how a trace is written.
type TraceForm string

// The forms.
const (
	TraceCSV   TraceForm = "csv"   // a head and one row an event, as RFC 4180
	TraceLines TraceForm = "jsonl" // one JSON object a line
)

// Trace writes the lives of records as they are told, one event a row. Times are
// in seconds with all nine digits. The columns are:
//
//	t_s         instant, from the start of the run
//	event       the stage that the value passes, in the words of the waterfall;
//	            frame = the fate of the frame is known for good; record = the fate
//	            of the value in this broadcast at this display; access_failed = the
//	            medium never became free; drawing = the display begins a redraw;
//	            gap = values held are void
//	fate        word of the ledger, of events frame and record
//	frame       number of the frame on the bus, from 1
//	id, page    its identifier, and its page where it has pages
//	valid_at_s  when its values were valid
//	age_s       t_s - valid_at_s
//	broadcast   number of the broadcast that carries it, from 0
//	copy        0 = sent for the first time
//	display     where it happens
//	data        of event wire: the bytes of the frame in hexadecimal digits
//	value       of event wire: that of the first chosen signal in it, in its unit
type Trace struct {
	table  *csv.Writer
	lines  *json.Encoder
	chosen []chosenSignal
	row    [traceColumns]string
}

const traceColumns = 13

var traceHead = [traceColumns]string{
	"t_s", "event", "fate", "frame", "id", "page", "valid_at_s", "age_s", "broadcast", "copy", "display", "data", "value",
}

// chosenSignal is a signal whose values are written.
type chosenSignal struct {
	shown scenarios.Shown
	codec signals.Codec
}

// NewTrace returns a writer of a trace. chosen are the signals whose values are
// decoded. A form that does not exist is wrong use.
func NewTrace(w io.Writer, form TraceForm, chosen []scenarios.Shown) *Trace {
	t := &Trace{}
	for _, s := range chosen {
		t.chosen = append(t.chosen, chosenSignal{s, signals.Compile(&s.Signal)})
	}
	switch form {
	case TraceCSV:
		t.table = csv.NewWriter(w)
		t.table.UseCRLF = true
		_ = t.table.Write(traceHead[:]) // the error comes with the next row, or Flush
	case TraceLines:
		t.lines = json.NewEncoder(w)
		t.lines.SetEscapeHTML(false)
	default:
		panic("reports: a trace of the form " + string(form))
	}
	return t
}

// Write writes an event. It returns the error of the writer below.
func (t *Trace) Write(e *sim.Event) error {
	t.fill(e)
	if t.table != nil {
		return t.table.Write(t.row[:])
	}
	number := func(i int) *json.Number {
		if t.row[i] == "" {
			return nil
		}
		n := json.Number(t.row[i])
		return &n
	}
	word := func(i int) *string {
		if t.row[i] == "" {
			return nil
		}
		return &t.row[i]
	}
	return t.lines.Encode(traceLine{
		number(0), word(1), word(2), number(3), word(4), number(5), number(6), number(7), number(8), number(9), word(10), word(11), number(12),
	})
}

// traceLine is an event as JSON; what it does not have is null.
type traceLine struct {
	At        *json.Number `json:"t_s"`
	Event     *string      `json:"event"`
	Fate      *string      `json:"fate"`
	Frame     *json.Number `json:"frame"`
	ID        *string      `json:"id"`
	Page      *json.Number `json:"page"`
	ValidAt   *json.Number `json:"valid_at_s"`
	Age       *json.Number `json:"age_s"`
	Broadcast *json.Number `json:"broadcast"`
	Copy      *json.Number `json:"copy"`
	Display   *string      `json:"display"`
	Data      *string      `json:"data"`
	Value     *json.Number `json:"value"`
}

// Flush writes what is still held back.
func (t *Trace) Flush() error {
	if t.table == nil {
		return nil
	}
	t.table.Flush()
	return t.table.Error()
}

// fill writes the columns of an event.
func (t *Trace) fill(e *sim.Event) {
	t.row = [traceColumns]string{0: exactSeconds(e.At), 1: eventWord(e), 10: e.Display}
	switch e.Kind {
	case sim.Drawing, sim.Gap:
		return
	case sim.FrameSettled:
		t.row[2] = e.FrameFate.String()
	case sim.RecordSettled:
		t.row[2] = e.RecordFate.String()
	}
	t.row[3], t.row[4] = strconv.FormatUint(e.Frame, 10), e.ID.String()
	if e.Page != bridge.NoPage {
		t.row[5] = strconv.Itoa(e.Page)
	}
	t.row[6], t.row[7] = exactSeconds(e.ValidAt), exactSeconds(e.At-e.ValidAt)
	if e.OfBroadcast {
		t.row[8], t.row[9] = strconv.FormatUint(uint64(e.Broadcast), 10), strconv.Itoa(e.Copy)
	}
	if e.Kind == sim.Passed && e.Stage == fate.StageWire {
		t.row[11] = hex.EncodeToString(e.Data)
		t.row[12] = t.value(e)
	}
}

// value decodes the first chosen signal of a frame.
func (t *Trace) value(e *sim.Event) string {
	for i := range t.chosen {
		c := &t.chosen[i]
		if c.shown.ID != e.ID || c.shown.Signal.Page != signals.AnyPage && c.shown.Signal.Page != e.Page {
			continue
		}
		v, ok := c.codec.Decode(e.Data)
		if v, ok = finite(v, ok); ok {
			return strconv.FormatFloat(v, 'g', 12, 64) // scaling leaves noise in the last digits
		}
	}
	return ""
}

// eventWord is the word for what an event tells.
func eventWord(e *sim.Event) string {
	switch e.Kind {
	case sim.Passed:
		return e.Stage.String()
	case sim.FrameSettled:
		return "frame"
	case sim.RecordSettled:
		return "record"
	case sim.AccessFailed:
		return fate.FrameAccessFailed.String()
	case sim.Drawing:
		return "drawing"
	default:
		return "gap"
	}
}

// exactSeconds writes an instant to the nanosecond.
func exactSeconds(d time.Duration) string {
	sign := ""
	if d < 0 {
		sign, d = "-", -d
	}
	return fmt.Sprintf("%s%d.%09d", sign, d/time.Second, d%time.Second)
}
