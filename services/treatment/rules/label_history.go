package rules

import (
	"fmt"
	"math/big"
	"slices"
	"strconv"
	"time"

	productsv1 "velamen/gen/velamen/products/v1"
	"velamen/internal/fault"
	"velamen/internal/quantity"
	"velamen/services/products"
)

// yearDays is the year of a label's yearly limits: 365 days up to the application,
// so that no choice of a first day of the year makes room.
const yearDays = 365

// labelHistory holds every product to what its label says about applications made
// before, over what each lot was treated with wherever it stood.
func (c *check) labelHistory() error {
	perArea, err := c.perArea()
	if err != nil {
		return err
	}
	for _, l := range c.lines {
		if l.listing != products.Listed {
			continue
		}
		c.minInterval(l)
		c.maxPerCycle(l)
		c.maxPerYear(l)
		for _, limit := range l.direction.ActiveLimits {
			if err := c.activePerYear(l, limit, perArea); err != nil {
				return err
			}
		}
	}
	return nil
}

// onLot is what a rule that looks at each lot found on the one that is worst off.
type onLot struct {
	lot     string
	refused bool
	// lots it refuses; last is the one of them that was counted last.
	lots     int
	last     string
	earliest time.Time
	never    bool
}

// refuse counts a lot, and those that are like it, that is refused until a moment,
// or for ever when it is zero. It reports whether it is the worst off so far.
func (w *onLot) refuse(lot string, count int, until time.Time) bool {
	if lot != w.last {
		w.lots += count
		w.last = lot
	}
	w.never = w.never || until.IsZero()
	worse := !w.refused || until.IsZero() || until.After(w.earliest)
	w.refused = true
	if worse {
		w.lot = lot
	}
	if until.After(w.earliest) {
		w.earliest = until
	}
	if w.never {
		w.earliest = time.Time{}
	}
	return worse
}

func (w *onLot) text() string { return lotText(w.lot, w.lots-1) }

// waited adds to a refusal when it would pass.
func (c *check) waited(v *Verdict, earliest time.Time) {
	if earliest.IsZero() {
		return
	}
	v.Earliest = earliest
	v.Alternatives = append(v.Alternatives, "wait until "+c.local(earliest))
}

// minInterval holds a product to its label's days between applications, of itself
// and of another product with the same active ingredient.
func (c *check) minInterval(l *line) {
	days := int(l.direction.MinIntervalDays)
	if days == 0 {
		return
	}
	var w onLot
	shortest, what, last, found := 0, "", time.Time{}, false
	since := c.daysAfter(c.a.Start, -days-1)
	for _, of := range c.alike[l.treatment] {
		lot, made := c.a.Lots[of.lot].ID, c.past[of.lot]
		for k := made.since(since); k < len(made.past); k++ {
			name, counts := l.countsAs(made.in(k))
			if !counts {
				continue
			}
			past := &made.past[k]
			apart := c.apart(past)
			if !c.tooClose(past, days) {
				if !w.refused && (!found || apart < shortest) {
					shortest, what, last, found = apart, name, past.End, true
				}
				continue
			}
			if w.refuse(lot, of.count, c.daysAfter(past.End, days)) {
				shortest, what, last = apart, name, past.End
			}
		}
	}
	numbers := []Number{{Name: "shortest interval", Value: fmt.Sprintf("%d d", days)}}
	if !w.refused {
		v := l.label(RuleLabelMinInterval, Pass, "no lot was treated with %s or its active ingredients in the %d days before", l.Product.DisplayName, days)
		if found {
			v.Message = fmt.Sprintf("the last application of %s ended %d days before, on %s; the label asks for %d", what, shortest, c.local(last), days)
			numbers = append(numbers, Number{Name: "days since the last application", Value: fmt.Sprintf("%d d", shortest)})
		}
		v.Numbers = numbers
		c.add(v)
		return
	}
	v := l.label(RuleLabelMinInterval, Refuse, "%s was treated with %s until %s, %d days apart; the label of %s asks for %d days between applications",
		w.text(), what, c.local(last), shortest, l.Product.DisplayName, days)
	v.Numbers = append(numbers, Number{Name: "days since the last application", Value: fmt.Sprintf("%d d", shortest)})
	c.waited(&v, w.earliest)
	c.add(v)
}

// countsAs reports whether an application counts for the label's interval, and
// what of it does.
func (l *line) countsAs(things []int32) (string, bool) {
	if l.heldBy(things) {
		return l.Product.DisplayName, true
	}
	if i := l.sharesActive(things); i >= 0 {
		return l.actives[i].DisplayName, true
	}
	return "", false
}

// maxPerCycle holds a product to its label's applications per crop cycle: all that
// the lot ever got, the crop being the lot.
func (c *check) maxPerCycle(l *line) {
	most := int(l.direction.MaxPerCropCycle)
	if most == 0 {
		return
	}
	var w onLot
	highest := 0
	for _, of := range c.alike[l.treatment] {
		lot, made, used := c.a.Lots[of.lot].ID, c.past[of.lot], 1
		for k := range made.past {
			if l.heldBy(made.in(k)) {
				used++
			}
		}
		if used > most {
			w.lots += of.count
		}
		if used > highest {
			highest, w.lot, w.refused = used, lot, used > most
		}
	}
	c.counted(l, RuleLabelMaxPerCycle, "in its crop cycle", highest, most, &w)
}

// maxPerYear holds a product to its label's applications per year.
func (c *check) maxPerYear(l *line) {
	most := int(l.direction.MaxPerYear)
	if most == 0 {
		return
	}
	var w onLot
	highest := 0
	var ends []time.Time
	since := c.daysAfter(c.a.Start, -yearDays)
	for _, of := range c.alike[l.treatment] {
		lot, made := c.a.Lots[of.lot].ID, c.past[of.lot]
		ends = ends[:0]
		for k := made.since(since); k < len(made.past); k++ {
			if l.heldBy(made.in(k)) {
				ends = append(ends, made.ends[k])
			}
		}
		if used := len(ends) + 1; used > most {
			w.refuse(lot, of.count, c.daysAfter(ends[len(ends)-most], yearDays))
			highest = max(highest, used)
		} else if used > highest && !w.refused {
			highest, w.lot = used, lot
		}
	}
	c.counted(l, RuleLabelMaxPerYear, fmt.Sprintf("in %d days", yearDays), highest, most, &w)
}

// counted reports a limit on the number of applications.
func (c *check) counted(l *line, rule, period string, used, most int, w *onLot) {
	if used == 0 {
		return // no lot is treated
	}
	name := l.Product.DisplayName
	v := l.label(rule, Pass, "application %d of %s %s at most on any lot; the label allows %d", used, name, period, most)
	if w.refused {
		v = l.label(rule, Refuse, "this would be application %d of %s %s on %s; the label allows %d", used, name, period, w.text(), most)
		v.Alternatives = []string{"another product that its label allows on these lots"}
		c.waited(&v, w.earliest)
	}
	v.Numbers = []Number{{Name: "applications", Value: strconv.Itoa(used)}, {Name: "most", Value: strconv.Itoa(most)}}
	c.add(v)
}

// dose is how much of an active ingredient goes on an area, g/m2.
type dose struct {
	active string
	// grams per m2; nil when the amount or the area is not known yet.
	perArea *big.Rat
}

// perArea returns, by treatment, the active ingredients that go on an area.
func (c *check) perArea() ([][]dose, error) {
	doses := make([][]dose, len(c.a.Treatments))
	for _, l := range c.lines {
		if len(l.direction.ActiveLimits) == 0 && !c.limited(l) {
			continue
		}
		for _, content := range l.Product.Contents {
			perArea, err := l.perArea(c.treatment(l), content)
			if err != nil {
				return nil, err
			}
			if c.a.Method == productsv1.Method_METHOD_BATH {
				perArea = nil // most of a bath is never put on an area
			}
			doses[l.treatment] = append(doses[l.treatment], dose{content.ActiveIngredient, perArea})
		}
	}
	return doses, nil
}

// limited reports whether another label of the application limits an active
// ingredient of a line.
func (c *check) limited(l *line) bool {
	return slices.ContainsFunc(c.lines, func(other *line) bool {
		return slices.ContainsFunc(other.direction.ActiveLimits, func(limit products.ActiveLimit) bool {
			return slices.Contains(l.parts.actives, limit.ActiveIngredient)
		})
	})
}

// perArea returns the g/m2 of an active ingredient, exactly: g of a product at
// g/kg, or mL at g/L, are thousandths of grams.
func (l *line) perArea(t *Treatment, content products.Content) (*big.Rat, error) {
	if l.Amount.IsZero() || t.Area.IsZero() {
		return nil, nil
	}
	unit := quantity.Millilitre
	if content.Amount.Unit == quantity.GramPerKilogram {
		unit = quantity.Gram
	}
	amount, err := l.Amount.Exact().In(unit)
	if err != nil {
		return nil, unitFault(l)
	}
	area, err := t.Area.Exact().In(quantity.SquareMetre)
	if err != nil || area.Sign() <= 0 {
		return nil, fault.Field(t.Field+".area", "%s is no area", t.Area)
	}
	grams := amount.Amount()
	grams.Mul(grams, content.Amount.Amount.Rat())
	grams.Quo(grams, big.NewRat(1000, 1))
	return grams.Quo(grams, area.Amount()), nil
}

// activePerYear holds an active ingredient to the most that a label allows of it
// on an area in a year, whatever product it came in.
func (c *check) activePerYear(l *line, limit products.ActiveLimit, doses [][]dose) error {
	allowed, err := limit.MostPerYear.Exact().In(quantity.GramPerM2)
	if err != nil {
		return fault.Field(l.Field, "the yearly limit on the label of %s: %s", l.Product.DisplayName, err).With("product", l.Product.ID)
	}
	most := allowed.Amount()
	since := c.daysAfter(c.a.Start, -yearDays)
	var w onLot
	var parts []dated
	worst, complete := new(big.Rat).SetInt64(-1), true
	active := c.history.find(activeKey, limit.ActiveIngredient)
	sum := new(big.Rat)
	for _, of := range c.alike[l.treatment] {
		lot, made := c.a.Lots[of.lot].ID, c.past[of.lot]
		now, known := c.doseOn(of.lot, limit.ActiveIngredient, doses)
		complete = complete && known
		sum.Set(now)
		parts = parts[:0]
		for k := made.since(since); k < len(made.past); k++ {
			if !slices.Contains(made.in(k), active) {
				continue
			}
			parts, known = made.past[k].addTo(sum, parts, limit.ActiveIngredient)
			complete = complete && known
		}
		if sum.Cmp(most) > 0 {
			w.refuse(lot, of.count, c.fits(sum, most, parts))
		} else if sum.Cmp(worst) > 0 && !w.refused {
			w.lot = lot
		}
		if sum.Cmp(worst) > 0 {
			worst.Set(sum)
		}
	}
	if worst.Sign() < 0 {
		return nil // no lot is treated
	}
	c.add(c.activeVerdict(l, limit, worst, complete, &w))
	return nil
}

func (c *check) activeVerdict(l *line, limit products.ActiveLimit, sum *big.Rat, complete bool, w *onLot) Verdict {
	active := limit.ActiveIngredient
	if known, ok := products.ActiveIngredientByID(active); ok {
		active = known.DisplayName
	}
	amount := inUnit(sum, limit.MostPerYear.Unit)
	v := l.label(RuleLabelActivePerYear, Pass, "%s of %s in %d days on any lot at most; the label of %s allows %s",
		amount, active, yearDays, l.Product.DisplayName, limit.MostPerYear)
	switch {
	case w.refused:
		v = l.label(RuleLabelActivePerYear, Refuse, "%s of %s in %d days on %s; the label of %s allows %s",
			amount, active, yearDays, w.text(), l.Product.DisplayName, limit.MostPerYear)
		v.Alternatives = []string{"less of it, or a product without " + active}
		c.waited(&v, w.earliest)
	case !complete:
		v.Outcome = Warn
		v.Message = fmt.Sprintf("%s of %s in %d days on lot %s without the applications whose amount or area is not known; the label of %s allows %s",
			amount, active, yearDays, w.lot, l.Product.DisplayName, limit.MostPerYear)
	}
	v.Numbers = []Number{{Name: "active ingredient in the year", Value: amount}, {Name: "most", Value: limit.MostPerYear.String()}}
	return v
}

// inUnit returns g/m2 in the unit of a label's limit, rounded for reading only.
func inUnit(gramsPerArea *big.Rat, unit quantity.Unit) string {
	amount, err := quantity.ExactOf(gramsPerArea, quantity.GramPerM2).In(unit)
	if err != nil {
		return quantity.ExactOf(gramsPerArea, quantity.GramPerM2).String()
	}
	return amount.String()
}

// doseOn returns the g/m2 of an active ingredient that the application puts on a
// lot; false when part of it is not known yet.
func (c *check) doseOn(lot int, active string, doses [][]dose) (*big.Rat, bool) {
	sum, known := new(big.Rat), true
	for i := range c.a.Treatments {
		if !slices.Contains(c.treatedLots[i], lot) {
			continue
		}
		for _, d := range doses[i] {
			switch {
			case d.active != active:
			case d.perArea == nil:
				known = false
			default:
				sum.Add(sum, d.perArea)
			}
		}
	}
	return sum, known
}

// addTo adds the g/m2 of an active ingredient in an application that was made to a
// sum and to its parts; false when the area of one of its products is not known.
func (p *Past) addTo(sum *big.Rat, parts []dated, active string) ([]dated, bool) {
	known := true
	for i := range p.Products {
		for j := range p.Products[i].Actives {
			past := &p.Products[i].Actives[j]
			switch {
			case past.ID != active:
			case past.PerArea == nil:
				known = false
			default:
				sum.Add(sum, past.PerArea)
				parts = append(parts, dated{p.End, past.PerArea})
			}
		}
	}
	return parts, known
}

// dated is an amount on the day from which it counts for a year.
type dated struct {
	end   time.Time
	grams *big.Rat
}

// fits returns when enough of what was applied is older than a year; zero when it
// never does.
func (c *check) fits(sum, most *big.Rat, parts []dated) time.Time {
	left := new(big.Rat).Set(sum)
	for _, part := range parts {
		left.Sub(left, part.grams)
		if left.Cmp(most) <= 0 {
			return c.daysAfter(part.end, yearDays)
		}
	}
	return time.Time{}
}
