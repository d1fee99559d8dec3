package rules

// Use returns an application that was made as resistance management counts it.
func (p Past) Use() Use {
	use, _ := pastUse(&p, nil)
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
	if err := c.labelHistory(); err != nil {
		return nil, err
	}
	c.spacing()
	return c.sorted(), nil
}
