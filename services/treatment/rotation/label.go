package rotation

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"velamen/services/products"
	"velamen/services/treatment/rules"
)

// countRules are the label rules on numbers and amounts over a period.
var countRules = []string{rules.RuleLabelMaxPerCycle, rules.RuleLabelMaxPerYear, rules.RuleLabelActivePerYear}

// yearDays is the period of a label's yearly limits, as the engine counts it.
const yearDays = 365

// labelCounter is one label rule on numbers or amounts for one product, counted by
// the rules engine.
type labelCounter struct {
	question *question
	rule     string
	// product is the candidate whose label it is.
	product int
	// made are the applications that letters stand for: nothing, the product itself,
	// other candidates that count, and those of the past.
	made []rules.Past
	// count says of each letter whether it is the product itself.
	count []bool
}

func (c *labelCounter) letters() []bool { return c.count }

func (c *labelCounter) bounded() bool { return true }

func (c *labelCounter) after(slot int, past string, letter int) (string, bool) {
	entries := read(past)
	if letter == itself && c.breaks(slot, entries) {
		return "", false
	}
	if letter != 0 {
		entries = append(entries, entry{moment: c.question.calendar.slot[slot], letter: letter})
	}
	return write(c.trim(entries, slot+1)), true
}

// itself is the letter of the product whose label it is.
const itself = 1

// breaks asks the rules engine.
func (c *labelCounter) breaks(slot int, entries []entry) bool {
	calendar := c.question.calendar
	past := make([]rules.Past, len(entries))
	for i, e := range entries {
		past[i] = c.made[e.letter]
		past[i].Start, past[i].End = calendar.moments[e.moment], calendar.moments[e.moment]
	}
	one := c.question.candidates[c.product]
	verdicts, err := rules.PeriodVerdicts(one.at(calendar.moment(slot)), c.question.everywhere(past))
	// The engine was asked about the same application before the search began, and
	// only the times differ.
	return err != nil || slices.ContainsFunc(verdicts, func(v rules.Verdict) bool {
		return v.Rule == c.rule && v.Product == one.product.ID && v.Outcome == rules.Refuse
	})
}

// trim leaves out what is older than a year, and moves together what differs in
// nothing that matters: in a crop cycle all that was ever done counts.
func (c *labelCounter) trim(entries []entry, slot int) []entry {
	calendar := c.question.calendar
	if slot >= calendar.slots() {
		return nil
	}
	if c.rule == rules.RuleLabelMaxPerCycle {
		for i := range entries {
			entries[i].moment = 0
		}
		slices.SortFunc(entries, func(a, b entry) int { return cmp.Compare(a.letter, b.letter) })
		return entries
	}
	since := calendar.moment(slot).In(c.question.zone).AddDate(0, 0, -yearDays)
	entries = slices.DeleteFunc(entries, func(e entry) bool { return !calendar.moments[e.moment].After(since) })
	// A day less than a year, since the clocks may change in between.
	return calendar.settle(entries, slot, yearDays-1)
}

// labelLimits returns the limits of labels on numbers and amounts.
func (q *question) labelLimits() []limit {
	var found []limit
	for product := range q.candidates {
		for _, rule := range countRules {
			if counts := q.candidates[product].counts(rule); counts != "" {
				found = append(found, q.labelLimit(product, rule, counts))
			}
		}
	}
	return found
}

// counts says what the label of a candidate asks for under a rule; empty when it
// has no such number.
func (c candidate) counts(rule string) string {
	var parts []string
	for _, treatment := range c.application.Treatments {
		direction, listing := c.product.DirectionFor(c.application.Use(treatment))
		if listing != products.Listed {
			continue
		}
		switch {
		case rule == rules.RuleLabelMaxPerCycle && direction.MaxPerCropCycle > 0:
			parts = appendOnce(parts, fmt.Sprintf("at most %d in a crop cycle", direction.MaxPerCropCycle))
		case rule == rules.RuleLabelMaxPerYear && direction.MaxPerYear > 0:
			parts = appendOnce(parts, fmt.Sprintf("at most %d in %d days", direction.MaxPerYear, yearDays))
		case rule == rules.RuleLabelActivePerYear:
			for _, limit := range direction.ActiveLimits {
				parts = appendOnce(parts, fmt.Sprintf("at most %s of %s in %d days", limit.MostPerYear, limit.ActiveIngredient, yearDays))
			}
		}
	}
	if len(parts) == 0 {
		return ""
	}
	return strings.Join(parts, "; ")
}

// labelLimit makes the limit of a label rule.
func (q *question) labelLimit(product int, rule, counts string) limit {
	counter := &labelCounter{
		question: q, rule: rule, product: product,
		made:  []rules.Past{{}, q.candidates[product].past},
		count: []bool{false, true},
	}
	add := func(past rules.Past) int {
		counter.made = append(counter.made, past)
		counter.count = append(counter.count, false)
		return len(counter.made) - 1
	}
	letter := make([]int, len(q.candidates))
	letter[product] = itself
	for other := range q.candidates {
		if other != product && q.countsFor(product, rule, q.candidates[other].past) {
			letter[other] = add(q.candidates[other].past)
		}
	}
	letters := map[string]int{}
	var pasts []string
	for _, lot := range q.realLots {
		var entries []entry
		for _, past := range q.history[lot.ID] {
			text := content(past)
			if _, known := letters[text]; !known {
				letters[text] = 0
				if q.countsFor(product, rule, past) {
					letters[text] = add(past)
				}
			}
			if letters[text] == 0 {
				continue
			}
			entries = append(entries, entry{moment: q.calendar.index(past.End), letter: letters[text]})
		}
		pasts = append(pasts, write(counter.trim(entries, 0)))
	}
	message := fmt.Sprintf("label of %s: %s", q.candidates[product].product.DisplayName, counts)
	report := Limit{Rule: rule, Message: message, Source: labelSource}
	return newLimit(report, q.labelMachine(counter, counts), letter, pasts)
}

// labelMachine returns a machine for a counter. Labels with the same number of
// applications, of products that nothing else counts for, are counted by the same
// one: it is asked about once, and such products may be twins. Amounts depend on the
// dose of each, so they are not.
func (q *question) labelMachine(counter *labelCounter, counts string) *machine {
	if counter.rule == rules.RuleLabelActivePerYear || len(counter.made) > itself+1 {
		return newMachine(counter, q.calendar.slots())
	}
	key := counter.rule + ": " + counts
	if q.labelMachines[key] == nil {
		q.labelMachines[key] = newMachine(counter, q.calendar.slots())
	}
	return q.labelMachines[key]
}

// countsFor reports whether an application counts for a rule of a candidate's label:
// whether the engine's numbers change with it.
func (q *question) countsFor(product int, rule string, past rules.Past) bool {
	application := q.candidates[product].at(q.calendar.moment(q.calendar.slots() - 1))
	past.Start, past.End = application.Start.Add(-1), application.Start.Add(-1)
	return q.numbers(application, rule, nil) != q.numbers(application, rule, q.everywhere([]rules.Past{past}))
}

// numbers writes what the engine counted for a rule.
func (q *question) numbers(application rules.Application, rule string, history rules.History) string {
	verdicts, err := rules.PeriodVerdicts(application, history)
	if err != nil {
		return err.Error()
	}
	var text strings.Builder
	for _, verdict := range verdicts {
		if verdict.Rule == rule {
			fmt.Fprintln(&text, verdict.Numbers)
		}
	}
	return text.String()
}

// content writes what an application held, for telling apart those that count
// differently.
func content(past rules.Past) string {
	var text strings.Builder
	for _, product := range past.Products {
		fmt.Fprintf(&text, "%q %q", product.ID, product.RegistrationNumber)
		for _, active := range product.Actives {
			fmt.Fprintf(&text, " %q %v", active.ID, active.PerArea)
		}
	}
	return text.String()
}

// daysCounter forbids a product on some days. Letter 1 is the product.
type daysCounter struct{ forbidden []bool }

func (c daysCounter) letters() []bool { return []bool{false, true} }

func (c daysCounter) bounded() bool { return true }

func (c daysCounter) after(slot int, _ string, letter int) (string, bool) {
	return "", letter == 0 || !c.forbidden[slot]
}

// moment returns the time of a slot.
func (c *calendar) moment(slot int) time.Time { return c.moments[c.slot[slot]] }
