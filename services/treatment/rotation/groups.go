package rotation

import (
	"cmp"
	"encoding/binary"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"velamen/services/treatment/rules"
)

// calendar are the moments of all applications that a plan looks at: those that
// were made, and those of the slots.
type calendar struct {
	moments []time.Time
	// slot of each slot's moment.
	slot []int
}

// newCalendar sorts the moments of the slots and of what was done before.
func newCalendar(slots []time.Time, before []time.Time) *calendar {
	c := &calendar{moments: slices.Concat(before, slots)}
	slices.SortFunc(c.moments, time.Time.Compare)
	c.moments = slices.CompactFunc(c.moments, time.Time.Equal)
	for _, moment := range slots {
		c.slot = append(c.slot, c.index(moment))
	}
	return c
}

func (c *calendar) index(moment time.Time) int {
	at, _ := slices.BinarySearchFunc(c.moments, moment, time.Time.Compare)
	return at
}

// slots is how many slots there are.
func (c *calendar) slots() int { return len(c.slot) }

// last is the moment of the last slot.
func (c *calendar) last() time.Time { return c.moments[c.slot[len(c.slot)-1]] }

// entry is an application of the past as a counter keeps it.
type entry struct {
	// moment is an index of the calendar.
	moment int
	letter int
}

// write and read turn entries into a text and back.
func write(entries []entry) string {
	text := make([]byte, 0, 4*len(entries))
	for _, e := range entries {
		text = binary.BigEndian.AppendUint16(text, uint16(e.moment))
		text = binary.BigEndian.AppendUint16(text, uint16(e.letter))
	}
	return string(text)
}

func read(text string) []entry {
	entries := make([]entry, 0, len(text)/4+1)
	for i := 0; i < len(text); i += 4 {
		entries = append(entries, entry{
			moment: int(text[i])<<8 | int(text[i+1]),
			letter: int(text[i+2])<<8 | int(text[i+3]),
		})
	}
	return entries
}

// trim leaves out of a past what can no longer matter to an application in a slot.
type trim func(c *groupCounter, entries []entry, slot int) []entry

// groupCounter is one rotation rule for one resistance group, counted by the rules
// engine. It hands the engine only what of the past that rule looks at.
type groupCounter struct {
	calendar *calendar
	rule     string
	group    string
	// uses stand for the letters; the first lacks the group. counted says which of
	// them the rule counts: one for a group alone does not count a mixture.
	uses    []rules.Use
	counted []bool
	// trim leaves out what can no longer matter to the application in a slot. It may
	// change the entries that it is given.
	trim trim
	// window is true for a rule of the form "at most so many in every window".
	window bool
	// past holds what the engine is asked about, used anew for every question.
	past []rules.Use
}

func (c *groupCounter) letters() []bool { return c.counted }

func (c *groupCounter) bounded() bool { return c.window }

func (c *groupCounter) after(slot int, past string, letter int) (string, bool) {
	entries := read(past)
	if letter != 0 && c.breaks(slot, entries, letter) {
		return "", false
	}
	entries = append(entries, entry{moment: c.calendar.slot[slot], letter: letter})
	return write(c.trim(c, entries, slot+1)), true
}

// breaks asks the rules engine.
func (c *groupCounter) breaks(slot int, entries []entry, letter int) bool {
	use := c.uses[letter]
	if !slices.Contains(use.Groups, c.group) {
		return false
	}
	past := c.past[:0]
	for _, e := range entries {
		before := c.uses[e.letter]
		before.Time = c.calendar.moments[e.moment]
		past = append(past, before)
	}
	c.past = past
	use.Time = c.calendar.moment(slot)
	return rules.Breaks(past, use, c.rule, c.group)
}

// start returns the past before the first slot of a lot with a history.
func (c *groupCounter) start(history []entry) string { return write(c.trim(c, history, 0)) }

// has reports whether a letter has the group.
func (c *groupCounter) has(letter int) bool {
	return slices.Contains(c.uses[letter].Groups, c.group)
}

// within drops what is older than some days when the slot comes.
func (c *groupCounter) within(entries []entry, slot, days int) []entry {
	if slot >= c.calendar.slots() {
		return nil
	}
	since := c.calendar.moments[c.calendar.slot[slot]].Add(-time.Duration(days) * 24 * time.Hour)
	first := slices.IndexFunc(entries, func(e entry) bool { return c.calendar.moments[e.moment].After(since) })
	if first < 0 {
		return nil
	}
	return entries[first:]
}

// trimRun keeps the applications of the group that were made one after another up
// to now.
func trimRun(c *groupCounter, entries []entry, slot int) []entry {
	_, days := rules.Window()
	entries = c.within(entries, slot, days)
	start := len(entries)
	for start > 0 && c.has(entries[start-1].letter) {
		start--
	}
	return entries[start:]
}

// trimWindow keeps the window of a share.
func trimWindow(c *groupCounter, entries []entry, slot int) []entry {
	applications, days := rules.Window()
	entries = c.within(entries, slot, days)
	return entries[max(0, len(entries)-applications+1):]
}

// trimSolo keeps the window of the share alone, in which mixtures do not count.
func trimSolo(c *groupCounter, entries []entry, slot int) []entry {
	return trimWindow(c, slices.DeleteFunc(entries, func(e entry) bool { return c.has(e.letter) && !c.counted[e.letter] }), slot)
}

// trimMost keeps the applications of the group in the days of its limit. Those that
// will still be in it in the last slot are all as good as the last one.
func trimMost(c *groupCounter, entries []entry, slot int) []entry {
	days := rules.LimitsOf(c.group).MostDays
	entries = slices.DeleteFunc(entries, func(e entry) bool { return !c.has(e.letter) })
	return c.calendar.settle(c.within(entries, slot, days), slot, days)
}

// settle moves entries that stay in a window of so many days up to the last slot to
// the latest moment before the slot, so that pasts that differ in nothing else are
// equal.
func (c *calendar) settle(entries []entry, slot, days int) []entry {
	if slot >= c.slots() || c.slot[slot] == 0 {
		return entries
	}
	for i, e := range entries {
		if c.moments[e.moment].Add(time.Duration(days) * 24 * time.Hour).After(c.last()) {
			entries[i].moment = c.slot[slot] - 1
		}
	}
	slices.SortFunc(entries, func(a, b entry) int {
		return cmp.Or(cmp.Compare(a.moment, b.moment), cmp.Compare(a.letter, b.letter))
	})
	return entries
}

// trimReturn keeps the last application of the group before those that it is in now,
// and what came between.
func trimReturn(c *groupCounter, entries []entry, slot int) []entry {
	_, days := rules.Window()
	entries = c.within(entries, slot, days)
	start := len(entries)
	for start > 0 && c.has(entries[start-1].letter) {
		start--
	}
	for start > 0 && !c.has(entries[start-1].letter) {
		start--
	}
	if start == 0 {
		// What came before the group was ever used says nothing.
		if first := slices.IndexFunc(entries, func(e entry) bool { return c.has(e.letter) }); first > 0 {
			return entries[first:]
		} else if first < 0 {
			return nil
		}
		return entries
	}
	return entries[start-1:]
}

// trimRest keeps the blocks of the group that have not had their rest, and what came
// since.
func trimRest(c *groupCounter, entries []entry, slot int) []entry {
	_, days := rules.Window()
	entries = c.within(entries, slot, days)
	drop := make([]bool, len(entries))
	others, first := 0, len(entries)
	for end := len(entries); end > 0; {
		if !c.has(entries[end-1].letter) {
			others++
			end--
			continue
		}
		start := end
		for start > 0 && c.has(entries[start-1].letter) {
			start--
		}
		if others >= end-start {
			for i := start; i < end; i++ {
				drop[i] = true
			}
		} else {
			first = start
		}
		end = start
	}
	var kept []entry
	for i := first; i < len(entries); i++ {
		if !drop[i] {
			kept = append(kept, entries[i])
		}
	}
	return kept
}

// groupRule is a rotation rule as the planner counts it.
type groupRule struct {
	rule    string
	kind    kind
	trim    trim
	window  bool
	message string
	source  string
}

// rulesOf returns the rotation rules that bear on a group. The numbers in the
// sentences are those of the rules engine.
func (q question) rulesOf(limits rules.Limits) []groupRule {
	var found []groupRule
	add := func(rule string, trim trim, window bool, format string, arguments ...any) {
		found = append(found, groupRule{
			rule: rule, kind: q.byRule(rule, limits.Group), trim: trim, window: window,
			message: groupName(limits) + ": " + fmt.Sprintf(format, arguments...), source: limits.Source,
		})
	}
	if limits.MaxConsecutive > 0 {
		text := "at most %d one after another"
		if limits.LabelBlock > limits.MaxConsecutive {
			text += fmt.Sprintf(", %d where the label allows it", limits.LabelBlock)
		}
		add(rules.RuleRotationConsecutive, trimRun, true, text, limits.MaxConsecutive)
	}
	if limits.MaxAlone > 0 && slices.Contains(limits.AloneDisorders, q.disorder) {
		add(rules.RuleRotationAlone, trimRun, true, "at most %d one after another without a partner", limits.MaxAlone)
	}
	if limits.Most > 0 {
		add(rules.RuleRotationMost, trimMost, true, "at most %d in %d days", limits.Most, limits.MostDays)
	}
	found = append(found, q.windowRules(limits)...)
	found = append(found, q.blockRules(limits)...)
	return append(found, q.labelRules(limits)...)
}

// windowRules are the shares and tables of a group.
func (q question) windowRules(limits rules.Limits) []groupRule {
	applications, days := rules.Window()
	window := fmt.Sprintf("of the last %d applications in %d days", applications, days)
	rule := func(rule string, trim trim, text string) groupRule {
		return groupRule{
			rule: rule, kind: q.byRule(rule, limits.Group), trim: trim, window: true,
			message: fmt.Sprintf("%s: %s %s", groupName(limits), text, window), source: limits.Source,
		}
	}
	var found []groupRule
	if table, own := tableFor(limits, q.disorder); own {
		found = append(found, rule(rules.RuleRotationCount, trimWindow, describeTable(table)))
	} else if !limits.Share.IsZero() {
		found = append(found, rule(rules.RuleRotationShare, trimWindow, "at most "+limits.Share.String()))
	}
	if !limits.SoloShare.IsZero() {
		found = append(found, rule(rules.RuleRotationSoloShare, trimSolo, "without a partner at most "+limits.SoloShare.String()))
	}
	return found
}

// blockRules are those on what lies between two blocks of a group. The number of
// groups before one returns stands in what the engine counts, so it is asked about
// a group that returns at once.
func (q question) blockRules(limits rules.Limits) []groupRule {
	var found []groupRule
	moment := q.calendar.moments[0]
	use := rules.Use{Time: moment.Add(2), Disorder: q.disorder, Class: q.class, Groups: []string{limits.Group}}
	first, between := use, use
	first.Time, between.Time, between.Groups = moment, moment.Add(1), []string{}
	for _, tally := range rules.NewSequence(first, between).Tallies(use) {
		if tally.Rule == rules.RuleRotationReturn && tally.Group == limits.Group && tally.Outcome == rules.Refuse {
			found = append(found, groupRule{
				rule: tally.Rule, kind: byGroups(limits.Group), trim: trimReturn,
				message: fmt.Sprintf("%s: returns only in a row of %d different groups", groupName(limits), tally.Limit),
				source:  tally.Source,
			})
		}
	}
	if limits.Rest {
		found = append(found, groupRule{
			rule: rules.RuleRotationRest, kind: byGroup(limits.Group), trim: trimRest,
			message: groupName(limits) + ": after a block at least as many applications without it as the block had",
			source:  limits.Source,
		})
	}
	return found
}

// labelRules are the numbers of their own that labels give for a group.
func (q question) labelRules(limits rules.Limits) []groupRule {
	names := map[int][]string{}
	for _, one := range q.candidates {
		if most := one.use.LabelMax[limits.Group]; most > 0 {
			names[most] = append(names[most], one.product.DisplayName)
		}
	}
	var found []groupRule
	for _, most := range slices.Sorted(maps.Keys(names)) {
		found = append(found, groupRule{
			rule: rules.RuleLabelConsecutive, kind: byLabel(limits.Group, most), trim: trimRun, window: true,
			message: fmt.Sprintf("label of %s: %s at most %d one after another", strings.Join(names[most], ", "), groupName(limits), most),
			source:  labelSource,
		})
	}
	return found
}

// labelSource is where the limits of a label come from.
const labelSource = "the product's label"

// tableFor returns the table of a group for a disorder.
func tableFor(limits rules.Limits, disorder string) (rules.CountTable, bool) {
	at := slices.IndexFunc(limits.Tables, func(t rules.CountTable) bool { return t.Disorder == disorder })
	if at < 0 {
		return rules.CountTable{}, false
	}
	return limits.Tables[at], true
}

// groupName names a group as people do.
func groupName(limits rules.Limits) string {
	if limits.Name == "" {
		return "group " + limits.Group
	}
	return fmt.Sprintf("group %s (%s)", limits.Group, limits.Name)
}

// describeTable writes a table as one phrase.
func describeTable(table rules.CountTable) string {
	parts := make([]string, len(table.Rows))
	for i, row := range table.Rows {
		parts[i] = fmt.Sprintf("at most %d of up to %d", row.Most, row.UpTo)
		if i == len(table.Rows)-1 {
			parts[i] = fmt.Sprintf("at most %d of more", row.Most)
		}
	}
	return strings.Join(parts, ", ")
}

// kind tells uses apart as a rule does: equal texts are the same to it, and an
// empty one is a use that it does not look at. Counted are those that it may refuse.
type kind func(rules.Use) (text string, counted bool)

// byRule asks the rules engine whether a rule looks at a use of a group: of a
// mixture a rule for the group alone says nothing, and the other way round.
func (q question) byRule(rule, group string) kind {
	return func(use rules.Use) (string, bool) {
		if !slices.Contains(use.Groups, group) {
			return "", false
		}
		use.Disorder = q.disorder
		counted := slices.ContainsFunc(rules.NewSequence().Tallies(use), func(t rules.Tally) bool {
			return t.Rule == rule && t.Group == group
		})
		return fmt.Sprintf("%t, label %d", counted, use.LabelMax[group]), counted
	}
}

// byLabel counts the uses of a group whose label has a number of its own.
func byLabel(group string, most int) kind {
	return func(use rules.Use) (string, bool) {
		if !slices.Contains(use.Groups, group) {
			return "", false
		}
		return fmt.Sprint(use.LabelMax[group] == most), use.LabelMax[group] == most
	}
}

// byGroup counts every use of a group alike.
func byGroup(group string) kind {
	return func(use rules.Use) (string, bool) {
		if !slices.Contains(use.Groups, group) {
			return "", false
		}
		return "counted", true
	}
}

// byGroups tells uses without a group apart by the groups that they have.
func byGroups(group string) kind {
	return func(use rules.Use) (string, bool) {
		if slices.Contains(use.Groups, group) {
			return "counted", true
		}
		return strings.Join(slices.Sorted(slices.Values(use.Groups)), "+"), false
	}
}

// groupLimit makes the limit of a rule for a group.
func (q question) groupLimit(group string, rule groupRule) limit {
	counter := &groupCounter{
		calendar: q.calendar, rule: rule.rule, group: group, trim: rule.trim, window: rule.window,
		uses:    []rules.Use{{Disorder: q.disorder, Class: q.class, Groups: []string{}, Effective: []string{}}},
		counted: []bool{false},
	}
	letters := map[string]int{"": 0}
	letterOf := func(use rules.Use) int {
		text, counted := rule.kind(use)
		letter, known := letters[text]
		if !known {
			letter = len(counter.uses)
			letters[text] = letter
			counter.uses = append(counter.uses, use)
			counter.counted = append(counter.counted, counted)
		}
		return letter
	}
	letter := make([]int, len(q.candidates))
	for product, one := range q.candidates {
		letter[product] = letterOf(one.use)
	}
	pasts := make([]string, len(q.lots))
	for i, uses := range q.lots {
		var entries []entry
		for _, use := range uses {
			if rule.rule == rules.RuleRotationCount && use.Disorder != q.disorder {
				continue
			}
			entries = append(entries, entry{moment: q.calendar.index(use.Time), letter: letterOf(use)})
		}
		pasts[i] = counter.start(entries)
	}
	report := Limit{Rule: rule.rule, Message: rule.message, Source: rule.source}
	return newLimit(report, newMachine(counter, q.calendar.slots()), letter, pasts)
}

// groupLimits returns the limits of resistance management that bear on the
// candidates: every rotation rule of every group that they hold.
func (q question) groupLimits() []limit {
	var found []limit
	for _, group := range q.groups() {
		limits := rules.LimitsOf(group)
		if !limits.Capped {
			continue
		}
		for _, rule := range q.rulesOf(limits) {
			found = append(found, q.groupLimit(group, rule))
		}
		found = append(found, q.seasonLimits(limits)...)
	}
	return found
}

// groups are the resistance groups of the candidates, sorted.
func (q question) groups() []string {
	var all []string
	for _, one := range q.candidates {
		all = append(all, one.use.Groups...)
	}
	slices.Sort(all)
	return slices.Compact(all)
}
