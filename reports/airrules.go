package reports

import (
	"fmt"

	"stalegauge/radio"
	"stalegauge/scenarios"
	"stalegauge/sim/study"
)

// airRule is how much of what a rule allows was used.
type airRule struct {
	duty       bool // a duty cycle; otherwise a medium utilisation
	used, most float64
	limited    bool // there is a most
}

// airRules returns the rules on the time on air that the plan follows, and what
// they are about. A medium utilisation is only known with a radiated power.
func airRules(r *study.Result) (rules []airRule) {
	if r.Plan == nil || !r.OwnShare.Defined {
		return nil
	}
	if p, ok := r.Plan.Radio.(interface{ Duty() float64 }); ok && p.Duty() < 1 {
		rules = append(rules, airRule{duty: true, used: r.OwnShare.Value, most: p.Duty(), limited: true})
	}
	if mw := r.Plan.Milliwatt; mw > 0 {
		rules = append(rules, airRule{used: radio.MediumUtilisation(mw, r.OwnShare.Value), most: r.Plan.Utilisation, limited: r.Plan.Utilisation > 0})
	}
	return rules
}

// text says it in words.
func (a airRule) text(plan *scenarios.Plan) string {
	what := "duty cycle"
	if !a.duty {
		what = fmt.Sprintf("medium utilisation (%s / 100 mW x time on air)", number(plan.Milliwatt, true, " mW"))
	}
	if a.limited {
		return fmt.Sprintf("%s %s of at most %s; check your local rules", what, percent(a.used, true), percent(a.most, true))
	}
	return fmt.Sprintf("%s %s; check your local rules", what, percent(a.used, true))
}

// airOf returns the air of a result for programs.
func airOf(r *study.Result) jsonAir {
	a := jsonAir{OwnShare: value(r.OwnShare), OwnOccupancy: value(r.OwnOccupancy), OthersShare: value(r.OthersShare),
		BroadcastsPerSecond: value(r.BroadcastsPerSecond)}
	for _, rule := range airRules(r) {
		if rule.duty {
			a.DutyLimit = &rule.most
			continue
		}
		a.Utilisation = &rule.used
		if rule.limited {
			a.UtilisationLimit = &rule.most
		}
	}
	return a
}
