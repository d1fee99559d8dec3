package rotation

import (
	"fmt"

	"velamen/services/treatment/rules"
)

// capCounter allows so many counted applications over all slots. Letter 1 is
// counted.
type capCounter struct{ most int }

func (c capCounter) letters() []bool { return []bool{false, true} }

func (c capCounter) bounded() bool { return true }

func (c capCounter) after(_ int, past string, letter int) (string, bool) {
	if letter == 0 {
		return past, true
	}
	past += "x"
	return past, len(past) <= c.most
}

// seasonLimits hold a share over all of the horizon. The rules engine counts each
// application among those before it, and rounds the first ones up to one, so that
// every window may be kept and the whole still be over. FRAC counts per season; the
// horizon is taken as one.
func (q question) seasonLimits(limits rules.Limits) []limit {
	slots := q.calendar.slots()
	var found []limit
	add := func(rule string, most int, kind kind, format string, arguments ...any) {
		letter := make([]int, len(q.candidates))
		for product, one := range q.candidates {
			if _, counted := kind(one.use); counted {
				letter[product] = 1
			}
		}
		report := Limit{Rule: rule, Source: limits.Source, Message: groupName(limits) + ": " + fmt.Sprintf(format, arguments...) +
			fmt.Sprintf(" over the whole season, so %d of %d applications", most, slots)}
		m := newMachine(capCounter{most: most}, slots)
		found = append(found, newLimit(report, m, letter, []string{""}))
	}
	if table, own := tableFor(limits, q.disorder); own {
		add(rules.RuleRotationCount, table.Most(slots), byGroup(limits.Group), "%s", describeTable(table))
	} else if !limits.Share.IsZero() {
		add(rules.RuleRotationShare, limits.Share.Of(slots), byGroup(limits.Group), "at most %s", limits.Share)
	}
	if !limits.SoloShare.IsZero() {
		add(rules.RuleRotationSoloShare, limits.SoloShare.Of(slots), q.byRule(rules.RuleRotationSoloShare, limits.Group),
			"without a partner at most %s", limits.SoloShare)
	}
	return found
}
