package reports

import (
	"fmt"

	"stalegauge/bus/fate"
	"stalegauge/sim/study"
)

// phases writes what each part of the run was like: the air in one table, and for
// each display the age of every signal by part.
func phases(p *page, r *study.Result) {
	if len(r.Phases) == 0 {
		return
	}
	p.heading("Parts of the run: the air (% of the time)")
	t := newTable(p, "part", "from\ns", "until\ns", "own\n%", "own with\naccess %", "others\n%", "broadcasts\nper s")
	for _, f := range r.Phases {
		t.row(clean(f.Name), plain(f.From, true), plain(f.Until, true), bare(f.OwnShare.Value, f.OwnShare.Defined),
			bare(f.OwnOccupancy.Value, f.OwnOccupancy.Defined), bare(f.OthersShare.Value, f.OthersShare.Defined),
			plain(f.BroadcastsPerSecond.Value, f.BroadcastsPerSecond.Defined))
	}
	t.write()
	for i := range r.Receivers {
		name := clean(r.Receivers[i].Name)
		p.heading(fmt.Sprintf("%s: age at the glass by part of the run (p99: at most this 99 %% of the time)", name))
		t := newTable(p, "signal", "part", "mean\nms", "p99\nms", "over limit\n% of time", "unknown\n% of time", "late, % of\nchanges")
		t.left(1)
		for k := range r.Receivers[i].Signals {
			signal := clean(r.Receivers[i].Signals[k].Shown.Signal.Name)
			for _, f := range r.Phases {
				s := phaseSignal(&f, i, k)
				t.row(signal, clean(f.Name), ms(s.Age.Mean), ms(s.Age.P99),
					bare(s.OverLimit.Value, s.OverLimit.Defined), bare(s.UnknownShare.Value, s.UnknownShare.Defined),
					bare(s.Late.Value, s.Late.Defined))
				signal = ""
			}
		}
		t.write()
		for _, f := range r.Phases {
			if i < len(f.Receivers) {
				p.paragraph("  "+clean(f.Name)+"  ", recordTally(&f.Receivers[i].RecordFates))
			}
		}
	}
}

// phaseSignal returns a signal of a display in a part, undefined where nothing
// was measured.
func phaseSignal(f *study.Phase, receiver, signal int) *study.PhaseSignal {
	if receiver < len(f.Receivers) && signal < len(f.Receivers[receiver].Signals) {
		return &f.Receivers[receiver].Signals[signal]
	}
	return &study.PhaseSignal{}
}

type jsonPhase struct {
	Name      string              `json:"name"`
	From      *float64            `json:"from_s"`
	Until     *float64            `json:"until_s"`
	Air       jsonAir             `json:"air"`
	Receivers []jsonPhaseReceiver `json:"receivers"`
}

type jsonPhaseReceiver struct {
	Name        string            `json:"name"`
	Signals     []jsonPhaseSignal `json:"signals"`
	RecordFates ordered[uint64]   `json:"record_fates"`
}

type jsonPhaseSignal struct {
	Name         string        `json:"name"`
	Observed     *float64      `json:"observed_s"`
	UnknownShare *jsonValue    `json:"unknown_share"`
	Age          jsonStatistic `json:"age_s"`
	OverLimit    *jsonValue    `json:"over_limit_share"`
	Changes      uint64        `json:"changes"`
	Late         *jsonValue    `json:"late_share"`
}

// phaseList is the parts of the run as JSON, empty when there is one part only.
func phaseList(r *study.Result) []jsonPhase {
	list := []jsonPhase{}
	for _, f := range r.Phases {
		d := jsonPhase{Name: f.Name, From: figure(f.From), Until: figure(f.Until), Air: jsonAir{
			OwnShare: value(f.OwnShare), OwnOccupancy: value(f.OwnOccupancy), OthersShare: value(f.OthersShare),
			BroadcastsPerSecond: value(f.BroadcastsPerSecond)}, Receivers: []jsonPhaseReceiver{}}
		for i := range r.Receivers {
			w := jsonPhaseReceiver{Name: r.Receivers[i].Name, Signals: []jsonPhaseSignal{}}
			if i < len(f.Receivers) {
				w.RecordFates = ledger[fate.Record](f.Receivers[i].RecordFates[:])
			}
			for k := range r.Receivers[i].Signals {
				s := phaseSignal(&f, i, k)
				w.Signals = append(w.Signals, jsonPhaseSignal{r.Receivers[i].Signals[k].Shown.Signal.Name, figure(s.Observed),
					value(s.UnknownShare), statistic(s.Age), value(s.OverLimit), s.Changes, value(s.Late)})
			}
			d.Receivers = append(d.Receivers, w)
		}
		list = append(list, d)
	}
	return list
}
