package rotation

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"

	"velamen/services/treatment/rules"
)

// pairCounter keeps applications apart: after one of a letter, none of another for
// so many slots. What was done before the plan blocks the first slots of a letter.
type pairCounter struct {
	// slots by earlier and later letter; 0 and 1 for nothing to keep apart.
	slots [][]int
	// blocked is, by letter, in how many of the first slots it may not be.
	blocked []int
	counted []bool
}

func (c *pairCounter) letters() []bool { return c.counted }

func (c *pairCounter) bounded() bool { return slices.Contains(c.counted, true) }

func (c *pairCounter) after(slot int, past string, letter int) (string, bool) {
	if slot < c.blocked[letter] {
		return "", false
	}
	entries := read(past)
	for _, e := range entries {
		if slot-e.moment < c.slots[e.letter][letter] {
			return "", false
		}
	}
	// Of each letter only the last one matters.
	entries = slices.DeleteFunc(entries, func(e entry) bool {
		return e.letter == letter || slot+1-e.moment >= slices.Max(c.slots[e.letter])
	})
	if slices.Max(c.slots[letter]) > 1 {
		entries = append(entries, entry{moment: slot, letter: letter})
	}
	slices.SortFunc(entries, func(a, b entry) int { return cmp.Compare(a.letter, b.letter) })
	return write(entries), true
}

// interval is what one rule asks for between the candidates: by rule, and for the
// rules of a label by product.
type interval struct {
	rule, product string
	source        string
	// asked is the time to keep, as the engine says it.
	asked string
	// slots by earlier and later candidate.
	slots [][]int
	// blocked is, by candidate, in how many of the first slots the past forbids it.
	blocked []int
}

// intervalKey tells the intervals apart.
type intervalKey struct{ rule, product string }

// intervals asks the engine about every two candidates: how many slots after the
// one the other passes. What it refuses of a candidate with nothing before it is
// not asked about here.
func (q question) intervals(ctx context.Context) (map[intervalKey]*interval, error) {
	index, err := rules.Index(q.history)
	if err != nil {
		return nil, err
	}
	all := map[intervalKey]*interval{}
	note := func(verdict rules.Verdict) *interval {
		key := intervalKey{rule: verdict.Rule}
		if verdict.Rule == rules.RuleLabelMinInterval {
			key.product = verdict.Product
		}
		if all[key] == nil {
			all[key] = &interval{
				rule: key.rule, product: key.product, source: verdict.Source, asked: numberOf(verdict, askedNames),
				slots: square(len(q.candidates)), blocked: make([]int, len(q.candidates)),
			}
		}
		return all[key]
	}
	for later := range q.candidates {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		err := q.amongThese(allOf(len(q.candidates)), later, func(earlier int, verdict rules.Verdict, slots int) {
			note(verdict).slots[earlier][later] = slots
		})
		if err != nil {
			return nil, err
		}
		err = q.beforehand(later, index, func(verdict rules.Verdict, slot int) {
			note(verdict).blocked[later] = slot + 1
		})
		if err != nil {
			return nil, err
		}
	}
	return all, nil
}

func square(n int) [][]int {
	rows := make([][]int, n)
	for i := range rows {
		rows[i] = make([]int, n)
	}
	return rows
}

// askedNames are what the engine calls the time to keep between applications.
var askedNames = []string{"shortest interval", "days apart at least"}

// numberOf returns the first number of a verdict that has one of some names.
func numberOf(verdict rules.Verdict, names []string) string {
	for _, number := range verdict.Numbers {
		if slices.Contains(names, number.Name) {
			return number.Value
		}
	}
	return ""
}

// keepsApart reports whether a refusal is of a rule on the time between two
// applications; the rules on numbers and amounts are counted elsewhere.
func keepsApart(verdict rules.Verdict) bool {
	return verdict.Outcome == rules.Refuse && !slices.Contains(countRules, verdict.Rule)
}

// amongThese visits what keeps a candidate from each of some others. Each application
// made is looked at by itself, so where the engine refuses nothing next to all of them
// none need be asked about alone; where it does, each half of them is asked about.
func (q question) amongThese(earlier []int, later int, visit func(int, rules.Verdict, int)) error {
	last := q.calendar.slots() - 1
	if last < 1 {
		return nil
	}
	if len(earlier) == 1 {
		return q.between(earlier[0], later, func(verdict rules.Verdict, slots int) { visit(earlier[0], verdict, slots) })
	}
	var made []rules.Past
	for _, one := range earlier {
		made = append(made, q.candidates[one].made(q.calendar.moment(last-1)))
	}
	verdicts, err := rules.IntervalVerdicts(q.candidates[later].at(q.calendar.moment(last)), q.everywhere(made))
	if err != nil || !slices.ContainsFunc(verdicts, keepsApart) {
		return err
	}
	half := len(earlier) / 2
	if err := q.amongThese(earlier[:half], later, visit); err != nil {
		return err
	}
	return q.amongThese(earlier[half:], later, visit)
}

// between visits what keeps a candidate from so many slots less one after another.
func (q question) between(earlier, later int, visit func(rules.Verdict, int)) error {
	last := q.calendar.slots() - 1
	application := q.candidates[later].at(q.calendar.moment(last))
	for apart := 1; apart <= last; apart++ {
		made := q.candidates[earlier].made(q.calendar.moment(last - apart))
		verdicts, err := rules.IntervalVerdicts(application, q.everywhere([]rules.Past{made}))
		if err != nil {
			return err
		}
		refused := false
		for _, verdict := range verdicts {
			if keepsApart(verdict) {
				refused = true
				visit(verdict, apart+1)
			}
		}
		if !refused {
			return nil
		}
	}
	return nil
}

// beforehand visits what keeps a candidate from a slot because of what was done
// before the plan.
func (q question) beforehand(later int, index *rules.Indexed, visit func(rules.Verdict, int)) error {
	for slot := range q.calendar.slots() {
		application := q.candidates[later].at(q.calendar.moment(slot))
		application.Lots = q.realLots
		verdicts, err := index.IntervalVerdicts(application)
		if err != nil {
			return err
		}
		refused := false
		for _, verdict := range verdicts {
			if keepsApart(verdict) {
				refused = true
				visit(verdict, slot)
			}
		}
		if !refused {
			return nil
		}
	}
	return nil
}

// everywhere is a history that is the same for all lots that are asked about.
func (q question) everywhere(past []rules.Past) rules.History {
	history := rules.History{}
	for _, lot := range q.askedLots {
		history[lot.ID] = past
	}
	return history
}

// intervalLimits returns the limits on the time between applications.
func (q question) intervalLimits(ctx context.Context) ([]limit, error) {
	all, err := q.intervals(ctx)
	if err != nil {
		return nil, err
	}
	keys := slices.SortedFunc(maps.Keys(all), func(a, b intervalKey) int {
		return cmp.Or(strings.Compare(a.rule, b.rule), strings.Compare(a.product, b.product))
	})
	var found []limit
	for _, key := range keys {
		found = append(found, q.intervalLimit(all[key]))
	}
	return found, nil
}

// intervalLimit makes the limit of an interval. Candidates that it does not tell
// apart have the same letter.
func (q question) intervalLimit(of *interval) limit {
	counter := &pairCounter{}
	letter := make([]int, len(q.candidates))
	letters := map[string]int{}
	var stand []int
	add := func(text string, candidate int) int {
		at, known := letters[text]
		if !known {
			at = len(stand)
			letters[text] = at
			stand = append(stand, candidate)
			counter.counted = append(counter.counted, candidate >= 0 && of.product == q.candidates[candidate].product.ID)
		}
		return at
	}
	// Letter 0 is a candidate that it has nothing to do with.
	add(of.sign(-1, len(q.candidates)), -1)
	for i := range q.candidates {
		text := of.sign(i, len(q.candidates))
		if of.product == q.candidates[i].product.ID {
			text = "itself"
		}
		letter[i] = add(text, i)
	}
	counter.slots = square(len(stand))
	counter.blocked = make([]int, len(stand))
	for i, a := range stand {
		if a < 0 {
			continue
		}
		counter.blocked[i] = of.blocked[a]
		for j, b := range stand {
			if b >= 0 {
				counter.slots[i][j] = of.slots[a][b]
			}
		}
	}
	report := Limit{Rule: of.rule, Message: q.describe(of), Source: of.source}
	return newLimit(report, newMachine(counter, q.calendar.slots()), letter, []string{""})
}

// sign writes how an interval treats a candidate; that of none is of one that it
// has nothing to do with.
func (of *interval) sign(candidate, candidates int) string {
	row, column, blocked := make([]int, candidates), make([]int, candidates), 0
	if candidate >= 0 {
		blocked = of.blocked[candidate]
		for other := range candidates {
			row[other], column[other] = of.slots[candidate][other], of.slots[other][candidate]
		}
	}
	return fmt.Sprint(row, column, blocked)
}

// describe says in a sentence what an interval asks for.
func (q question) describe(of *interval) string {
	if of.product != "" {
		return fmt.Sprintf("label of %s: at least %s between applications of it or of its active ingredients", q.nameOf(of.product), of.asked)
	}
	var earlier, later []string
	for a := range q.candidates {
		for b := range q.candidates {
			if of.slots[a][b] > 0 {
				earlier = appendOnce(earlier, q.candidates[a].product.DisplayName)
				later = appendOnce(later, q.candidates[b].product.DisplayName)
			}
		}
		if of.blocked[a] > 0 {
			earlier = appendOnce(earlier, "what the lots were treated with")
			later = appendOnce(later, q.candidates[a].product.DisplayName)
		}
	}
	return fmt.Sprintf("%s before %s: at least %s apart", strings.Join(earlier, ", "), strings.Join(later, ", "), of.asked)
}

func appendOnce(names []string, name string) []string {
	if slices.Contains(names, name) {
		return names
	}
	return append(names, name)
}

func (q question) nameOf(product string) string {
	at := slices.IndexFunc(q.candidates, func(c candidate) bool { return c.product.ID == product })
	if at < 0 {
		return product
	}
	return q.candidates[at].product.DisplayName
}
