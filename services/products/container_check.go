package products

import (
	"fmt"
	"slices"
	"time"
)

// The rules of a check of the chemical store.
const (
	RuleContainerExpired  = "container-expired"
	RuleContainerExpires  = "container-expires"
	RuleContainerCountDue = "container-count-due"
)

// Sources of those rules.
const (
	sourceContainer = "the last day of use printed on the container"
	sourceBooks     = "the nursery's own books"
)

// checkStore returns what is wrong with the containers of one product that hold
// something, or less than nothing, on the day of a moment in the nursery's zone.
func checkStore(containers []Container, now time.Time) []Finding {
	today, soon := dayOf(now), dayOf(now.AddDate(0, 0, warnDays))
	inDate := slices.ContainsFunc(containers, func(c Container) bool { return c.Remaining.Positive() && !c.Expired(today) })
	var findings []Finding
	for _, c := range containers {
		finding := Finding{Field: "containers/" + c.ID, Source: sourceContainer}
		switch {
		case c.Remaining.Amount.IsNegative():
			finding.Rule, finding.Source = RuleContainerCountDue, sourceBooks
			finding.Message = fmt.Sprintf("the books say %s: more was confirmed as used than was there; count it", c.Remaining)
		case !c.Remaining.Positive() || c.ExpireDate == "" || c.ExpireDate > soon:
			continue
		case c.Expired(today):
			finding.Rule, finding.Refuses = RuleContainerExpired, !inDate
			finding.Message = fmt.Sprintf("it expired on %s with %s in it; do not use it, dispose of it as local law says", c.ExpireDate, c.Remaining)
		default:
			finding.Rule = RuleContainerExpires
			finding.Message = fmt.Sprintf("it expires on %s with %s in it; use it first, or order in time", c.ExpireDate, c.Remaining)
		}
		findings = append(findings, finding)
	}
	return findings
}
