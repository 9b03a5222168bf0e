package metrics

import "strings"

// chosen narrows the figures of signals, displays and designs to what the user
// picked.
const (
	chosenSignals   = `{signal=~"$signal",receiver=~"$receiver",design=~"$design"}`
	chosenReceivers = `{receiver=~"$receiver",design=~"$design"}`
	chosenDesigns   = `{design=~"$design"}`
)

const (
	perGlass  = "signal, receiver, design"
	glassName = "{{receiver}} {{signal}} ({{design}})"
)

// sumRate is the growth of a counter, summed up by labels. window is a range.
func sumRate(f *family, chosen, by, window string) string {
	return "sum by (" + by + ") (rate(" + f.name + chosen + "[" + window + "]))"
}

// ratio divides the growth of two counters: the weights are right, and what a
// range cuts off at its ends cancels out.
func ratio(part, whole *family, chosen, by, window string) string {
	return sumRate(part, chosen, by, window) + " / " + sumRate(whole, chosen, by, window)
}

// quantile reads a quantile off the buckets of a histogram.
func quantile(level string, f *family) string {
	return "histogram_quantile(" + level + ", sum by (le, " + perGlass + ") (rate(" + f.name + "_bucket" + chosenSignals + "[$__rate_interval])))"
}

// mean is the mean of a histogram.
func mean(f *family) string {
	name := func(ending string) *family { return &family{name: f.name + ending} }
	return ratio(name("_sum"), name("_count"), chosenSignals, perGlass, curve)
}

const (
	curve = "$__rate_interval"
	whole = "$__range"
)

// harmless are the fates of records that cost no freshness at the receiver.
const harmless = `fate=~"taken|same|older|duplicate|in_flight_at_end|not_powered"`

// within puts a further matcher into braces.
func within(chosen, matcher string) string {
	return strings.TrimSuffix(chosen, "}") + "," + matcher + "}"
}

var rows = []rowSpec{
	{"Freshness", []panelSpec{
		{title: "Over the limit, whole range", kind: "bargauge", unit: "percentunit", width: 8, most: 1,
			about:   "Share of the observed time with an age over the signal's own limit; the fifteen worst. Exact: a ratio of two counters.",
			queries: []query{{"topk(15, " + ratio(staleSeconds, observedSeconds, chosenSignals, perGlass, whole) + ")", glassName}}},
		{title: "Over the limit", kind: "timeseries", unit: "percentunit", width: 8,
			about:   "Share of the observed time with an age over the limit.",
			queries: []query{{ratio(staleSeconds, observedSeconds, chosenSignals, perGlass, curve), glassName}}},
		{title: "Without a value", kind: "timeseries", unit: "percentunit", width: 8,
			about: "Share of the time in which nothing was known at the glass.",
			queries: []query{{sumRate(unknownSeconds, chosenSignals, perGlass, curve) + " / (" + sumRate(unknownSeconds, chosenSignals, perGlass, curve) +
				" + " + sumRate(observedSeconds, chosenSignals, perGlass, curve) + ")", glassName}}},
		{title: "Mean age", kind: "timeseries", unit: "s", width: 8,
			about:   "Mean over time of the age at the glass.",
			queries: []query{{mean(ages), glassName}}},
		{title: "Age, 95 % of the time", kind: "timeseries", unit: "s", width: 8,
			about:   "At most this old for 95 % of the time. Read off buckets: good for the shape; the share over the limit is the exact figure.",
			queries: []query{{quantile("0.95", ages), glassName}}},
		{title: "Since the last update", kind: "timeseries", unit: "s", width: 8,
			about:   "Time since the value at the glass was last replaced: the shortest over all replications. A line that keeps rising is a frozen signal.",
			queries: []query{{"time() - max by (" + perGlass + ") (" + lastUpdate.name + chosenSignals + ")", glassName}}},
	}},
	{"Latency", []panelSpec{
		{title: "Mean latency", kind: "timeseries", unit: "s", width: 8,
			about:   "From release at the source to the glass, per update. It speaks of the updates that arrived only.",
			queries: []query{{mean(latencies), glassName}}},
		{title: "Latency, 95 % of the updates", kind: "timeseries", unit: "s", width: 8,
			about:   "Read off buckets: good for the shape.",
			queries: []query{{quantile("0.95", latencies), glassName}}},
		{title: "Updates at the glass", kind: "timeseries", unit: "ops", width: 8,
			about:   "Updates a second, per replication: those shown while the display was observed.",
			queries: []query{{sumRate(&family{name: latencies.name + "_count"}, chosenSignals, perGlass, curve) + " / count by (" + perGlass + ") (" + observedSeconds.name + chosenSignals + ")", glassName}}},
	}},
	{"Losses by cause", []panelSpec{
		{title: "Records lost, whole range", kind: "bargauge", unit: "percentunit", width: 8, most: 1,
			about: "Share of the records sent while the display was on, by what became of them.",
			queries: []query{{"sum by (receiver, fate, design) (increase(" + records.name + within(chosenReceivers, strings.Replace(harmless, "=~", "!~", 1)) + "[" + whole +
				"])) / on (receiver, design) group_left () sum by (receiver, design) (increase(" + records.name + within(chosenReceivers, `fate!="not_powered"`) + "[" + whole + "]))", "{{receiver}} {{fate}} ({{design}})"}}},
		{title: "Records by fate", kind: "timeseries", unit: "ops", width: 8, stacked: true,
			about:   "Records a second, all displays and replications together.",
			queries: []query{{sumRate(records, chosenReceivers, "fate, design", curve), "{{fate}} ({{design}})"}}},
		{title: "Frames by fate", kind: "timeseries", unit: "ops", width: 8, stacked: true,
			about:   "Frames of the bus a second by what became of them in the bridge, all replications together.",
			queries: []query{{sumRate(frames, chosenDesigns, "fate, design", curve), "{{fate}} ({{design}})"}}},
		{title: "Broadcasts of other sets", kind: "timeseries", unit: "ops", width: 24, stacked: true,
			about:   "Broadcasts a second that a display met and could not use.",
			queries: []query{{sumRate(foreign, chosenReceivers, "receiver, fate, design", curve), "{{receiver}} {{fate}} ({{design}})"}}},
	}},
	{"Airtime", []panelSpec{
		{title: "Share of the time", kind: "timeseries", unit: "percentunit", width: 12,
			about: "On the air: the bridge, the bridge with access, others.",
			queries: []query{
				{ratio(airOwn, airSeconds, chosenDesigns, "design", curve), "bridge ({{design}})"},
				{ratio(airOccupied, airSeconds, chosenDesigns, "design", curve), "bridge with access ({{design}})"},
				{ratio(airOthers, airSeconds, chosenDesigns, "design", curve), "others ({{design}})"},
			}},
		{title: "Broadcasts", kind: "timeseries", unit: "none", width: 12,
			about: "Broadcasts a second of the medium's own time, and records in a broadcast.",
			queries: []query{
				{ratio(airBroadcasts, airSeconds, chosenDesigns, "design", curve), "broadcasts a second ({{design}})"},
				{ratio(airRecords, airBroadcasts, chosenDesigns, "design", curve), "records a broadcast ({{design}})"},
			}},
	}},
	{"Bridge", []panelSpec{
		{title: "Load", kind: "timeseries", unit: "percentunit", width: 8,
			about: "Share of the time that the bus and the servers of the bridge were busy.",
			queries: []query{
				{ratio(busBusy, runSeconds, chosenDesigns, "design", curve), "bus ({{design}})"},
				{sumRate(stageBusy, chosenDesigns, "stage, design", curve) + " / on (design) group_left () " + sumRate(runSeconds, chosenDesigns, "design", curve), "{{stage}} ({{design}})"},
			}},
		{title: "Frames on the bus", kind: "timeseries", unit: "none", width: 8,
			about:   "Frames a second of the bus's own time.",
			queries: []query{{ratio(busFrames, runSeconds, chosenDesigns, "design", curve), "{{design}}"}}},
		{title: "Most that waited", kind: "bargauge", unit: "percentunit", width: 8, most: 1,
			about:   "Most that ever waited at a stage, of its places. At 100 % it may have lost something.",
			queries: []query{{"max by (stage, design) (" + stageWaiting.name + chosenDesigns + " / " + stageCapacity.name + chosenDesigns + ")", "{{stage}} ({{design}})"}}},
	}},
	{clockRow, []panelSpec{
		{title: "Datagrams that arrived", kind: "timeseries", unit: "ops", width: 8, stacked: true,
			about:   "Datagrams a second at the listener: of the own set, of others, and malformed ones by what is wrong.",
			queries: []query{{sumRate(received, chosenDesigns, "fate, design", curve), "{{fate}} ({{design}})"}}},
		{title: "Broadcasts missing", kind: "timeseries", unit: "percentunit", width: 8,
			about: "Share of the sequence numbers that did not arrive, and of those that arrived twice or out of order.",
			queries: []query{
				{"1 - " + ratio(broadcastsHeard, broadcastsExpected, chosenDesigns, "design", curve), "missing ({{design}})"},
				{ratio(duplicates, broadcastsExpected, chosenDesigns, "design", curve), "duplicate ({{design}})"},
				{ratio(reordered, broadcastsExpected, chosenDesigns, "design", curve), "reordered ({{design}})"},
			}},
		{title: "Gaps", kind: "stat", unit: "none", width: 8,
			about: "Runs of missing sequence numbers, and the longest one, in numbers.",
			queries: []query{
				{"max by (design) (" + gaps.name + chosenDesigns + ")", "gaps ({{design}})"},
				{"max by (design) (" + longestGap.name + chosenDesigns + ")", "longest ({{design}})"},
			}},
		{title: "Datagrams that left", kind: "timeseries", unit: "ops", width: 8,
			about: "Datagrams a second at the sender by what became of them, and the rate that it does not exceed.",
			queries: []query{
				{sumRate(targetDatagrams, chosenDesigns, "target, fate, design", curve), "{{target}} {{fate}} ({{design}})"},
				{sumRate(targetRefused, chosenDesigns, "target, design", curve), "{{target}} of them refused ({{design}})"},
				{"max by (design) (" + sendLimit.name + chosenDesigns + ")", "limit ({{design}})"},
			}},
		{title: "Lateness, 99 % of the datagrams", kind: "timeseries", unit: "s", width: 8,
			about: "How late the host was. Above 5 ms it is too busy for a verdict on ages.",
			queries: []query{
				{lateQuantile("0.99", sendLateness), "sending ({{design}})"},
				{lateQuantile("0.99", arrivalLateness), "arriving ({{design}})"},
			}},
		{title: "Kernel drops and clock steps", kind: "timeseries", unit: "ops", width: 8,
			about: "Datagrams a second that the kernel threw away at a full buffer; steps of the clock and restarts of the sender.",
			queries: []query{
				{sumRate(kernelDrops, chosenDesigns, "socket, design", curve), "dropped at {{socket}} ({{design}})"},
				{sumRate(clockSteps, chosenDesigns, "side, design", curve), "clock steps, {{side}} ({{design}})"},
				{sumRate(senderRestarts, chosenDesigns, "design", curve), "restarts ({{design}})"},
			}},
		{title: "Buffers of the sockets", kind: "bargauge", unit: "bytes", width: 24,
			about: "Bytes that were asked for, and what the kernel gave.",
			queries: []query{
				{bufferAsked.name + chosenDesigns, "{{socket}} asked ({{design}})"},
				{bufferGot.name + chosenDesigns, "{{socket}} got ({{design}})"},
			}},
	}},
	{hostRow, []panelSpec{
		{title: "Processor", kind: "timeseries", unit: "none", width: 8,
			about:   "Cores that the program keeps busy.",
			queries: []query{{"rate(process_cpu_seconds_total[" + curve + "])", "{{instance}}"}}},
		{title: "Memory", kind: "timeseries", unit: "bytes", width: 8,
			about:   "Memory of the program, and what lives on its heap.",
			queries: []query{{"process_resident_memory_bytes", "resident {{instance}}"}, {"go_memstats_heap_alloc_bytes", "heap {{instance}}"}}},
		{title: "Progress", kind: "stat", unit: "none", width: 8,
			about: "Replications that have ended, of at most how many, and simulated seconds so far.",
			queries: []query{
				{replicationsDone.name + chosenDesigns, "done ({{design}})"},
				{replicationsAtMost.name + chosenDesigns, "at most ({{design}})"},
				{simulated.name + chosenDesigns, "simulated seconds ({{design}})"},
			}},
		{title: "Search", kind: "stat", unit: "none", width: 24,
			about: "How far a search for a design is: the share of its budget that is used up, the designs tried so far, and how many there are.",
			queries: []query{
				{searchBudget.name + chosenDesigns, "budget used ({{design}})"},
				{searchTried.name + chosenDesigns, "designs tried ({{design}})"},
				{searchSpace.name + chosenDesigns, "designs ({{design}})"},
				{sumRate(searchFrames, chosenDesigns, "design", curve), "frames a second ({{design}})"},
			}},
	}},
}

// lateQuantile reads a quantile off a histogram of the wall clock.
func lateQuantile(level string, f *family) string {
	return "histogram_quantile(" + level + ", sum by (le, design) (rate(" + f.name + "_bucket" + chosenDesigns + "[" + curve + "])))"
}

// What only a live program has: one on the wall clock, and any.
const (
	clockRow = "Wall clock"
	hostRow  = "Host"
)
