package proposal

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"velamen/services/products"
	"velamen/services/treatment/rules"
)

// labelNumbers are the label rules on how often a product may be applied.
var labelNumbers = []string{rules.RuleLabelMaxPerCycle, rules.RuleLabelMaxPerYear}

// left returns how many applications the label still allows, this one included, by
// what the engine counted; nil when the label has no number.
func left(verdicts []rules.Verdict) *int {
	var fewest *int
	for _, verdict := range verdicts {
		if !slices.Contains(labelNumbers, verdict.Rule) {
			continue
		}
		used, most := number(verdict, "applications"), number(verdict, "most")
		if left := max(0, most-used+1); fewest == nil || left < *fewest {
			fewest = &left
		}
	}
	return fewest
}

// number returns a whole number that a verdict used.
func number(verdict rules.Verdict, name string) int {
	at := slices.IndexFunc(verdict.Numbers, func(n rules.Number) bool { return n.Name == name })
	if at < 0 {
		return 0
	}
	value, err := strconv.Atoi(verdict.Numbers[at].Value)
	if err != nil {
		return 0
	}
	return value
}

// past is what the lots were treated with: all of it as the engine looks at it, and
// as resistance management counts what was against the class, lots with the same
// past once.
type past struct {
	index *rules.Indexed
	// none is of lots that were never treated.
	none *rules.Indexed
	// uses are what products are used for, by treatment.
	uses []products.Use
	// against is what each lot was treated with against the class.
	against   [][]rules.Use
	sequences []*rules.Sequence
}

func readPast(request Request) (past, error) {
	index, err := rules.Index(request.History)
	if err != nil {
		return past{}, err
	}
	none, err := rules.Index(nil)
	if err != nil {
		return past{}, err
	}
	p := past{index: index, none: none, uses: usesOf(request.Application)}
	seen := map[string]bool{}
	for _, lot := range request.Application.Lots {
		var uses []rules.Use
		var text strings.Builder
		for _, one := range request.History[lot.ID] {
			if one.Class != request.Application.Class {
				continue
			}
			use := one.Use()
			uses = append(uses, use)
			fmt.Fprintln(&text, use.Time.UnixNano(), use.Disorder, use.Groups, use.Effective)
		}
		if !seen[text.String()] {
			seen[text.String()] = true
			p.against = append(p.against, uses)
		}
	}
	return p, nil
}

// forOne returns the past with sequences of its own, which one goroutine at a time may
// ask.
func (p past) forOne() past {
	p.sequences = make([]*rules.Sequence, len(p.against))
	for i, uses := range p.against {
		p.sequences[i] = rules.NewSequence(uses...)
	}
	return p
}

// rotationPoints weigh how much of the rotation limits is used up once a product is
// applied, on the lot that is worst off, and how long its groups have rested.
func (p past) rotationPoints(application rules.Application) []point {
	proposed, err := application.Uses()
	if err != nil || len(proposed) == 0 {
		return nil
	}
	use := proposed[0]
	if !slices.ContainsFunc(use.Groups, rules.Capped) {
		return []point{{0, "none of its groups needs rotation"}}
	}
	tightest := rules.Tally{}
	for _, sequence := range p.sequences {
		for _, tally := range sequence.Tallies(use) {
			if capped(tally) && percent(tally) > percent(tightest) {
				tightest = tally
			}
		}
	}
	points := []point{p.restPoint(use)}
	if tightest.Limit > 0 {
		points = append(points, point{percent(tightest), fmt.Sprintf("uses up %d of %d applications of group %s (%s)",
			tightest.Used, tightest.Limit, tightest.Group, tightest.Rule)})
	}
	return points
}

// capped reports whether a tally counts against a most.
func capped(tally rules.Tally) bool {
	return tally.Limit > 0 && tally.Rule != rules.RuleRotationRest && tally.Rule != rules.RuleRotationReturn
}

// percent is how much of a limit is used up, rounded down.
func percent(tally rules.Tally) int {
	if tally.Limit == 0 {
		return 0
	}
	return 100 * tally.Used / tally.Limit
}

// restPoint weighs how long ago a limited group of a use was last used on any lot.
func (p past) restPoint(use rules.Use) point {
	_, window := rules.Window()
	days, group := window, ""
	for _, uses := range p.against {
		for _, before := range uses {
			for _, shared := range use.Groups {
				if !rules.Capped(shared) || !slices.Contains(before.Groups, shared) || before.Time.After(use.Time) {
					continue
				}
				if since := int(use.Time.Sub(before.Time) / (24 * time.Hour)); since < days {
					days, group = since, shared
				}
			}
		}
	}
	if group == "" {
		return point{0, fmt.Sprintf("none of its groups was used on these lots in the last %d days", window)}
	}
	return point{(window - days) / daysPerRecencyPoint, fmt.Sprintf("group %s was used %d days ago", group, days)}
}

// marginPoint weighs by how few days an application keeps its distance to what was
// applied before: it asks the engine about the same application on the days before.
func (p past) marginPoint(application rules.Application) point {
	start := application.Start.In(application.Zone)
	for days := 1; days <= marginDays; days++ {
		application.Start = start.AddDate(0, 0, -days)
		verdicts, err := p.index.IntervalVerdicts(application)
		if err != nil {
			return point{}
		}
		// Of numbers and amounts in a year an earlier day says nothing.
		refused := slices.DeleteFunc(rules.Refusals(verdicts), func(v rules.Verdict) bool {
			return v.Rule == rules.RuleLabelActivePerYear || slices.Contains(labelNumbers, v.Rule)
		})
		if len(refused) > 0 {
			return point{
				points: pointsPerMarginDay * (marginDays - days + 1),
				reason: fmt.Sprintf("%d days earlier it would have been too close to what was applied before (%s)", days, refused[0].Rule),
			}
		}
	}
	return point{0, fmt.Sprintf("keeps its distance to what was applied before by %d days or more", marginDays)}
}
