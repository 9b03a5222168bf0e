package mask

import (
	"testing"

	"stalegauge/bus"
)

// tractor is a set of 13 identifiers among 96 of a machine's bus.
func tractor(b *testing.B) (wanted []bus.ID, traffic []Flow) {
	wanted, err := ParseIDs("120,128,140,150,1A0,1A4,1B0,1C0,240,320,328,420,428")
	if err != nil {
		b.Fatal(err)
	}
	for rate, text := range map[float64]string{
		100: "0A0-0A3,0B0-0B1,2C0-2C1", 50: "0C0-0C4,110-112,300-301,120,128", 20: "148-14B,158-159,140,150",
		10: "1D0-1D5,200-207,210-215,090-093,3E0-3E1", 5: "230-234,0F0-0F1", 2: "340-343,0D8-0D9", 1: "400-407,430-435,118-119",
	} {
		ids, err := ParseIDs(text)
		if err != nil {
			b.Fatal(err)
		}
		for _, id := range ids {
			traffic = append(traffic, Flow{ID: id, PerSecond: rate})
		}
	}
	return wanted, traffic
}

func BenchmarkSolve(b *testing.B) {
	wanted, traffic := tractor(b)
	for _, name := range []string{"one-code", "two-masks", "banks-14"} {
		s := shape(b, name)
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				if _, err := Solve(s, wanted, traffic, 0); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// One frame through the filters; the baseline is the look-up in a table of
// identifiers that every frame meets in the bridge.
func BenchmarkAccepts(b *testing.B) {
	wanted, traffic := tractor(b)
	frame := bus.Frame{ID: 0x433, Length: 8}
	for _, name := range []string{"one-code", "two-masks", "banks-14", "elements-128-64"} {
		a, err := Solve(shape(b, name), wanted, traffic, 0)
		if err != nil {
			b.Fatal(err)
		}
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				a.Program.Accepts(&frame)
			}
		})
	}
	table := bus.NewTable(wanted...)
	b.Run("baseline", func(b *testing.B) {
		for b.Loop() {
			table.Lookup(frame.ID)
		}
	})
}
