package rules

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// place holds the houses treated against where the lots stand by the books. It
// only warns: lots that were moved a moment ago are on the books elsewhere.
func (c *check) place() {
	for _, treatment := range c.a.Treatments {
		if !slices.ContainsFunc(c.a.Lots, func(lot Lot) bool { return lot.House == treatment.House }) {
			c.add(Verdict{
				Rule: RuleLotsInHouse, Outcome: Warn, Field: treatment.Field + ".house", Source: ownBooks,
				Message: fmt.Sprintf("none of the lots stands in house %s; all of them are taken to be treated there", treatment.House),
				Numbers: []Number{{Name: "house", Value: treatment.House}},
			})
		}
	}
	var apart []string
	for _, lot := range c.a.Lots {
		if !c.a.treats(lot.House) {
			apart = append(apart, fmt.Sprintf("%s (%s)", lot.ID, lot.House))
		}
	}
	if len(apart) > 0 && len(c.a.Treatments) > 0 {
		c.add(Verdict{
			Rule: RuleLotsInHouse, Outcome: Warn, Field: c.a.Treatments[0].Field + ".house", Source: ownBooks,
			Message: fmt.Sprintf("%s of the lots stand in houses that are not treated, and are taken to be treated with everything: %s", strconv.Itoa(len(apart)), strings.Join(apart, ", ")),
			Numbers: []Number{{Name: "lots", Value: strconv.Itoa(len(apart))}},
		})
	}
}
