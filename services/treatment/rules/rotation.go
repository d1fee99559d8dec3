package rules

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"velamen/services/products"
)

// rotation holds the mix to the rules of resistance rotation, over what each
// treated lot was treated with wherever it stood. Each rule gives one verdict for
// each group: that of the lot that is worst off.
func (c *check) rotation() {
	c.roundBefore()
	proposed := c.proposedUses()
	if len(proposed) == 0 {
		return
	}
	counted := map[string]*worst{}
	var order []string
	lots := c.allAlike()
	for _, of := range lots {
		lot, past := c.a.Lots[of.lot].ID, c.past[of.lot].usesOf(c.a.Class)
		for _, use := range c.usesOn(of.lot, proposed) {
			tally(past, &use, func(t Tally) {
				key := t.Rule + " " + t.Group
				w, known := counted[key]
				if !known {
					w = &worst{Tally: t, use: use, lot: lot}
					counted[key] = w
					order = append(order, key)
				}
				w.count(t, use, lot, of.count, past)
			})
		}
	}
	for _, key := range order {
		c.add(c.rotationVerdict(counted[key], lots, proposed))
	}
}

// allAlike gathers all lots of the application that are alike.
func (c *check) allAlike() []alike {
	all := make([]int, len(c.a.Lots))
	for i := range all {
		all[i] = i
	}
	return c.together(all)
}

// worst is the tally of the lot that is worst off.
type worst struct {
	Tally
	use Use
	lot string
	// lots it is equally true of, by outcome.
	lots [Refuse + 1]int
	// earliest is when it would pass on all lots; never is true when waiting does
	// not help on one of them.
	earliest time.Time
	never    bool
}

func (w *worst) count(t Tally, use Use, lot string, count int, past []Use) {
	w.lots[t.Outcome] += count
	if t.Outcome > w.Outcome || (t.Outcome == w.Outcome && t.Used-t.Limit > w.Used-w.Limit && !atLeast(t.Rule)) ||
		(t.Outcome == w.Outcome && t.Used-t.Limit < w.Used-w.Limit && atLeast(t.Rule)) {
		w.Tally, w.use, w.lot = t, use, lot
	}
	if t.Outcome != Refuse || w.never {
		return
	}
	moment, ok := earliest(past, use, t.Rule, t.Group)
	if !ok {
		w.never, w.earliest = true, time.Time{}
	} else if moment.After(w.earliest) {
		w.earliest = moment
	}
}

// atLeast reports whether the limit of a rule is the least, not the most.
func atLeast(rule string) bool { return rule == RuleRotationRest || rule == RuleRotationReturn }

// proposedUses returns, by treatment, what resistance management counts; a
// treatment without products is left out.
func (c *check) proposedUses() map[int]Use {
	uses := map[int]Use{}
	for _, l := range c.lines {
		use, known := uses[l.treatment]
		if !known {
			use = Use{
				Time: c.a.Start, Disorder: c.a.Disorder, Class: c.a.Class,
				Groups: []string{}, Effective: []string{}, LabelMax: map[string]int{},
			}
		}
		for i := range l.actives {
			use.add(l.actives[i].FRACCode, slices.Contains(l.actives[i].WorksOn, c.a.Class))
		}
		l.addLabelMax(use.LabelMax)
		uses[l.treatment] = use
	}
	return uses
}

// addLabelMax adds the label's own number of applications one after another for
// the groups of a product that need rotation.
func (l *line) addLabelMax(labelMax map[string]int) {
	if l.listing != products.Listed || l.direction.MaxConsecutive <= 0 {
		return
	}
	most := int(l.direction.MaxConsecutive)
	for _, group := range l.parts.groups {
		if before, known := labelMax[group]; Capped(group) && (!known || most < before) {
			labelMax[group] = most
		}
	}
}

// usesOn returns the proposed uses on a lot: one, unless two treatments are given
// for its house.
func (c *check) usesOn(lot int, proposed map[int]Use) []Use {
	var uses []Use
	for i := range c.a.Treatments {
		if use, known := proposed[i]; known && slices.Contains(c.treatedLots[i], lot) {
			uses = append(uses, use)
		}
	}
	return uses
}

func (c *check) rotationVerdict(w *worst, lots []alike, proposed map[int]Use) Verdict {
	v := Verdict{
		Rule: w.Rule, Outcome: w.Outcome, Source: w.Source, Message: c.rotationMessage(w),
		Field: c.fieldOf(w.Group), Numbers: w.numbers(), Overridable: w.Rule != RuleLabelConsecutive,
	}
	if w.Outcome == Pass {
		return v
	}
	v.Earliest = w.earliest
	v.Alternatives = c.otherGroups(w.Group, lots, proposed)
	if w.Rule == RuleRotationPartner || w.Rule == RuleRotationAlone || w.Rule == RuleRotationSoloShare {
		v.Alternatives = append([]string{"add a partner of another group that works on a disorder of the class " + className(c.a.Class)}, v.Alternatives...)
	}
	if !v.Earliest.IsZero() {
		v.Alternatives = append(v.Alternatives, "wait until "+c.local(v.Earliest))
	}
	return v
}

// fieldOf returns the path of the first product that holds a group.
func (c *check) fieldOf(group string) string {
	for _, l := range c.lines {
		if slices.Contains(l.parts.groups, group) {
			return l.Field
		}
	}
	return ""
}

func (w *worst) numbers() []Number {
	number := func(name string, value int) Number { return Number{Name: name, Value: strconv.Itoa(value)} }
	switch w.Rule {
	case RuleRotationPartner:
		return []Number{{Name: "group", Value: w.Group}}
	case RuleRotationRest:
		return []Number{number("applications of other groups", w.Used), number("applications in the block", w.Limit)}
	case RuleRotationReturn:
		return []Number{number("different groups", w.Used), number("fewest", w.Limit)}
	}
	numbers := []Number{number("applications with the group", w.Used), number("most", w.Limit)}
	if w.Total > 0 {
		numbers = append(numbers, number("applications in all", w.Total))
	}
	return numbers
}

func (c *check) rotationMessage(w *worst) string {
	limits := rotation().limits(w.Group)
	group := "group " + w.Group
	if limits.Name != "" {
		group += " (" + limits.Name + ")"
	}
	lot := lotText(w.lot, w.lots[w.Outcome]-1)
	class := "a disorder of the class " + className(c.a.Class)
	_, days := Window()
	switch w.Rule {
	case RuleLabelConsecutive, RuleRotationConsecutive:
		return fmt.Sprintf("%s: this would be application %d one after another against %s on %s; at most %d", group, w.Used, class, lot, w.Limit)
	case RuleRotationAlone:
		return fmt.Sprintf("%s: %d of the applications one after another on %s would be without a partner; at most %d against %s", group, w.Used, lot, w.Limit, c.a.Disorder)
	case RuleRotationPartner:
		if w.Outcome == Pass {
			return fmt.Sprintf("%s: goes with a partner of another group", group)
		}
		return fmt.Sprintf("%s: must never be alone, and nothing else in the mix works on %s", group, class)
	case RuleRotationRest:
		return fmt.Sprintf("%s: %d applications of other groups follow its block of %d on %s; at least as many must", group, w.Used, w.Limit, lot)
	case RuleRotationReturn:
		return fmt.Sprintf("%s: returns on %s with %d different groups in the rotation, itself included; at least %d", group, lot, w.Used, w.Limit)
	case RuleRotationCount:
		return fmt.Sprintf("%s: %d of %d applications against %s on %s; at most %d", group, w.Used, w.Total, c.a.Disorder, lot, w.Limit)
	case RuleRotationSoloShare:
		return fmt.Sprintf("%s: without a partner in %d of the last %d applications (%d days) against %s on %s; at most %s, that is %d",
			group, w.Used, w.Total, days, class, lot, limits.SoloShare, w.Limit)
	case RuleRotationMost:
		return fmt.Sprintf("%s: application %d against %s in %d days on %s; at most %d", group, w.Used, class, limits.MostDays, lot, w.Limit)
	default:
		return fmt.Sprintf("%s: in %d of the last %d applications (%d days) against %s on %s; at most %s, that is %d",
			group, w.Used, w.Total, days, class, lot, limits.Share, w.Limit)
	}
}

// otherGroups returns the candidates of the step that would pass instead of a
// group.
func (c *check) otherGroups(group string, lots []alike, proposed map[int]Use) []string {
	var others []string
	for _, id := range c.a.Candidates {
		active, known := products.ActiveIngredientByID(id)
		if !known || !slices.Contains(active.WorksOn, c.a.Class) {
			continue
		}
		other := GroupOf(active.FRACCode)
		if other != group && !c.usedRoundBefore(other) && c.passesInstead(other, lots, proposed) {
			others = append(others, fmt.Sprintf("%s (group %s)", active.DisplayName, other))
		}
	}
	return others
}

// passesInstead reports whether a group would break no rotation rule on any lot.
func (c *check) passesInstead(group string, lots []alike, proposed map[int]Use) bool {
	for _, of := range lots {
		if len(c.usesOn(of.lot, proposed)) == 0 {
			continue
		}
		use := Use{Time: c.a.Start, Disorder: c.a.Disorder, Class: c.a.Class, Groups: []string{group}, Effective: []string{group}}
		broken := false
		tally(c.past[of.lot].usesOf(c.a.Class), &use, func(t Tally) { broken = broken || t.Outcome == Refuse })
		if broken {
			return false
		}
	}
	return true
}

func (c *check) usedRoundBefore(group string) bool {
	return Capped(group) && slices.ContainsFunc(c.a.RoundBefore, func(code string) bool { return GroupOf(code) == group })
}

// roundBefore refuses a group at risk that the same step used in the round before.
func (c *check) roundBefore() {
	if len(c.a.RoundBefore) == 0 {
		return
	}
	used := []Number{{Name: "groups of the round before", Value: strings.Join(c.a.RoundBefore, ", ")}}
	for _, l := range c.lines {
		outcome, repeated := Pass, ""
		for _, active := range l.actives {
			if group := GroupOf(active.FRACCode); c.usedRoundBefore(group) {
				outcome, repeated = Refuse, fmt.Sprintf("%s is in resistance group %s, which the round before used and which failed", active.DisplayName, group)
				break
			}
		}
		v := l.about(RuleRotationRoundBefore, outcome, "%s holds no group at risk of the round before", l.Product.DisplayName)
		if outcome == Refuse {
			v.Message = repeated
			v.Alternatives = c.openCandidates()
		}
		v.Source = rotation().roundBeforeSource
		v.Numbers = used
		c.add(v)
	}
}

// openCandidates returns the candidates of the step that the round before leaves
// open.
func (c *check) openCandidates() []string {
	var open []string
	for _, id := range c.a.Candidates {
		active, known := products.ActiveIngredientByID(id)
		if known && !c.usedRoundBefore(GroupOf(active.FRACCode)) {
			open = append(open, fmt.Sprintf("%s (group %s)", active.DisplayName, GroupOf(active.FRACCode)))
		}
	}
	return open
}
