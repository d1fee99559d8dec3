package treatment

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"velamen/internal/clock"
	"velamen/internal/fault"
	"velamen/internal/postgres"
	"velamen/internal/resource"
	"velamen/services/identity"
	"velamen/services/stock"
	"velamen/services/treatment/entry"
)

// checkOpen refuses work that somebody did in a house while it was closed, or among the
// plants that were treated: nobody but a trained and equipped handler may be there. Who
// applies chemical is one (40 CFR 170.405), so steps that do are not asked. An early entry
// that was allowed, or a breach that was recorded, covers the work.
func checkOpen(ctx context.Context, tx pgx.Tx, p *program, lots []string, step Step, performer identity.Person, c confirming) error {
	if Applies(step.Kind) {
		return nil
	}
	from, until := clock.Stored(c.confirmation.GetStartTime().AsTime()), clock.Stored(c.confirmation.GetEndTime().AsTime())
	premises, err := ReadPremises(ctx, tx, p.nursery, from)
	if err != nil || len(premises.Applications) == 0 {
		return err
	}
	visited, err := visitedHouses(ctx, tx, p, lots, premises, c, from, until)
	if err != nil {
		return err
	}
	for _, visit := range visited {
		closure, closed := premises.ClosedFor(visit.house, visit.lots, from, until)
		if !closed {
			continue
		}
		entries, err := readCovering(ctx, tx, p.nursery, performer.ID, visit.house, from, until)
		if err != nil {
			return err
		}
		early := premises.onlyInterval(visit.house, visit.lots, from, until)
		if !slices.ContainsFunc(entries, func(e houseEntry) bool { return e.covers(step.Kind, early) }) {
			return premises.refusal(p.nursery, visit.house, closure, performer, c.path)
		}
	}
	return nil
}

// handLabour are the steps in which the hands touch the plants for long (40 CFR 170.305,
// hand labor; from memory).
var handLabour = []Kind{isolate, prune, repot, cutBack, discard}

// covers reports whether an entry in the log, which lasted for all of a step, covers the
// work. Early is true where nothing but intervals closed the house: an early entry is an
// exception from those only, and most kinds allow no hand labour.
func (e houseEntry) covers(step Kind, early bool) bool {
	kind, isEarly := earlyKinds[e.kind]
	if e.breachNote != "" || !isEarly {
		return true
	}
	return early && (!slices.Contains(handLabour, step) || kind.AllowsHandLabour())
}

// visit is a house that somebody works in, and the lots there.
type visit struct {
	house string
	lots  []string
}

// visitedHouses returns the houses in which the lots of a step stood during its work, by
// id, with the bench that they are set apart on. Where the books do not say where a lot
// stood then, it stood where it stands now.
func visitedHouses(ctx context.Context, r postgres.Reader, p *program, lots []string, premises Premises, c confirming, from, until time.Time) ([]visit, error) {
	found, err := stock.ReadLots(ctx, r, p.nursery, lots)
	if err != nil {
		return nil, err
	}
	if found, err = standing(ctx, r, p.nursery, found, from); err != nil {
		return nil, err
	}
	var apart, target stock.BenchID
	if apart.House, apart.Bench, err = isolatedIn(ctx, r, p); err != nil {
		return nil, err
	}
	if c.confirmation.GetBench() != "" {
		ids, err := resource.Parse(c.path+".bench", c.confirmation.GetBench(), "nurseries", "houses", "benches")
		if err != nil {
			return nil, err
		}
		target = stock.BenchID{House: ids[1], Bench: ids[2]}
	}
	in := map[string][]string{}
	for _, lot := range found {
		for _, house := range premises.housesOf(lot, apart.House, from, until) {
			in[house] = append(in[house], lot.ID)
		}
		// The books follow a moment later, and who set the lot down was at that bench.
		premises.setDown(lot.ID, apart, from, until)
		if target.House != "" && !slices.Contains(in[target.House], lot.ID) {
			in[target.House] = append(in[target.House], lot.ID)
		}
		premises.setDown(lot.ID, target, from, until)
	}
	var visited []visit
	for house, there := range in {
		visited = append(visited, visit{house, there})
	}
	slices.SortFunc(visited, func(a, b visit) int { return strings.Compare(a.house, b.house) })
	return visited, nil
}

// setDown adds that a lot stood on a bench from one moment until another, unless the books
// have had it there already or there is no bench.
func (p Premises) setDown(lot string, bench stock.BenchID, from, until time.Time) {
	there := slices.ContainsFunc(p.lots[lot], func(stay stock.Stay) bool { return stay.Bench == bench })
	if bench.House != "" && !there {
		p.lots[lot] = append(slices.Clone(p.lots[lot]), stock.Stay{Lot: lot, Bench: bench, From: from, Until: until.Add(time.Nanosecond)})
	}
}

// housesOf returns the houses in which a lot stood between two moments. Apart is the house
// in which it was last set apart, empty for none: the books follow a moment later, and
// until they have had it there it stands where it was set apart.
func (p Premises) housesOf(lot stock.Lot, apart string, from, until time.Time) []string {
	var houses []string
	followed := apart == ""
	for _, stay := range p.lots[lot.ID] {
		followed = followed || stay.Bench.House == apart
		if !stay.From.After(until) && stay.Until.After(from) && !slices.Contains(houses, stay.Bench.House) {
			houses = append(houses, stay.Bench.House)
		}
	}
	switch {
	case !followed:
		return []string{apart}
	case len(houses) == 0:
		return []string{lot.House}
	}
	return houses
}

// refusal says why somebody may not have worked in a house, until when, and what to do.
func (p Premises) refusal(nursery, house string, closure entry.Closure, performer identity.Person, path string) error {
	name := house
	for _, known := range p.Nursery.Houses {
		if known.ID == house && known.Name != "" {
			name = known.Name
		}
	}
	text := fmt.Sprintf("%s was closed to this work. %s", name, closure.Why)
	var sooner []string
	for _, one := range closure.Sooner {
		sooner = append(sooner, one.Text)
	}
	if len(sooner) > 0 {
		text += " What opens it sooner: " + strings.Join(sooner, "; ") + "."
	}
	text += fmt.Sprintf(" If %s was inside all the same, record that entry first: an early entry that the rules allow, or a breach that a manager records, covers this work.",
		performer.DisplayName)
	refused := fault.FieldReason(fault.Precondition, fault.HouseClosed, path+".start_time", "%s", text).
		With("house", resource.Of("nurseries", nursery, "houses", house)).With("person", performer.ID).
		With("closure", string(closure.Reason)).With("source", closure.Source)
	if closure.Application != "" {
		refused = refused.With("application", resource.Of("nurseries", nursery, "applications", closure.Application))
	}
	if !closure.Until.IsZero() {
		refused = refused.With("until", closure.Until.UTC().Format(time.RFC3339))
	}
	if len(sooner) > 0 {
		refused = refused.With("sooner", strings.Join(sooner, "; "))
	}
	return refused
}
