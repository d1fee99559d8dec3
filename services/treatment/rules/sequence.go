package rules

import (
	"slices"
	"sort"
	"time"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
)

// Use is an application as resistance management counts it: by the groups of its
// active ingredients, never by product.
type Use struct {
	// Time of the application, UTC.
	Time time.Time
	// Disorder and Class are what it is against.
	Disorder string
	Class    diagnosisv1.DisorderClass
	// Groups are the FRAC codes in it as GroupOf writes them, each once. It counts
	// in every one of them.
	Groups []string
	// Effective are those of the groups that work on the class by themselves, so
	// that they are partners of the others; nil when all do.
	Effective []string
	// LabelMax is, by group, the label's own number of applications one after
	// another; nil where no label gives one.
	LabelMax map[string]int
}

func (u *Use) add(code string, works bool) {
	group := GroupOf(code)
	if !slices.Contains(u.Groups, group) {
		u.Groups = append(u.Groups, group)
	}
	if works && !slices.Contains(u.Effective, group) {
		u.Effective = append(u.Effective, group)
	}
}

func (u *Use) has(group string) bool { return slices.Contains(u.Groups, group) }

// alone reports whether nothing of another group in the use works on the class.
func (u *Use) alone(group string) bool {
	partners := u.Effective
	if partners == nil {
		partners = u.Groups
	}
	for _, partner := range partners {
		if partner != group {
			return false
		}
	}
	return true
}

// Sequence is what one lot was treated with, in order of time, by class of
// disorder. The zero value is a lot that was never treated. It is not safe for
// use by several goroutines at once.
type Sequence struct {
	classes map[diagnosisv1.DisorderClass][]Use
}

// NewSequence returns a sequence of uses.
func NewSequence(uses ...Use) *Sequence {
	s := &Sequence{}
	for _, use := range uses {
		s.add(use)
	}
	return s
}

// add adds a use at its place in time; adding in order of time is fastest.
func (s *Sequence) add(use Use) {
	if s.classes == nil {
		s.classes = map[diagnosisv1.DisorderClass][]Use{}
	}
	uses := s.classes[use.Class]
	s.classes[use.Class] = slices.Insert(uses, after(uses, use.Time), use)
}

// after returns the index of the first use later than a moment.
func after(uses []Use, moment time.Time) int {
	if n := len(uses); n == 0 || !uses[n-1].Time.After(moment) {
		return n
	}
	return sort.Search(len(uses), func(i int) bool { return uses[i].Time.After(moment) })
}

// Tally is what a rotation rule counted and what it allows.
type Tally struct {
	// Rule is its identifier, for example "rotation-share".
	Rule string
	// Group is the resistance group counted.
	Group   string
	Outcome Outcome
	// Used is what was counted, the use itself included; Limit what is allowed: the
	// most, or the least for rotation-rest and rotation-return.
	Used, Limit int
	// Total are the applications that it was counted among; 0 where that does not
	// matter.
	Total int
	// Source is where the limit comes from.
	Source string
}

// Tallies returns what every rotation rule that applies to a use counted, in the
// order of its groups.
func (s *Sequence) Tallies(use Use) []Tally {
	var tallies []Tally
	tally(s.classes[use.Class], &use, func(t Tally) { tallies = append(tallies, t) })
	return tallies
}

// earliest returns when a use would no longer break a rule for a group if nothing
// else were applied until then; false when waiting does not help.
func earliest(uses []Use, use Use, rule, group string) (time.Time, bool) {
	limits := rotation().limits(group)
	var moments []time.Time
	for _, past := range uses {
		for _, days := range []int{rotation().windowDays, limits.MostDays} {
			if moment := past.Time.Add(daysLong(days)); days > 0 && moment.After(use.Time) {
				moments = append(moments, moment)
			}
		}
	}
	slices.SortFunc(moments, time.Time.Compare)
	if use.Effective == nil {
		use.Effective = use.Groups
	}
	use.Groups = []string{group}
	for _, moment := range moments {
		use.Time = moment
		broken := false
		tally(uses, &use, func(t Tally) { broken = broken || (t.Rule == rule && t.Outcome != Pass) })
		if !broken {
			return moment, true
		}
	}
	return time.Time{}, false
}

// daysLong is a number of days of 24 h. Windows that are counted over months do
// not depend on the hour.
func daysLong(days int) time.Duration { return time.Duration(days) * 24 * time.Hour }

// tally counts every rule of every capped group of a use; uses are those of its
// class in order of time.
func tally(uses []Use, use *Use, visit func(Tally)) {
	set := rotation()
	now := after(uses, use.Time)
	first := min(now, after(uses, use.Time.Add(-daysLong(set.windowDays))))
	for _, group := range use.Groups {
		if !set.capped(group) {
			continue
		}
		c := count{
			set: set, limits: set.limits(group), group: group, use: use,
			past: uses[:now], before: uses[first:now], later: uses[now:], visit: visit,
		}
		c.findRun()
		c.consecutive()
		c.shares()
		c.most()
	}
}

// count counts the uses of one group.
type count struct {
	set    *rotationSet
	limits *Limits
	group  string
	use    *Use
	// past are all uses up to the use, before those of the window, later those
	// after it, which a use that is entered late comes before.
	past, before, later []Use
	visit               func(Tally)
	// run is how many uses one after another have the group, with the use itself;
	// runAlone those of them without a partner; runStart where they begin in before.
	run, runAlone, runStart int
}

func (c *count) report(rule string, outcome Outcome, used, limit, total int, source string) {
	c.visit(Tally{Rule: rule, Group: c.group, Outcome: outcome, Used: used, Limit: limit, Total: total, Source: source})
}

// atMost reports a rule that allows at most limit.
func (c *count) atMost(rule string, used, limit, total int, source string) {
	outcome := Pass
	if used > limit {
		outcome = Refuse
	}
	c.report(rule, outcome, used, limit, total, source)
}

func (c *count) findRun() {
	c.run, c.runAlone = 1, 0
	if c.use.alone(c.group) {
		c.runAlone = 1
	}
	counted := func(use *Use) bool {
		if !use.has(c.group) {
			return false
		}
		c.run++
		if use.alone(c.group) {
			c.runAlone++
		}
		return true
	}
	c.runStart = len(c.before)
	for c.runStart > 0 && counted(&c.before[c.runStart-1]) {
		c.runStart--
	}
	for i := 0; i < len(c.later) && counted(&c.later[i]); i++ {
	}
}

// consecutive counts blocks: how long this one is, and what lies between it and
// those before it.
func (c *count) consecutive() {
	label := c.use.LabelMax[c.group]
	if label > 0 {
		c.atMost(RuleLabelConsecutive, c.run, label, 0, sourceLabel)
	}
	if most := c.limits.consecutive(label); most > 0 {
		c.atMost(RuleRotationConsecutive, c.run, most, 0, c.limits.Source)
	}
	alone := c.use.alone(c.group)
	if c.limits.MaxAlone > 0 && alone && slices.Contains(c.limits.AloneDisorders, c.use.Disorder) {
		c.atMost(RuleRotationAlone, c.runAlone, c.limits.MaxAlone, 0, c.limits.Source)
	}
	if c.limits.Partner {
		outcome := Pass
		if alone {
			outcome = Refuse
		}
		c.report(RuleRotationPartner, outcome, 0, 0, 0, c.limits.Source)
	}
	c.between()
}

// between looks at the blocks of the group before this one. For each of them the
// uses since count, not those up to the next block, so that one more use of the
// group never makes room.
func (c *count) between() {
	others, block := 0, 0
	var distinct []string
	returned := false
	// rested and blocked are those of the block with the least rest after it.
	rested, blocked, measured := 0, 0, false
	end := func() {
		if block > 0 && (!measured || block-others > blocked-rested) {
			rested, blocked, measured = others, block, true
		}
		block = 0
	}
	for i := c.runStart - 1; i >= 0; i-- {
		use := &c.before[i]
		if use.has(c.group) {
			if !returned {
				returned = true
				c.atLeastGroups(len(distinct))
			}
			block++
			continue
		}
		end()
		others++
		if returned {
			continue
		}
		for _, group := range use.Groups {
			if !slices.Contains(distinct, group) {
				distinct = append(distinct, group)
			}
		}
	}
	end()
	if c.limits.Rest && measured {
		outcome := Pass
		if rested < blocked {
			outcome = Refuse
		}
		c.report(RuleRotationRest, outcome, rested, blocked, 0, c.limits.Source)
	}
}

// atLeastGroups reports how many different groups, this one included, follow each
// other before it returns.
func (c *count) atLeastGroups(others int) {
	outcome := Pass
	if others+1 < c.set.returnGroups {
		outcome = c.set.returnAction
	}
	c.report(RuleRotationReturn, outcome, others+1, c.set.returnGroups, 0, c.set.returnSource)
}

// shares counts the window. The limit is over the window and the use itself is in
// it: of n applications Share.Of(n) may have the group.
func (c *count) shares() {
	every := func(*Use) bool { return true }
	if table, own := c.limits.tableFor(c.use.Disorder); own {
		used, total := c.window(func(use *Use) bool { return use.Disorder == table.Disorder })
		c.atMost(RuleRotationCount, used, table.Most(total), total, c.limits.Source)
	} else if !c.limits.Share.IsZero() {
		used, total := c.window(every)
		c.atMost(RuleRotationShare, used, c.limits.Share.Of(total), total, c.limits.Source)
	}
	if !c.limits.SoloShare.IsZero() && c.use.alone(c.group) {
		// Mixtures with the group are left out altogether: counted among the total
		// only, each would make room for more use alone.
		used, total := c.window(func(use *Use) bool { return !use.has(c.group) || use.alone(c.group) })
		c.atMost(RuleRotationSoloShare, used, c.limits.SoloShare.Of(total), total, c.limits.Source)
	}
}

// window returns how many of the last applications that are counted have the
// group, the use itself included, and how many there are.
func (c *count) window(counted func(*Use) bool) (used, total int) {
	used, total = 1, 1
	for i := len(c.before) - 1; i >= 0 && total < c.set.windowApplications; i-- {
		use := &c.before[i]
		if !counted(use) {
			continue
		}
		total++
		if use.has(c.group) {
			used++
		}
	}
	return used, total
}

// most counts the applications of a longer period.
func (c *count) most() {
	if c.limits.Most == 0 {
		return
	}
	used := 1
	since := c.use.Time.Add(-daysLong(c.limits.MostDays))
	for i := len(c.past) - 1; i >= 0 && c.past[i].Time.After(since); i-- {
		if c.past[i].has(c.group) {
			used++
		}
	}
	c.atMost(RuleRotationMost, used, c.limits.Most, 0, c.limits.Source)
}
