package rules

import (
	"fmt"
	"slices"
	"time"

	"velamen/internal/clock"
)

// spacing keeps apart what must not meet on a plant or in a tank.
func (c *check) spacing() {
	set := spacing()
	for i := range set.pairs {
		c.pair(&set.pairs[i])
	}
}

// pair holds every product of the mix to one pair.
func (c *check) pair(p *pair) {
	for _, l := range c.lines {
		isA, isB := p.a.matches(&l.parts), p.b.matches(&l.parts)
		if !isA && !isB {
			continue
		}
		other := p.b
		if !isA {
			other = p.a
		}
		v := l.about(p.id, Pass, "%s: nothing with %s meets it", l.Product.DisplayName, other.text)
		v.Source, v.Overridable = p.source, p.overridable
		c.inMix(p, l, isA, isB, &v)
		c.onPlants(p, l, isA, isB, &v)
		c.add(v)
	}
}

// inMix looks for the other of a pair in the same application on the same lots.
func (c *check) inMix(p *pair, l *line, isA, isB bool, v *Verdict) {
	for _, other := range c.lines {
		if other == l || l.Product.ID == other.Product.ID || !c.share(l, other) {
			continue
		}
		if (isA && p.b.matches(&other.parts)) || (isB && p.a.matches(&other.parts)) {
			v.Outcome = p.action
			v.Message = fmt.Sprintf("%s and %s (%s and %s) must not go on the same plants together", l.Product.DisplayName, other.Product.DisplayName, p.a.text, p.b.text)
			v.Alternatives = []string{"leave out one of " + l.Product.DisplayName + " and " + other.Product.DisplayName}
			if p.days > 0 {
				v.Alternatives = append(v.Alternatives, fmt.Sprintf("apply one %d days after the other", p.days))
			}
			return
		}
	}
}

// share reports whether two products go on a lot in common.
func (c *check) share(l, other *line) bool {
	if l.treatment == other.treatment {
		return true
	}
	return slices.ContainsFunc(c.treatedLots[l.treatment], func(lot int) bool { return slices.Contains(c.treatedLots[other.treatment], lot) })
}

// onPlants looks for the other of a pair in what the lots were treated with.
func (c *check) onPlants(p *pair, l *line, isA, isB bool, v *Verdict) {
	since := c.daysAfter(c.a.Start, -max(p.days, 1)-1)
	var w onLot
	var last time.Time
	apart, name := 0, ""
	for _, of := range c.alike[l.treatment] {
		lot, made := c.a.Lots[of.lot].ID, c.past[of.lot]
		for k := made.since(since); k < len(made.past); k++ {
			past := &made.past[k]
			product, meets := p.meets(past, l, isA, isB, past.Start.After(c.a.Start))
			if !meets || !c.pairTooClose(p, past) {
				continue
			}
			if w.refuse(lot, of.count, c.pairFree(p, past)) {
				last, name, apart = past.End, product, c.apart(past)
			}
		}
	}
	asked := fmt.Sprintf("%d days apart", p.days)
	if p.sameDay {
		asked = "on separate days"
	}
	v.Numbers = []Number{{Name: "apart", Value: asked}}
	if !w.refused {
		return
	}
	together := v.Outcome != Pass
	v.Outcome = p.action
	message := fmt.Sprintf("%s: %s was treated with %s until %s, %d days apart; %s and %s must be %s",
		l.Product.DisplayName, w.text(), name, c.local(last), apart, p.a.text, p.b.text, asked)
	v.Numbers = append(v.Numbers, Number{Name: "days between", Value: fmt.Sprintf("%d d", apart)})
	if together {
		// Waiting does not part what is in one mix.
		v.Message += "; " + message
		return
	}
	v.Message = message
	c.waited(v, w.earliest)
}

// meets reports whether an application that was made holds the other of a pair in
// an order that matters, and in which product.
func (p *pair) meets(past *Past, l *line, isA, isB, later bool) (string, bool) {
	for i := range past.Products {
		product := &past.Products[i]
		held := product.parts()
		aLater := isA && p.b.matches(&held) && (!p.aThenB || later)
		bLater := isB && p.a.matches(&held) && (!p.aThenB || !later)
		if (aLater || bLater) && !l.same(product) {
			return product.DisplayName, true
		}
	}
	return "", false
}

func (p *PastProduct) parts() parts {
	held := parts{formulation: p.Formulation}
	for i := range p.Actives {
		held.actives = append(held.actives, p.Actives[i].ID)
		held.groups = append(held.groups, GroupOf(p.Actives[i].Group))
	}
	return held
}

func (c *check) pairTooClose(p *pair, past *Past) bool {
	if !p.sameDay {
		return c.tooClose(past, p.days)
	}
	day := func(moment time.Time) string { return moment.In(c.a.Zone).Format(time.DateOnly) }
	return day(past.Start) <= c.day && c.day <= day(past.End)
}

// pairFree returns when a pair is far enough apart.
func (c *check) pairFree(p *pair, past *Past) time.Time {
	if !p.sameDay {
		return c.daysAfter(past.End, p.days)
	}
	year, month, day := past.End.In(c.a.Zone).Date()
	return clock.Midnight(year, month, day+1, c.a.Zone)
}
