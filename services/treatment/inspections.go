package treatment

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/clock"
	"velamen/internal/fault"
	"velamen/internal/postgres"
	"velamen/internal/resource"
	"velamen/services/diagnosis"
	"velamen/services/identity"
	"velamen/services/stock"
	"velamen/services/stock/tracing"
	"velamen/services/treatment/sampling"
)

const (
	// inspectionRound is after how long without a look every lot is looked at again:
	// design value, about the shortest latent periods of what spreads fast.
	inspectionRound = 7 * 24 * time.Hour
	// officialRound is the same for lots that an authority holds: every fortnight, Defra,
	// eradication and containment measures against Phytophthora ramorum (archived 2009).
	officialRound = 14 * 24 * time.Hour
	// climateBack is how far back infections that the climate allowed are looked for:
	// signs of older ones have shown, or the round has come by since. Design value.
	climateBack = 42 * 24 * time.Hour
	// mostProposed is how many lots are proposed when nobody says how many.
	mostProposed = 100
)

// InspectionCaution stands on every plan of inspections.
const InspectionCaution = "A plan of where to look first; it replaces neither the eyes of who works among the plants nor an inspection that the law or an authority asks for. " +
	"Clean houses come before suspect ones: wash hands and change tools and overalls in between. Local law and licensed advice decide."

// ProposeInspections says which lots to look at on a day, why, and how many plants
// of each.
func (s *Service) ProposeInspections(ctx context.Context, request *treatmentv1.ProposeInspectionsRequest) (*treatmentv1.InspectionPlan, error) {
	parent, err := resource.Parse("parent", request.GetParent(), "nurseries")
	if err != nil {
		return nil, err
	}
	var response *treatmentv1.InspectionPlan
	err = s.db.InSnapshot(ctx, func(tx pgx.Tx) error {
		r, err := readRound(ctx, tx, parent[0], request, s.db.Now())
		if err != nil {
			return err
		}
		response, err = r.plan(request.GetMaxLots())
		return err
	})
	return response, err
}

// readRound reads which lots should be looked at on a day, and why.
func readRound(ctx context.Context, tx postgres.Reader, nursery string, request *treatmentv1.ProposeInspectionsRequest, now time.Time) (*round, error) {
	r, err := newRound(ctx, tx, nursery, request, now)
	if err != nil {
		return nil, err
	}
	if r.cases, err = r.readCases(ctx, tx); err != nil {
		return nil, err
	}
	return r, r.fill(ctx, tx)
}

// fill adds the lots that should be looked at.
func (r *round) fill(ctx context.Context, tx postgres.Reader) error {
	for _, add := range []func(context.Context, postgres.Reader) error{r.addSteps, r.addExposed, r.addHolds, r.addInfections, r.addUnseen} {
		if err := add(ctx, tx); err != nil {
			return err
		}
	}
	return nil
}

// round is a day's inspections in the making.
type round struct {
	now     time.Time
	nursery identity.Nursery
	// date is the day, begin and end its two ends, UTC.
	date       string
	begin, end time.Time
	// house is the only one wanted; empty for all.
	house string
	lots  map[string]stock.Lot
	// cases are the open cases of what spreads.
	cases *tracedCases
	// looked is when each lot was last looked at until the day's end.
	looked  map[string]time.Time
	wanted  map[string]*wanted
	notes   []string
	sources []string
	// sizes are sample sizes worked out already: many lots have as many plants.
	sizes map[sizeAsked]int64
}

// sizeAsked is what a sample size depends on.
type sizeAsked struct {
	plants                              int64
	confidence, prevalence, sensitivity string
}

// wanted is a lot that should be looked at.
type wanted struct {
	reasons []reason
	// plants to look at.
	plants int64
}

// reason is why, with what decides between reasons.
type reason struct {
	kind               treatmentv1.InspectionReasonKind
	disorder           string
	because, sentence  string
	exposure, sortable int
	// unverified is what must stand beside it once in the plan; empty when it rests on
	// nothing that was not checked.
	unverified string
}

func newRound(ctx context.Context, tx postgres.Reader, nursery string, request *treatmentv1.ProposeInspectionsRequest, now time.Time) (*round, error) {
	r := &round{
		now: now, lots: map[string]stock.Lot{}, looked: map[string]time.Time{}, wanted: map[string]*wanted{},
		sizes: map[sizeAsked]int64{},
	}
	var err error
	if r.nursery, err = identity.ReadNursery(ctx, tx, nursery); err != nil {
		return nil, err
	}
	today := now.In(r.nursery.Zone).Format(time.DateOnly)
	r.date = cmp.Or(request.GetDate(), today)
	if r.begin, r.end, err = clock.Day(r.date, r.nursery.Zone); err != nil {
		return nil, fault.Field("date", "%q is no day of the calendar", r.date)
	}
	if r.date < today {
		// Lots are known where they stand now: a plan for a past day would name lots that
		// came later and leave out those that have gone.
		return nil, fault.Field("date", "%s is past: only today, %s, and later days can be planned", r.date, today).With("today", today)
	}
	if request.GetHouse() != "" {
		ids, err := resource.Parse("house", request.GetHouse(), "nurseries", "houses")
		if err != nil {
			return nil, err
		}
		if _, err := stock.ReadHouse(ctx, tx, nursery, ids[1]); err != nil {
			return nil, err
		}
		r.house = ids[1]
	}
	stocked, err := stock.ReadStocked(ctx, tx, nursery)
	if err != nil {
		return nil, err
	}
	for _, lot := range stocked {
		r.lots[lot.ID] = lot
	}
	return r, r.readLooks(ctx, tx)
}

// readLooks reads when each lot was last looked at: by an inspection of it or of its
// bench while it stood there, or by a step of its program.
func (r *round) readLooks(ctx context.Context, tx postgres.Reader) error {
	looks, err := diagnosis.ReadLastLooks(ctx, tx, r.nursery.ID, r.end.Add(-time.Microsecond))
	if err != nil {
		return err
	}
	see := func(lot string, at time.Time) { r.looked[lot] = later(r.looked[lot], at) }
	ofBench := map[stock.BenchID]time.Time{}
	for _, look := range looks {
		if look.Lot != "" {
			see(look.Lot, look.Time)
			continue
		}
		ofBench[stock.BenchID{House: look.House, Bench: look.Bench}] = look.Time
	}
	stays, err := stock.ReadStays(ctx, tx, r.nursery.ID, r.begin)
	if err != nil {
		return err
	}
	for _, stay := range stays {
		if at, seen := ofBench[stay.Bench]; seen && !at.Before(stay.From) && at.Before(stay.Until) {
			see(stay.Lot, at)
		}
	}
	return readStepLooks(ctx, tx, r.nursery.ID, r.end, see)
}

// want adds a reason to look at a lot, with as many plants as the strictest needs.
func (r *round) want(id string, values sampling.Values, why reason) error {
	lot, stands := r.lots[id]
	if !stands || (r.house != "" && lot.House != r.house) {
		return nil
	}
	asked := sizeAsked{lot.Plants, values.Confidence.String(), values.Prevalence.String(), values.Sensitivity.String()}
	plants, known := r.sizes[asked]
	if !known {
		var err error
		if plants, err = toInspect(lot.Plants, values); err != nil {
			return err
		}
		r.sizes[asked] = plants
	}
	w := r.wanted[id]
	if w == nil {
		w = &wanted{}
		r.wanted[id] = w
	}
	w.reasons = append(w.reasons, why)
	w.plants = max(w.plants, plants)
	return nil
}

// seenToday reports whether a lot was looked at on the day itself.
func (r *round) seenToday(lot string) bool { return !r.looked[lot].Before(r.begin) }

// seenWithin reports whether a lot was looked at in a time before the day's end.
func (r *round) seenWithin(lot string, span time.Duration) bool {
	at, ever := r.looked[lot]
	return ever && at.After(r.end.Add(-span))
}

func (r *round) source(text string) {
	if !slices.Contains(r.sources, text) {
		r.sources = append(r.sources, text)
	}
}

// addSteps adds the inspections of programs that are due by the day's end.
func (r *round) addSteps(ctx context.Context, tx postgres.Reader) error {
	const pageSize = 500
	for after := ""; ; {
		steps, err := ReadOpenSteps(ctx, tx, r.nursery.ID, r.now, r.end, after, pageSize)
		if err != nil {
			return postgres.Translate(err)
		}
		for _, step := range steps {
			after = step.Cursor
			if step.Step.GetKind() != inspect || !step.Step.GetDueTime().AsTime().Before(r.end) {
				continue
			}
			if err := r.addStep(ctx, tx, step); err != nil {
				return err
			}
		}
		if len(steps) < pageSize {
			return nil
		}
	}
}

func (r *round) addStep(ctx context.Context, tx postgres.Reader, step OpenStep) error {
	ids, err := resource.Parse("name", step.Step.GetName(), "nurseries", "programs", "steps")
	if err != nil {
		return err
	}
	p, err := readProgram(ctx, tx, ids[0], ids[1], false)
	if err != nil {
		return postgres.Translate(err)
	}
	values, err := valuesOf(p)
	if err != nil {
		return err
	}
	lots, err := withParts(ctx, tx, p, step.LotIDs)
	if err != nil {
		return err
	}
	due := step.Step.GetDueTime().AsTime().In(r.nursery.Zone).Format("2 January 2006 15:04")
	for _, lot := range lots {
		err := r.want(lot, values, reason{
			kind: treatmentv1.InspectionReasonKind_INSPECTION_REASON_KIND_STEP_DUE, disorder: p.disorder, because: step.Step.GetName(),
			sentence: fmt.Sprintf("Program %s has an inspection for %s due by %s.", p.id, r.title(p.disorder), due),
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// title is what people call a disorder.
func (r *round) title(disorder string) string {
	if known, found := diagnosis.DisorderByID(disorder); found {
		return strings.ToLower(known.DisplayName[:1]) + known.DisplayName[1:]
	}
	return disorder
}

// tracedCases are open cases of what spreads with the lots that each exposed. They are
// the same whatever day is planned.
type tracedCases struct {
	spreads []spread
	// known is what the traces rest on; nil without a case.
	known *traceFacts
	// exposed are the lots of each case, the most exposed first.
	exposed [][]tracing.Exposed
}

// readCases traces the contacts of each open case.
func (r *round) readCases(ctx context.Context, tx postgres.Reader) (*tracedCases, error) {
	spreads, from, err := r.openSpreads(ctx, tx)
	if err != nil || len(spreads) == 0 {
		return &tracedCases{}, err
	}
	known, err := readTraceFacts(ctx, tx, r.nursery.ID, from, r.now)
	if err != nil {
		return nil, err
	}
	cases := &tracedCases{spreads: spreads, known: known}
	for _, o := range spreads {
		cases.exposed = append(cases.exposed, known.trace(o))
	}
	return cases, nil
}

// addExposed adds lots that were exposed to the lots of open cases and in which
// signs could show on the day.
func (r *round) addExposed(context.Context, postgres.Reader) error {
	if len(r.cases.spreads) > 0 {
		r.source("Exposure: as in a trace of each open case.")
	}
	for i, o := range r.cases.spreads {
		for _, e := range r.cases.exposed[i] {
			first, last := r.cases.known.signDays(o, e)
			if r.date < first || r.date > last || r.seenToday(e.Lot) {
				continue
			}
			err := r.want(e.Lot, sampling.DesignValues(), reason{
				kind: treatmentv1.InspectionReasonKind_INSPECTION_REASON_KIND_EXPOSED, disorder: o.disorder.ID, because: o.of, exposure: e.Tenths,
				sentence: fmt.Sprintf("Exposed to %s (%d of 100): signs could show from %s to %s. %s",
					r.title(o.disorder.ID), (e.Tenths+5)/10, first, last, r.cases.known.contactSentence(o, e.Contacts[0])),
			})
			if err != nil {
				return err
			}
		}
	}
	return nil
}

// openSpreads returns the open cases of what spreads, and from when on facts about
// them are needed.
func (r *round) openSpreads(ctx context.Context, tx postgres.Reader) ([]spread, time.Time, error) {
	open, err := readOpenOutbreaks(ctx, tx, r.nursery.ID)
	if err != nil {
		return nil, time.Time{}, err
	}
	var spreads []spread
	from := r.end
	for _, found := range open {
		o, err := spreadOf(ctx, tx, found, r.now)
		if err != nil {
			return nil, time.Time{}, err
		}
		if !o.spreads() {
			continue
		}
		spreads = append(spreads, o)
		if start := o.window(r.nursery.Zone).Start; start.Before(from) {
			from = start
		}
	}
	return spreads, from, nil
}

// addHolds adds lots that an authority holds and that were not looked at for a
// fortnight.
func (r *round) addHolds(ctx context.Context, tx postgres.Reader) error {
	held, err := stock.ReadOpenRestrictions(ctx, tx, r.nursery.ID)
	if err != nil {
		return err
	}
	for _, hold := range held {
		r.source("Lots on official hold: every 14 days, Defra, eradication and containment measures (archived 2009); the authority's own order decides.")
		if r.seenWithin(hold.Lot, officialRound) {
			continue
		}
		err := r.want(hold.Lot, sampling.DesignValues(), reason{
			kind: treatmentv1.InspectionReasonKind_INSPECTION_REASON_KIND_OFFICIAL_HOLD, disorder: hold.Disorder, because: hold.Duty,
			sentence: fmt.Sprintf("An authority holds it for %s since %s.", r.title(hold.Disorder), hold.Start.In(r.nursery.Zone).Format("2 January 2006")),
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// addUnseen adds lots that were not looked at for longer than the round.
func (r *round) addUnseen(context.Context, postgres.Reader) error {
	r.source("Round of 7 days: design value.")
	for id := range r.lots {
		if r.seenWithin(id, inspectionRound) {
			continue
		}
		why := reason{kind: treatmentv1.InspectionReasonKind_INSPECTION_REASON_KIND_ROUND, sentence: "No inspection of it is on record."}
		if at, ever := r.looked[id]; ever {
			why.sentence = fmt.Sprintf("Last looked at on %s.", at.In(r.nursery.Zone).Format("2 January 2006"))
			why.sortable = int(r.end.Sub(at) / time.Hour)
		} else {
			why.sortable = int(inspectionRound/time.Hour) * 1000
		}
		if err := r.want(id, sampling.DesignValues(), why); err != nil {
			return err
		}
	}
	return nil
}

// suspicion says how likely a lot is to carry something to the next: what is entered
// first carries nothing from what comes later.
func (r *round) suspicion(id string) int {
	lot := r.lots[id]
	suspect := 0
	if w := r.wanted[id]; w != nil {
		for _, why := range w.reasons {
			suspect = max(suspect, suspicionOf[why.kind])
		}
	}
	if len(lot.OfficialHolds) > 0 {
		suspect = max(suspect, suspicionOf[treatmentv1.InspectionReasonKind_INSPECTION_REASON_KIND_OFFICIAL_HOLD])
	}
	if lot.HoldingCase != "" {
		suspect = max(suspect, suspicionOf[treatmentv1.InspectionReasonKind_INSPECTION_REASON_KIND_STEP_DUE])
	}
	return suspect
}

var suspicionOf = map[treatmentv1.InspectionReasonKind]int{
	treatmentv1.InspectionReasonKind_INSPECTION_REASON_KIND_ROUND:          0,
	treatmentv1.InspectionReasonKind_INSPECTION_REASON_KIND_INFECTION_RISK: 1,
	treatmentv1.InspectionReasonKind_INSPECTION_REASON_KIND_EXPOSED:        2,
	treatmentv1.InspectionReasonKind_INSPECTION_REASON_KIND_OFFICIAL_HOLD:  3,
	treatmentv1.InspectionReasonKind_INSPECTION_REASON_KIND_STEP_DUE:       4,
}

// weight orders reasons: what is due by a program or an order, then what is most
// likely to be found.
func (w reason) weight() []int { return []int{weightOf[w.kind], w.exposure, w.sortable} }

var weightOf = map[treatmentv1.InspectionReasonKind]int{
	treatmentv1.InspectionReasonKind_INSPECTION_REASON_KIND_STEP_DUE:       5,
	treatmentv1.InspectionReasonKind_INSPECTION_REASON_KIND_OFFICIAL_HOLD:  4,
	treatmentv1.InspectionReasonKind_INSPECTION_REASON_KIND_EXPOSED:        3,
	treatmentv1.InspectionReasonKind_INSPECTION_REASON_KIND_INFECTION_RISK: 2,
	treatmentv1.InspectionReasonKind_INSPECTION_REASON_KIND_ROUND:          1,
}

func heaviestReason(a, b reason) int {
	return cmp.Or(slices.Compare(b.weight(), a.weight()), strings.Compare(a.because, b.because),
		strings.Compare(a.disorder, b.disorder), strings.Compare(a.sentence, b.sentence))
}

// plan puts the lots that matter most in the order in which to look at them.
func (r *round) plan(most int32) (*treatmentv1.InspectionPlan, error) {
	if most == 0 {
		most = mostProposed
	}
	ids := make([]string, 0, len(r.wanted))
	for id, w := range r.wanted {
		slices.SortFunc(w.reasons, heaviestReason)
		ids = append(ids, id)
	}
	slices.SortFunc(ids, func(a, b string) int {
		return cmp.Or(slices.Compare(r.wanted[b].reasons[0].weight(), r.wanted[a].reasons[0].weight()), strings.Compare(a, b))
	})
	if left := len(ids) - int(most); left > 0 {
		r.notes = append(r.notes, fmt.Sprintf("%d more lots should be looked at on this day; the weightiest %d are listed.", left, most))
		ids = ids[:most]
	}
	r.noteUnverified(ids)
	r.inOrder(ids)
	plan := &treatmentv1.InspectionPlan{
		Date: r.date, SamplingStatement: samplingStatement(sampling.DesignValues()), Notes: r.notes, Sources: r.sources, Caution: InspectionCaution,
	}
	plan.Sources = append(plan.Sources, "Sample sizes: "+strings.TrimSuffix(sampling.DesignValues().Source, ".")+"; a program's own where it has any.")
	for _, id := range ids {
		plan.Inspections = append(plan.Inspections, r.contract(id))
	}
	return plan, nil
}

// noteUnverified notes once what the reasons of lots rest on that was not checked.
func (r *round) noteUnverified(ids []string) {
	var said []string
	for _, id := range ids {
		for _, why := range r.wanted[id].reasons {
			if why.unverified != "" && !slices.Contains(said, why.unverified) {
				said = append(said, why.unverified)
			}
		}
	}
	slices.Sort(said)
	r.notes = append(r.notes, said...)
}

// inOrder sorts lots so that clean houses come before suspect ones, and in each house
// clean lots before suspect ones. A house is as suspect as the worst lot in it,
// whether or not that one is looked at.
func (r *round) inOrder(ids []string) {
	houses := map[string]int{}
	for id, lot := range r.lots {
		houses[lot.House] = max(houses[lot.House], r.suspicion(id))
	}
	slices.SortFunc(ids, func(a, b string) int {
		one, other := r.lots[a], r.lots[b]
		return cmp.Or(
			cmp.Compare(houses[one.House], houses[other.House]), strings.Compare(one.House, other.House),
			cmp.Compare(r.suspicion(a), r.suspicion(b)), strings.Compare(one.Bench, other.Bench), strings.Compare(a, b),
		)
	})
}

func (r *round) contract(id string) *treatmentv1.ProposedInspection {
	lot, w := r.lots[id], r.wanted[id]
	message := &treatmentv1.ProposedInspection{
		Lot: resource.Of("nurseries", r.nursery.ID, "lots", id), Bench: benchName(r.nursery.ID, lot.House, lot.Bench),
		Plants: lot.Plants, PlantsToInspect: w.plants,
	}
	if at, ever := r.looked[id]; ever {
		message.LastInspectTime = timestamp(at)
	}
	for _, why := range w.reasons {
		message.Reasons = append(message.Reasons, &treatmentv1.InspectionReason{
			Kind: why.kind, Disorder: why.disorder, BecauseOf: why.because, Sentence: why.sentence, Unverified: why.unverified != "",
		})
	}
	return message
}
