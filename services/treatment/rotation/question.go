package rotation

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	"velamen/services/treatment/rules"
)

// question is what limits are made from.
type question struct {
	calendar *calendar
	zone     *time.Location
	disorder string
	class    diagnosisv1.DisorderClass
	// candidates are the products that may be used on some of the days.
	candidates []candidate
	// realLots are those treated, with their history; askedLots stand for them where
	// the engine is asked about a history that is the same for all.
	realLots, askedLots []rules.Lot
	history             rules.History
	// lots are what the lots were treated with against the class, each once.
	lots [][]rules.Use
	// days are the limits on the days on which candidates may be used.
	days []limit
	// labelMachines are those that labels with the same numbers share.
	labelMachines map[string]*machine
	// ranked are the candidates by what stays the same; held are the groups of each,
	// as numbers below groupCount.
	ranked     []int
	held       [][]int
	groupCount int
}

// hourOfWork is when planned applications begin: spraying is best from 6 to 10
// o'clock (Texas A&M AgriLife Extension).
const hourOfWork = 8

// slotsOf returns the moments of the applications; of more than a plan has, one more.
func slotsOf(request Request) []time.Time {
	zone := request.Application.Zone
	year, month, day := request.From.In(zone).Date()
	lastYear, lastMonth, lastDay := request.To.In(zone).Date()
	last := time.Date(lastYear, lastMonth, lastDay, hourOfWork, 0, 0, 0, zone)
	var slots []time.Time
	for i := 0; ; i++ {
		at := time.Date(year, month, day+i*request.IntervalDays, hourOfWork, 0, 0, 0, zone)
		if at.After(last) || len(slots) > mostApplications {
			return slots
		}
		slots = append(slots, at)
	}
}

// newQuestion reads the request.
func newQuestion(ctx context.Context, request Request) (*question, []LeftOut, error) {
	application := request.Application
	slots := slotsOf(request)
	q := &question{
		zone: application.Zone, disorder: application.Disorder, class: application.Class,
		realLots: application.Lots, askedLots: kindsOf(application.Lots), history: request.History,
		labelMachines: map[string]*machine{},
	}
	q.calendar = newCalendar(slots, q.pastMoments())
	q.readLots()
	application.Lots = q.askedLots
	var left []LeftOut
	for _, stocked := range slices.SortedFunc(slices.Values(request.Products), byID) {
		if err := ctx.Err(); err != nil {
			return nil, nil, err
		}
		one, err := newCandidate(application, stocked)
		if err != nil {
			left = append(left, LeftOut{Product: stocked.Product.ID, Reasons: []string{err.Error()}})
			continue
		}
		if reasons, err := q.admit(one); err != nil || len(reasons) > 0 {
			if err != nil {
				reasons = []string{err.Error()}
			}
			left = append(left, LeftOut{Product: stocked.Product.ID, Reasons: reasons})
		}
	}
	q.rank()
	return q, left, nil
}

// kindsOf returns one lot for each kind of plant in each house: labels tell no more
// apart. An authority's hold on one of them binds the kind.
func kindsOf(lots []rules.Lot) []rules.Lot {
	var kinds []rules.Lot
	for _, lot := range lots {
		i := slices.IndexFunc(kinds, func(k rules.Lot) bool {
			return k.House == lot.House && k.BotanicalName == lot.BotanicalName
		})
		if i < 0 {
			kinds = append(kinds, lot)
			continue
		}
		kinds[i].OfficialHolds = slices.Concat(kinds[i].OfficialHolds, lot.OfficialHolds)
	}
	return kinds
}

// pastMoments are the moments of all that was done before.
func (q *question) pastMoments() []time.Time {
	var moments []time.Time
	for _, lot := range q.realLots {
		for _, past := range q.history[lot.ID] {
			moments = append(moments, past.End)
		}
	}
	return moments
}

// readLots reads what the lots were treated with against the class.
func (q *question) readLots() {
	seen := map[string]bool{}
	for _, lot := range q.realLots {
		var uses []rules.Use
		var text strings.Builder
		for _, past := range q.history[lot.ID] {
			if past.Class != q.class {
				continue
			}
			use := past.Use()
			uses = append(uses, use)
			fmt.Fprintln(&text, use.Time.UnixNano(), use.Disorder, use.Groups, use.Effective)
		}
		if !seen[text.String()] {
			seen[text.String()] = true
			q.lots = append(q.lots, uses)
		}
	}
}

// notAskedRules are those on what is not known months ahead: who will apply it, and
// which containers will stand in the store.
var notAskedRules = append(rules.PeopleRules(),
	rules.RuleContainerUnknown, rules.RuleContainerExpired, rules.RuleContainerLeft, rules.RuleContainerCounted)

// admit makes a product a candidate unless it is refused on every day; then it
// returns why. What is refused on some days becomes a limit of its own: a
// registration or an approval that ends stays ended, so what is refused on the first
// day is refused on the last, and in between the first day is looked for.
func (q *question) admit(one candidate) ([]string, error) {
	first, err := q.refusals(one, 0)
	if err != nil {
		return nil, err
	}
	if len(first) > 0 {
		reasons := make([]string, len(first))
		for i, verdict := range first {
			reasons[i] = verdict.Message
		}
		return reasons, nil
	}
	index := len(q.candidates)
	q.candidates = append(q.candidates, one)
	last, err := q.refusals(one, q.calendar.slots()-1)
	if err != nil {
		return nil, err
	}
	for _, verdict := range last {
		from, err := q.firstRefused(one, verdict.Rule)
		if err != nil {
			return nil, err
		}
		forbidden := make([]bool, q.calendar.slots())
		for slot := from; slot < len(forbidden); slot++ {
			forbidden[slot] = true
		}
		report := Limit{Rule: verdict.Rule, Message: verdict.Message, Source: verdict.Source}
		q.days = append(q.days, limit{
			Limit: report, machine: newMachine(daysCounter{forbidden}, q.calendar.slots()), members: []int{index},
		})
	}
	return nil, nil
}

// refusals are what the engine refuses of a candidate in a slot with nothing before
// it.
func (q *question) refusals(one candidate, slot int) ([]rules.Verdict, error) {
	verdicts, err := rules.Check(one.at(q.calendar.moment(slot)), nil)
	if err != nil {
		return nil, err
	}
	return slices.DeleteFunc(rules.Refusals(verdicts), func(v rules.Verdict) bool {
		return slices.Contains(notAskedRules, v.Rule)
	}), nil
}

// firstRefused returns the first slot in which a rule refuses a candidate.
func (q *question) firstRefused(one candidate, rule string) (int, error) {
	var failed error
	slots := make([]int, q.calendar.slots())
	for i := range slots {
		slots[i] = i
	}
	at, _ := slices.BinarySearchFunc(slots, true, func(slot int, _ bool) int {
		refused, err := q.refusals(one, slot)
		if err != nil {
			failed = err
		}
		if slices.ContainsFunc(refused, func(v rules.Verdict) bool { return v.Rule == rule }) {
			return 1
		}
		return -1
	})
	return at, failed
}

// daysLimits returns the limits on days, now that all candidates are known.
func (q *question) daysLimits() []limit {
	found := slices.Clone(q.days)
	for i := range found {
		found[i].letter = make([]int, len(q.candidates))
		found[i].letter[found[i].members[0]] = 1
		found[i].starts = []stateID{found[i].machine.at(0, "")}
	}
	return found
}

// order tells which candidates are tried first after a sequence: those whose most
// used group was used least in it, then those at lower risk of resistance, then the
// cheaper, one of unknown cost last, then by id. Costs in different currencies are
// kept apart by currency.
func (q *question) order(sequence []int) []int {
	used, most := make([]int, q.groupCount), make([]int, len(q.candidates))
	for _, product := range sequence {
		for _, group := range q.held[product] {
			used[group]++
		}
	}
	for i, groups := range q.held {
		for _, group := range groups {
			most[i] = max(most[i], used[group])
		}
	}
	order := slices.Clone(q.ranked)
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(most[a], most[b]) })
	return order
}

// rank orders the candidates by what does not change from one application to the
// next: risk, cost and id.
func (q *question) rank() {
	q.ranked = allOf(len(q.candidates))
	slices.SortFunc(q.ranked, func(a, b int) int {
		x, y := q.candidates[a], q.candidates[b]
		return cmp.Or(cmp.Compare(x.risk, y.risk), x.compareCost(y), strings.Compare(x.product.ID, y.product.ID))
	})
	groups := q.groups()
	q.groupCount = len(groups)
	for _, one := range q.candidates {
		var held []int
		for _, group := range one.use.Groups {
			held = append(held, slices.Index(groups, group))
		}
		q.held = append(q.held, held)
	}
}

func (c candidate) compareCost(other candidate) int {
	switch {
	case c.cost == nil && other.cost == nil:
		return 0
	case c.cost == nil:
		return 1
	case other.cost == nil:
		return -1
	default:
		return cmp.Or(strings.Compare(c.currency, other.currency), c.cost.Cmp(other.cost))
	}
}
