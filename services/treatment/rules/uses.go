package rules

import (
	"math/big"
	"slices"
)

// Use returns an application that was made as resistance management counts it.
func (p Past) Use() Use {
	use := Use{Time: p.End, Disorder: p.Disorder, Class: p.Class, Groups: []string{}, Effective: []string{}}
	for _, product := range p.Products {
		for _, active := range product.Actives {
			use.add(active.Group, slices.Contains(classesOf()[active.ID], p.Class))
		}
	}
	return use
}

// Uses returns an application as resistance management counts it: one use for each
// treatment that has products, in their order. It returns the faults of Check.
func (a Application) Uses() ([]Use, error) {
	c, err := newCheck(a, nil)
	if err != nil {
		return nil, err
	}
	proposed := c.proposedUses()
	var uses []Use
	for i := range a.Treatments {
		if use, known := proposed[i]; known {
			uses = append(uses, use)
		}
	}
	return uses, nil
}

// IntervalVerdicts holds an application only to what labels and the trade ask for
// between applications: intervals, numbers and amounts in a year or crop cycle, and
// what must be kept apart. It returns the faults of Check.
func IntervalVerdicts(a Application, h History) ([]Verdict, error) {
	c, err := newCheck(a, h)
	if err != nil {
		return nil, err
	}
	return c.intervals()
}

// IntervalVerdicts does as the function IntervalVerdicts does.
func (x *Indexed) IntervalVerdicts(a Application) ([]Verdict, error) {
	c, err := newCheckOn(a, x)
	if err != nil {
		return nil, err
	}
	return c.intervals()
}

func (c *check) intervals() ([]Verdict, error) {
	if err := c.labelHistory(); err != nil {
		return nil, err
	}
	c.spacing()
	return c.sorted(), nil
}

// PeriodVerdicts holds an application only to what labels ask for over a time: days
// between applications, and numbers and amounts in a year or crop cycle. It returns
// the faults of Check.
func PeriodVerdicts(a Application, h History) ([]Verdict, error) {
	c, err := newCheck(a, h)
	if err != nil {
		return nil, err
	}
	if err := c.labelHistory(); err != nil {
		return nil, err
	}
	return c.sorted(), nil
}

// Breaks reports whether a use after others, which are in the order of their time
// and against the same class, breaks a rotation rule for a group.
func Breaks(past []Use, use Use, rule, group string) bool {
	broken := false
	tally(past, &use, func(t Tally) {
		broken = broken || (t.Outcome == Refuse && t.Rule == rule && t.Group == group)
	})
	return broken
}

// PerArea returns the g/m2 of an active ingredient that a treatment puts on its
// area, exactly; nil when an amount or the area is not known. It returns a fault for
// an amount in a unit that its product is not measured in.
func (t Treatment) PerArea(active string) (*big.Rat, error) {
	sum := new(big.Rat)
	for _, one := range t.Lines {
		for _, content := range one.Product.Contents {
			if content.ActiveIngredient != active {
				continue
			}
			l := line{Line: one}
			grams, err := l.perArea(&t, content)
			if err != nil || grams == nil {
				return nil, err
			}
			sum.Add(sum, grams)
		}
	}
	return sum, nil
}
