package rules

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// place holds what is said to be treated against the books: where the lots stand,
// how large the house is, and how many plants there are. Each is refused with a
// manager's override, because books can lag behind and benches stand in tiers; what
// a label limits by area or by pot must not be passed by typing a larger number.
func (c *check) place() error {
	c.lotsInHouses()
	for i := range c.a.Treatments {
		if err := c.areaOf(&c.a.Treatments[i]); err != nil {
			return err
		}
		c.plantsOf(&c.a.Treatments[i])
	}
	return nil
}

// lotsInHouses refuses an application none of whose lots stands where it goes, and
// warns of those that stand elsewhere.
func (c *check) lotsInHouses() {
	if len(c.a.Lots) == 0 || len(c.a.Treatments) == 0 {
		return
	}
	var apart, empty []string
	for _, lot := range c.a.Lots {
		if !c.a.treats(lot.House) {
			apart = append(apart, fmt.Sprintf("%s (%s)", lot.ID, lot.House))
		}
	}
	for _, treatment := range c.a.Treatments {
		if !slices.ContainsFunc(c.a.Lots, func(lot Lot) bool { return lot.House == treatment.House }) {
			empty = append(empty, treatment.House)
		}
	}
	v := Verdict{
		Rule: RuleLotsInHouse, Outcome: Warn, Field: c.a.Treatments[0].Field + ".house", Source: ownBooks, Overridable: true,
		Numbers: []Number{{Name: "lots elsewhere", Value: strconv.Itoa(len(apart))}, {Name: "lots", Value: strconv.Itoa(len(c.a.Lots))}},
	}
	switch {
	case len(apart) == len(c.a.Lots):
		v.Outcome = Refuse
		v.Message = fmt.Sprintf("none of the lots stands in a house that is treated (%s): %s", strings.Join(empty, ", "), strings.Join(apart, ", "))
		v.Alternatives = []string{"name the house that they stand in", "move the lots on the books first"}
	case len(apart) > 0:
		v.Message = fmt.Sprintf("%d of the lots stand in houses that are not treated, and are taken to be treated with everything: %s",
			len(apart), strings.Join(apart, ", "))
	case len(empty) > 0:
		v.Message = fmt.Sprintf("none of the lots stands in %s; all of them are taken to be treated there", strings.Join(empty, ", "))
	default:
		return
	}
	c.add(v)
}

// areaOf refuses an area above that of the house.
func (c *check) areaOf(t *Treatment) error {
	if t.Area.IsZero() || t.HouseArea.IsZero() {
		return nil
	}
	order, err := t.Area.Compare(t.HouseArea)
	if err != nil || order <= 0 {
		return err
	}
	c.add(Verdict{
		Rule: RuleAreaOfHouse, Outcome: Refuse, Field: t.Field + ".area", Source: ownBooks, Overridable: true,
		Message:      fmt.Sprintf("%s is more than house %s has, %s", t.Area, t.House, t.HouseArea),
		Numbers:      []Number{{Name: "area", Value: t.Area.String()}, {Name: "area of the house", Value: t.HouseArea.String()}},
		Alternatives: []string{"the area that was really treated", "the house's area put right"},
	})
	return nil
}

// plantsOf refuses more plants than the lots treated have.
func (c *check) plantsOf(t *Treatment) {
	if t.Plants == 0 {
		return
	}
	var plants int64
	for _, lot := range c.a.treatedBy(*t) {
		if lot.Plants == 0 {
			return // not known
		}
		plants += lot.Plants
	}
	if t.Plants <= plants || plants == 0 {
		return
	}
	c.add(Verdict{
		Rule: RulePlantsOfLots, Outcome: Refuse, Field: t.Field + ".plants", Source: ownBooks, Overridable: true,
		Message:      fmt.Sprintf("%d plants are more than the lots treated have, %d", t.Plants, plants),
		Numbers:      []Number{{Name: "plants", Value: strconv.FormatInt(t.Plants, 10)}, {Name: "plants on hand", Value: strconv.FormatInt(plants, 10)}},
		Alternatives: []string{"the plants that were really treated"},
	})
}
