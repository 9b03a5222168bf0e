package sim

import (
	"math"
	"os"
	"time"

	"stalegauge/bus"
	"stalegauge/bus/bridge"
	"stalegauge/bus/signal"
	"stalegauge/bus/traffic"
	"stalegauge/radio"
	"stalegauge/scenarios"
)

// long reports whether the full counts were asked for.
func long() bool { return os.Getenv("STALEGAUGE_LONG") != "" }

// bare is the plainest vehicle there is: one message of period on an idle, very
// fast bus, a bridge and a display that add nothing, on a medium without airtime.
// What is left is the age that the period and the loss make.
func bare(period, duration time.Duration, weather radio.Weather) *scenarios.Plan {
	const id = bus.ID(0x120)
	speed := signal.Definition{Name: "ground_speed", Unit: "km/h", Bits: 12, Scale: 0.05, Page: signal.AnyPage}
	profile := ideal(0)
	return &scenarios.Plan{
		Name: "bare", Seed: 1, Replications: 1, Duration: duration, Radio: profile,
		Vehicle: scenarios.Vehicle{
			Bus: scenarios.Bus{BitRate: 1_000_000_000, Messages: []traffic.Message{{
				Name: "Drive", ID: id, Length: 8, Period: period,
				Fields: []traffic.Field{{Signal: speed, Value: traffic.Value{Kind: traffic.Constant}}},
			}}},
			Bridge: bridge.Config{
				QueueDepth: 1000, SendQueue: bridge.SendQueue{Depth: 1000},
				Forward: []bridge.Forward{{ID: id, Length: 8}},
				Policy:  bridge.Policy{Kind: bridge.Each}, Layout: bridge.Layout{Version: 1},
				MaxPayload: profile.MaxPayload(), Airtime: profile.Airtime,
			},
			Receivers: []scenarios.Receiver{{
				Name: "glass", Weather: weather, Buffers: 1000, Queue: 1000,
				Shows: []scenarios.Shown{{Signal: speed, ID: id, Period: period}},
			}},
		},
	}
}

// ideal is a medium without access, on which a broadcast takes this long.
func ideal(airtime time.Duration) radio.Profile {
	p, err := radio.NewProfile(radio.Settings{Name: "ideal", Airtime: airtime})
	if err != nil {
		panic(err)
	}
	return p
}

// independent loses each broadcast with the same chance, whatever happened
// before.
func independent(loss float64) radio.Weather {
	if loss == 0 {
		return radio.Weather{}
	}
	return radio.Weather{Loss: loss, GoodLoss: loss, Burst: time.Second}
}

// sample is the mean of a quantity over replications and its standard error.
type sample struct{ sum, squares, n float64 }

func (s *sample) add(x float64) { s.sum += x; s.squares += x * x; s.n++ }

func (s *sample) mean() float64 { return s.sum / s.n }

func (s *sample) standardError() float64 {
	m := s.mean()
	return math.Sqrt(max(s.squares/s.n-m*m, 0) / (s.n - 1))
}
