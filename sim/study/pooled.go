package study

import (
	"runtime"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"stalegauge/bus/bridge"
	"stalegauge/bus/fate"
	"stalegauge/scenarios"
	"stalegauge/sim"
)

// pool gathers replications one after the other, in the order of their indexes.
// Its memory does not depend on how many there are.
type pool struct {
	plan         *scenarios.Plan
	replications int
	span         time.Duration

	frames     uint64
	frameFates [fate.Frames]uint64
	rate, load ratio
	waits      []sim.BusWait
	stages     []bridge.StageUse
	entries    []bridge.SlotUse
	air        airPool
	receivers  []receiverPool
	neighbours []neighbourPool
	phases     []phasePool
}

type receiverPool struct {
	fates    [fate.Records]uint64
	foreign  [fate.Foreigns]uint64
	restarts uint64
	pictures pictures
	signals  []signalPool
}

func newPool(plan *scenarios.Plan) *pool {
	p := &pool{plan: plan, receivers: make([]receiverPool, len(plan.Receivers)), neighbours: make([]neighbourPool, len(plan.Neighbours))}
	_, end := plan.Window()
	for i := range plan.Receivers {
		r := &plan.Receivers[i]
		signals := make([]signalPool, len(r.Shows))
		for k := range r.Shows {
			signals[k].shown, signals[k].looked = r.Shows[k], end-r.PowerUp
			signals[k].episode = episodeOf(plan, r, &r.Shows[k])
		}
		p.receivers[i].signals = signals
	}
	return p
}

// add folds a replication in and keeps nothing of it.
func (p *pool) add(run *sim.Replication) {
	p.replications++
	p.span += run.Span
	p.frames += run.Frames
	for k, n := range run.FrameFates {
		p.frameFates[k] += n
	}
	p.rate.add(float64(run.Frames), seconds(run.Span))
	p.load.add(seconds(run.BusBusy), seconds(run.Span))
	p.addStages(run.Stages)
	p.addEntries(run.Entries)
	p.addWaits(run.BusWaits)
	p.air.add(&run.Air)
	if len(run.Receivers) != len(p.receivers) {
		panic("study: a replication with other receivers than its plan")
	}
	for i := range run.Receivers {
		p.receivers[i].add(&run.Receivers[i])
	}
	if len(run.Neighbours) != len(p.neighbours) {
		panic("study: a replication with other neighbours than its plan")
	}
	for i := range run.Neighbours {
		p.neighbours[i].add(&run.Neighbours[i], &run.Air)
	}
	p.addPhases(run.Phases)
}

func (p *pool) addStages(stages []bridge.StageUse) {
	if p.stages == nil {
		p.stages = slices.Clone(stages)
		return
	}
	if len(stages) != len(p.stages) {
		panic("study: a replication with other stages than the one before")
	}
	for i, s := range stages {
		p.stages[i].Busy += s.Busy
		p.stages[i].HighWater = max(p.stages[i].HighWater, s.HighWater)
	}
}

func (p *pool) addEntries(entries []bridge.SlotUse) {
	if p.entries == nil {
		p.entries = slices.Clone(entries)
		return
	}
	if len(entries) != len(p.entries) {
		panic("study: a replication with another forward list than the one before")
	}
	for i, e := range entries {
		p.entries[i].Wanted += e.Wanted
		p.entries[i].Left += e.Left
		p.entries[i].Waited = max(p.entries[i].Waited, e.Waited)
	}
}

func (r *receiverPool) add(run *sim.ReceiverRun) {
	if len(run.Signals) != len(r.signals) {
		panic("study: a receiver with other signals than its plan")
	}
	for k, n := range run.RecordFates {
		r.fates[k] += n
	}
	for k, n := range run.Foreign {
		r.foreign[k] += n
	}
	r.restarts += run.Restarts
	r.pictures.add(run)
	for i := range run.Signals {
		r.signals[i].add(&run.Signals[i], run.Window)
	}
}

// airPool gathers what was on the medium.
type airPool struct {
	own, occupied, others, offered, broadcasts, records ratio
}

func (a *airPool) add(run *sim.Air) {
	window := seconds(run.Window)
	a.own.add(seconds(run.Own), window)
	a.occupied.add(seconds(run.Occupied), window)
	a.others.add(seconds(run.Others), window)
	a.offered.add(seconds(run.Offered), window)
	a.broadcasts.add(float64(run.Broadcasts), window)
	a.records.add(float64(run.Records), float64(run.Broadcasts))
}

func (a *airPool) result(alpha float64) Air {
	return Air{
		OwnShare:            a.own.value(alpha, 1),
		OwnOccupancy:        a.occupied.value(alpha, 0),
		OthersShare:         a.others.value(alpha, 0),
		OthersOffered:       a.offered.value(alpha, 0),
		BroadcastsPerSecond: a.broadcasts.value(alpha, 0),
		RecordsPerBroadcast: a.records.value(alpha, 0),
	}
}

// result works out the answer, with intervals at confidence 1-alpha.
func (p *pool) result(alpha float64) *Result {
	from, end := p.plan.Window()
	var latest time.Duration
	for _, w := range from {
		latest = max(latest, w)
	}
	simulated := seconds(p.span)
	r := &Result{
		Plan: p.plan, Replications: p.replications, Confidence: 1 - alpha,
		Duration: seconds(end - latest), Simulated: simulated,
		FramesPerSecond: p.rate.value(alpha, 0), BusLoad: p.load.value(alpha, 1),
		Frames: p.frames, FrameFates: p.frameFates,
		Entries: p.entryResults(), Layouts: bridge.CompareLayouts(p.plan.Bridge.Layout, p.plan.Bridge.Forward, p.plan.Bridge.MaxPayload),
	}
	p.busMessages(r)
	air := p.air.result(alpha)
	r.OwnShare, r.OwnOccupancy = air.OwnShare, air.OwnOccupancy
	r.OthersShare, r.OthersOffered = air.OthersShare, air.OthersOffered
	r.BroadcastsPerSecond, r.RecordsPerBroadcast = air.BroadcastsPerSecond, air.RecordsPerBroadcast
	for _, s := range p.stages {
		stage := BridgeStage{Name: s.Name, HasLoad: s.HasServer, HighWater: s.HighWater, Capacity: s.Capacity, Unit: s.Unit}
		if s.HasServer && p.span > 0 {
			stage.Load = float64(s.Busy) / float64(p.span)
		}
		r.Stages = append(r.Stages, stage)
	}
	signals := p.signalResults(alpha, simulated)
	for i := range p.receivers {
		q := &p.receivers[i]
		receiver := Receiver{
			Name: p.plan.Receivers[i].Name, RecordFates: q.fates, Foreign: q.foreign, Restarts: q.restarts,
			FirstPicture: q.pictures.statistic(alpha), NeverFilled: q.pictures.never,
		}
		receiver.Signals = signals[i]
		r.Receivers = append(r.Receivers, receiver)
	}
	for i := range p.neighbours {
		r.Neighbours = append(r.Neighbours, p.neighbours[i].result(&p.plan.Neighbours[i], alpha))
	}
	for i := range p.phases {
		f := p.phases[i].result(alpha)
		p.changesOf(i, &f, alpha)
		r.Phases = append(r.Phases, f)
	}
	return r
}

// signalResults tells of every signal of every receiver. The intervals take the
// groups of replications out one after the other, for each signal by itself, which
// is worth all the processors there are.
func (p *pool) signalResults(alpha, simulated float64) [][]Signal {
	results := make([][]Signal, len(p.receivers))
	var jobs []func()
	for i := range p.receivers {
		pooled := p.receivers[i].signals
		if len(pooled) > 0 {
			results[i] = make([]Signal, len(pooled))
		}
		for k := range pooled {
			jobs = append(jobs, func() {
				results[i][k] = pooled[k].result(alpha, simulated, simulated/float64(p.replications))
			})
		}
	}
	var next atomic.Int64
	var workers sync.WaitGroup
	for range min(runtime.GOMAXPROCS(0), len(jobs)) {
		workers.Go(func() {
			for k := next.Add(1); k <= int64(len(jobs)); k = next.Add(1) {
				jobs[k-1]()
			}
		})
	}
	workers.Wait()
	return results
}

// entryResults says of each entry of the forward list what it got.
func (p *pool) entryResults() (all []Entry) {
	c := &p.plan.Bridge
	codec := bridge.NewCodec(c.Layout, c.Forward)
	for slot, f := range c.Forward {
		e := Entry{ID: f.ID.String(), Policy: c.PolicyOf(slot), Class: f.Class, Bytes: codec.RecordSize(slot, f.Length)}
		if slot < len(p.entries) {
			use := &p.entries[slot]
			e.Wanted, e.Left, e.Waited = use.Wanted, use.Left, seconds(use.Waited)
		}
		all = append(all, e)
	}
	return all
}
