package study

import (
	"fmt"
	"math"
	"strconv"

	"stalegauge/scenarios"
)

// judged is what a verdict needs besides the figures that are printed.
type judged struct {
	floor     Value   // share over the limit of what was received on the bus
	unknown   Value   // unknown share
	none      bool    // no episode over the limit
	simulated float64 // seconds so far
	one       float64 // seconds of one replication
}

// judge gives the verdict. With a the share of time that may be over the limit: met
// when the upper ends of the share over it and of the unknown share are at most a,
// missed when the lower end of either, or of the floor's share, is more, else
// undecided.
func (s *Signal) judge(j judged) {
	if s.Shown.Limit == nil {
		s.Verdict = NoLimit
		return
	}
	allowed := 1 - s.Shown.Limit.Quantile
	may := "at most " + percent(allowed) + " is allowed"
	missed := func(format string, with ...any) {
		s.Verdict, s.Why = Missed, fmt.Sprintf(format, with...)
	}
	over, unknown := s.OverLimit, j.unknown
	switch {
	case s.Window == 0:
		s.Verdict, s.Why = Undecided, "nothing was simulated"
	case !over.Defined:
		missed("never shown")
	case j.floor.Interval && j.floor.Low > allowed:
		missed("no bridge can meet this: on the bus itself the value is older than the limit %s of the time; %s", share(j.floor), may)
	case over.Interval && over.Low > allowed:
		missed("older than the limit %s of the time; %s", share(over), may)
	case unknown.Interval && unknown.Low > allowed:
		missed("unknown %s of the time; %s", share(unknown), may)
	case over.Interval && unknown.Interval && over.High <= allowed && unknown.High <= allowed:
		s.Verdict = Met
	default:
		s.undecided(j, allowed, may)
	}
}

// judgeTrials gives the verdict on a limit that speaks of changes or starts. With a
// the share of them that may be late: met when the upper end of the share that was
// late is at most a, missed when its lower end is more, else undecided.
func (s *Signal) judgeTrials(simulated, one float64) {
	allowed := 1 - s.Shown.Limit.Quantile
	what, none := "changes", "no changes were seen"
	if s.Shown.Limit.Of == scenarios.OfFirstPicture {
		what, none = "starts", "no start was followed for as long as the limit"
	}
	if what == "changes" && s.Values == nil {
		none = "what the bus carried is not known here, so changes cannot be told"
	}
	may := "at most " + percent(allowed) + " of them is allowed"
	late := s.Late
	switch {
	case !late.Defined:
		s.Verdict, s.Why = Undecided, none
	case late.Low > allowed:
		s.Verdict, s.Why = Missed, fmt.Sprintf("%s of the %s were late or never shown; %s", share(late), what, may)
	case late.High <= allowed:
		s.Verdict = Met
	default:
		s.Verdict, s.Why = Undecided, fmt.Sprintf("%s of the %s were late or never shown; %s", share(late), what, may)
		factor := longer(late, allowed)
		if late.Value == 0 {
			// The upper end is 1 - alpha^(1/n), whatever alpha is.
			factor = math.Log1p(-late.High) / math.Log1p(-allowed)
		}
		if more := (factor - 1) * simulated; more > 0 && !math.IsInf(more, 0) {
			s.MoreTime = math.Ceil(more/one) * one
		}
	}
}

// undecided says what leaves the verdict open and estimates how much more time
// would decide it.
func (s *Signal) undecided(j judged, allowed float64, may string) {
	s.Verdict = Undecided
	switch {
	case !s.OverLimit.Interval || !j.unknown.Interval:
		s.Why = "a single replication has no interval: run two or more"
		return
	case s.OverLimit.High > allowed:
		s.Why = fmt.Sprintf("older than the limit %s of the time; %s", share(s.OverLimit), may)
	default:
		s.Why = fmt.Sprintf("unknown %s of the time; %s", share(j.unknown), may)
	}
	factor := longer(s.OverLimit, allowed)
	if j.none {
		// Without an episode the upper end falls as one over the time.
		factor = s.OverLimit.High / allowed
	}
	if j.unknown.High > allowed {
		factor = max(factor, longer(j.unknown, allowed))
	}
	more := (factor - 1) * j.simulated
	if more > 0 && !math.IsInf(more, 0) {
		s.MoreTime = math.Ceil(more/j.one) * j.one // only whole replications can be added
	}
}

// longer returns how many times the time so far brings the end of the interval that
// reaches over the allowed share back to it, its half-width falling as one over
// the root of the time. Infinite when the value is the allowed share itself, as 1 of
// 20 changes is where 95 % are asked for; the quantile has left its rounding there.
func longer(v Value, allowed float64) float64 {
	if math.Abs(v.Value-allowed) <= 1e-9*allowed {
		return math.Inf(1)
	}
	half := v.High - v.Value
	if v.Value > allowed {
		half = v.Value - v.Low
	}
	return math.Pow(half/math.Abs(v.Value-allowed), 2)
}

func share(v Value) string {
	if !v.Interval {
		return percent(v.Value)
	}
	return percent(v.Value) + " (" + percent(v.Low) + " to " + percent(v.High) + ")"
}

// percent writes a share with three digits. What is left of a share like 1 - 0.99
// by rounding disappears with it.
func percent(x float64) string {
	x = 100 * x
	if x != 0 && math.Abs(x) < .001 {
		return strconv.FormatFloat(x, 'g', 2, 64) + " %"
	}
	digits, _ := strconv.ParseFloat(strconv.FormatFloat(x, 'g', 3, 64), 64)
	return strconv.FormatFloat(digits, 'f', -1, 64) + " %"
}
