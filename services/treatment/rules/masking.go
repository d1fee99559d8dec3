package rules

import (
	"fmt"
	"slices"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	"velamen/services/products"
)

// OfficialHold is an authority's hold on a lot during which nothing may be applied
// that could hide signs.
type OfficialHold struct {
	// Duty is the name of the duty under which the lot is held.
	Duty string
	// Disorder is what it is held for, and Class the class of that.
	Disorder string
	Class    diagnosisv1.DisorderClass
}

// sourceMasking is where the rule stands.
const sourceMasking = "official hold without treatments that mask signs: Defra, eradication and containment measures against Phytophthora ramorum (archived 2009); " +
	"Implementing Regulation (EU) 2019/2072 as amended by 2021/2285, from memory; the authority's own order decides"

// masking refuses what works on the class of disorder that an authority holds a lot
// for: plants on which it is only suppressed look clean and are released with it.
func (c *check) masking() {
	for _, lot := range c.a.Lots {
		for _, hold := range lot.OfficialHolds {
			for _, l := range c.lines {
				c.maskingBy(l, lot, hold)
			}
		}
	}
}

func (c *check) maskingBy(l *line, lot Lot, hold OfficialHold) {
	v := l.about(RuleOfficialMasking, Pass, "%s does not hide signs of %s, for which an authority holds lot %s",
		l.Product.DisplayName, hold.Disorder, lot.ID)
	v.Source = sourceMasking
	v.Numbers = []Number{{Name: "held under", Value: hold.Duty}}
	i := slices.IndexFunc(l.actives, func(active products.ActiveIngredient) bool { return slices.Contains(active.WorksOn, hold.Class) })
	if i >= 0 {
		v.Outcome = Refuse
		v.Message = fmt.Sprintf("an authority holds lot %s for %s, and until the hold ends nothing may be applied that could hide its signs: %s in %s works on a disorder of the class %s",
			lot.ID, hold.Disorder, l.actives[i].DisplayName, l.Product.DisplayName, className(hold.Class))
		v.Alternatives = c.unmaskingCandidates()
	}
	c.add(v)
}

// unmaskingCandidates returns the candidates of the step that hide nothing for which
// any of the lots is held.
func (c *check) unmaskingCandidates() []string {
	var open []string
	for _, id := range c.a.Candidates {
		active, known := products.ActiveIngredientByID(id)
		if !known || slices.ContainsFunc(c.a.Lots, func(lot Lot) bool {
			return slices.ContainsFunc(lot.OfficialHolds, func(hold OfficialHold) bool { return slices.Contains(active.WorksOn, hold.Class) })
		}) {
			continue
		}
		open = append(open, fmt.Sprintf("%s (group %s)", active.DisplayName, active.FRACCode))
	}
	return open
}
