package treatment

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/shopspring/decimal"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/postgres"
	"velamen/internal/quantity"
	"velamen/internal/resource"
	"velamen/services/diagnosis"
	"velamen/services/stock"
	"velamen/services/stock/tracing"
	"velamen/services/treatment/sampling"
)

// traceContract is a trace as the contract carries it.
func traceContract(ctx context.Context, r postgres.Reader, k *traceFacts, o spread, exposed []tracing.Exposed) (*treatmentv1.ContactTrace, error) {
	infected, err := stock.ReadLots(ctx, r, o.nursery, o.infected)
	if err != nil {
		return nil, err
	}
	window, zones := o.window(k.nursery.Zone), k.zoningOf(o, infected)
	message := &treatmentv1.ContactTrace{
		InfectedLots: lotNames(o.nursery, o.infected), Disorder: o.disorder.ID,
		WindowStartTime: timestamp(window.Start), WindowEndTime: timestamp(window.End),
		SamplingStatement: samplingStatement(sampling.DesignValues()), Caution: TraceCaution,
	}
	if message.ExposedLots, err = k.exposedContract(o, zones, exposed); err != nil {
		return nil, err
	}
	if message.Sold, err = soldContract(ctx, r, k, o, zones, exposed); err != nil {
		return nil, err
	}
	holdUntil, missing, err := k.holdUntil(ctx, r, o, zones)
	if err != nil {
		return nil, err
	}
	message.HoldUntilDate = holdUntil
	if zones.law {
		message.RegulatedPest = zones.pest.ID
	}
	message.Notes = append(k.notes(o, zones, window), exposedNotes(zones, exposed)...)
	if missing != "" {
		message.Notes = append(message.Notes, missing)
	}
	message.Sources = traceSources(o, zones)
	return message, nil
}

// exposedContract returns the lots with plants: those with contacts first, then
// those that only lie in a zone of the law.
func (k *traceFacts) exposedContract(o spread, zones *zoning, exposed []tracing.Exposed) ([]*treatmentv1.ExposedLot, error) {
	var messages []*treatmentv1.ExposedLot
	listed := map[string]bool{}
	for _, lot := range o.infected {
		listed[lot] = true
	}
	for _, e := range exposed {
		lot, found := k.lots[e.Lot]
		if !found {
			continue
		}
		listed[e.Lot] = true
		message, err := k.exposedLot(o, zones, lot, e)
		if err != nil {
			return nil, err
		}
		messages = append(messages, message)
	}
	if !zones.sets() {
		return messages, nil
	}
	for _, lot := range k.lotsByID() {
		zone := zones.of(lot)
		if listed[lot.ID] || (zone != treatmentv1.Zone_ZONE_DESTROY && zone != treatmentv1.Zone_ZONE_HOLD) {
			continue
		}
		message, err := k.exposedLot(o, zones, lot, tracing.Exposed{Lot: lot.ID})
		if err != nil {
			return nil, err
		}
		messages = append(messages, message)
	}
	return messages, nil
}

func (k *traceFacts) lotsByID() []stock.Lot {
	lots := make([]stock.Lot, 0, len(k.lots))
	for _, lot := range k.lots {
		lots = append(lots, lot)
	}
	slices.SortFunc(lots, func(a, b stock.Lot) int { return strings.Compare(a.ID, b.ID) })
	return lots
}

// mostContacts is how many contacts of a lot are told, the heaviest; all count. Two
// hundred infected lots share ten things each with every lot of their house.
const mostContacts = 20

func (k *traceFacts) exposedLot(o spread, zones *zoning, lot stock.Lot, e tracing.Exposed) (*treatmentv1.ExposedLot, error) {
	message := &treatmentv1.ExposedLot{
		Lot: resource.Of("nurseries", o.nursery, "lots", lot.ID), Bench: benchName(o.nursery, lot.House, lot.Bench), Plants: lot.Plants,
		Exposure: decimal.New(int64(e.Tenths), -1).String(), Zone: zones.of(lot), OfficialHolds: lot.OfficialHolds,
	}
	for _, contact := range e.Contacts[:min(len(e.Contacts), mostContacts)] {
		message.Contacts = append(message.Contacts, k.contact(o, contact))
	}
	if apart, measured := zones.distance(lot); measured {
		message.Distance = quantity.Quantity{Amount: decimal.New(apart.Centimetres(), -2), Unit: quantity.Metre}.Contract()
	}
	if o.spreads() {
		message.InspectFromDate, message.InspectUntilDate = k.signDays(o, e)
		size, err := toInspect(lot.Plants, sampling.DesignValues())
		if err != nil {
			return nil, err
		}
		message.PlantsToInspect = size
	}
	return message, nil
}

// toInspect is how many plants of a lot one look must take in.
func toInspect(plants int64, values sampling.Values) (int64, error) {
	size, err := sampling.SampleSize(plants, values.Confidence, values.Prevalence, values.Sensitivity)
	return size.Plants, err
}

func samplingStatement(values sampling.Values) string {
	return fmt.Sprintf("So many plants, drawn at random from a lot, show with %s %% confidence whether %s %% of it or more have signs, if a look finds %s %% of the plants with signs; where that is all of them, look again later.",
		values.Confidence.Shift(2), values.Prevalence.Shift(2), values.Sensitivity.Shift(2))
}

// signDays are the first and the last day on which first signs could show in a lot.
func (k *traceFacts) signDays(o spread, e tracing.Exposed) (from, until string) {
	first, last := o.onset, o.end
	if len(e.Contacts) > 0 {
		first = slices.MinFunc(e.Contacts, func(a, b tracing.Contact) int { return a.Start.Compare(b.Start) }).Start
		last = slices.MaxFunc(e.Contacts, func(a, b tracing.Contact) int { return a.End.Compare(b.End) }).End
	}
	day := func(at time.Time, days int) string {
		return at.In(k.nursery.Zone).AddDate(0, 0, days).Format(time.DateOnly)
	}
	return day(first, o.disorder.Latent.MinDays), day(last, o.disorder.Latent.MaxDays)
}

// contactKinds are the kinds of contact in the contract.
var contactKinds = map[tracing.Kind]treatmentv1.ContactKind{
	tracing.Plants:         treatmentv1.ContactKind_CONTACT_KIND_PLANTS,
	tracing.SameBench:      treatmentv1.ContactKind_CONTACT_KIND_BENCH,
	tracing.NeighbourBench: treatmentv1.ContactKind_CONTACT_KIND_NEIGHBOUR_BENCH,
	tracing.WaterLine:      treatmentv1.ContactKind_CONTACT_KIND_WATER_LINE,
	tracing.ToolSet:        treatmentv1.ContactKind_CONTACT_KIND_TOOL_SET,
	tracing.Worker:         treatmentv1.ContactKind_CONTACT_KIND_WORKER,
	tracing.Crate:          treatmentv1.ContactKind_CONTACT_KIND_CRATE,
	tracing.House:          treatmentv1.ContactKind_CONTACT_KIND_HOUSE,
}

func (k *traceFacts) contact(o spread, c tracing.Contact) *treatmentv1.Contact {
	return &treatmentv1.Contact{
		Kind: contactKinds[c.Kind], InfectedLot: resource.Of("nurseries", o.nursery, "lots", c.Infected), Through: through(o.nursery, c),
		StartTime: timestamp(c.Start), EndTime: timestamp(c.End), Sentence: k.contactSentence(o, c),
	}
}

// through is what was shared: the name of a resource, or the nursery's own word.
func through(nursery string, c tracing.Contact) string {
	switch c.Kind {
	case tracing.Plants:
		return resource.Of("nurseries", nursery, "lots", c.Through)
	case tracing.SameBench, tracing.NeighbourBench:
		house, bench, _ := strings.Cut(c.Through, "/")
		return benchName(nursery, house, bench)
	case tracing.Worker:
		return resource.Of("nurseries", nursery, "people", c.Through)
	case tracing.House:
		return resource.Of("nurseries", nursery, "houses", c.Through)
	default:
		return c.Through
	}
}

func benchName(nursery, house, bench string) string {
	return resource.Of("nurseries", nursery, "houses", house, "benches", bench)
}

func (k *traceFacts) contactSentence(o spread, c tracing.Contact) string {
	moment := func(at time.Time) string { return at.In(k.nursery.Zone).Format("2 January 2006 15:04") }
	between := moment(c.Start) + " to " + moment(c.End)
	if !c.End.Before(o.end) {
		between = moment(c.Start) + " on"
	}
	switch c.Kind {
	case tracing.Plants:
		if c.Through == c.Infected {
			return fmt.Sprintf("Plants of it came from lot %s on %s.", c.Infected, moment(c.Start))
		}
		return fmt.Sprintf("Plants of lot %s came from it on %s.", c.Infected, moment(c.Start))
	case tracing.SameBench:
		return fmt.Sprintf("Stood on bench %s with lot %s, %s.", c.Through, c.Infected, "from "+between)
	case tracing.NeighbourBench:
		return fmt.Sprintf("Stood beside bench %s with lot %s, %s.", c.Through, c.Infected, "from "+between)
	case tracing.WaterLine:
		return fmt.Sprintf("Shared the water line %q with lot %s, %s.", c.Through, c.Infected, "from "+between)
	case tracing.House:
		return fmt.Sprintf("Stood in house %s with lot %s, %s.", c.Through, c.Infected, "from "+between)
	case tracing.ToolSet:
		disinfected := "with no disinfection on record in between"
		if c.Disinfected {
			disinfected = "disinfected in between"
		}
		return fmt.Sprintf("Worked on with the tools %q after lot %s, %s, on %s.", c.Through, c.Infected, disinfected, moment(c.Start))
	case tracing.Worker:
		return fmt.Sprintf("Handled by %s after lot %s on the same day, %s.", c.Through, c.Infected, moment(c.Start))
	default:
		return fmt.Sprintf("Put into the crate or trolley %q after lot %s, on %s; whether it was washed is not on record.", c.Through, c.Infected, moment(c.Start))
	}
}

// monthsForward is how far back plants of infected lots are traced to their buyers
// for a regulated pest: APHIS Confirmed Nursery Protocol, from memory.
const monthsForward = 12

// soldContract returns what left of infected lots, and of exposed ones after their
// first contact.
func soldContract(ctx context.Context, r postgres.Reader, k *traceFacts, o spread, zones *zoning, exposed []tracing.Exposed) ([]*treatmentv1.SoldPlants, error) {
	if !o.spreads() {
		return nil, nil
	}
	from := o.window(k.nursery.Zone).Start
	if zones.law {
		if before := o.onset.AddDate(0, -monthsForward, 0); before.Before(from) {
			from = before
		}
	}
	since := map[string]time.Time{}
	for _, lot := range o.infected {
		since[lot] = from
	}
	for _, e := range exposed {
		since[e.Lot] = slices.MinFunc(e.Contacts, func(a, b tracing.Contact) int { return a.Start.Compare(b.Start) }).Start
	}
	lots := make([]string, 0, len(since))
	for lot := range since {
		lots = append(lots, lot)
	}
	sales, err := stock.ReadSales(ctx, r, o.nursery, lots, from, o.end)
	if err != nil {
		return nil, err
	}
	var messages []*treatmentv1.SoldPlants
	for _, sale := range sales {
		if sale.Time.Before(since[sale.Lot]) {
			continue
		}
		messages = append(messages, &treatmentv1.SoldPlants{
			Lot: resource.Of("nurseries", o.nursery, "lots", sale.Lot), Plants: sale.Plants, SellTime: timestamp(sale.Time), Note: sale.Note,
		})
	}
	return messages, nil
}

// notes say what is missing for a better trace.
func (k *traceFacts) notes(o spread, zones *zoning, window tracing.Question) []string {
	if !o.spreads() {
		return []string{fmt.Sprintf("%s does not spread from plant to plant, so there is nothing to trace.", o.disorder.DisplayName)}
	}
	var notes []string
	unmeasured, dry := 0, 0
	for _, bench := range k.benches {
		if !bench.Place.Measured() {
			unmeasured++
		}
		if bench.WaterLine == "" {
			dry++
		}
	}
	if unmeasured > 0 {
		note := fmt.Sprintf("%d of %d benches are not measured: which stand beside each other is known only where people named it", unmeasured, len(k.benches))
		if zones.sets() {
			note += ", and lots on them cannot be placed in the zones of the law"
		}
		notes = append(notes, note+".")
	}
	if dry > 0 && o.waterborne() {
		notes = append(notes, fmt.Sprintf("The water line of %d of %d benches is not known, and %s spreads with water.", dry, len(k.benches), o.disorder.DisplayName))
	}
	if k.recorded == 0 {
		notes = append(notes, "No handling was recorded in this time: contacts by tools and crates are not known, those by hands only from the steps of programs.")
	}
	if zones.sets() && len(zones.pest.Genera) == 0 {
		notes = append(notes, "The law's zones are for host plants, and velamen has no list of the hosts of this pest: every lot within the distance is shown. Ask the authority which of them are hosts before anything is destroyed.")
	}
	notes = append(notes, k.lateOnes(o, window)...)
	if period, known := sampling.PeriodOf(o.disorder.ID); known && period.ReleasedBy == sampling.ByTests {
		notes = append(notes, "Infected plants may never show signs of it: only laboratory or strip tests show that a lot is free.")
	}
	return notes
}

// exposedNotes say what the list of lots does not show.
func exposedNotes(zones *zoning, exposed []tracing.Exposed) []string {
	var notes, rest []string
	longest := 0
	for _, e := range exposed {
		longest = max(longest, len(e.Contacts))
		if slices.ContainsFunc(e.Contacts, func(c tracing.Contact) bool { return c.Kind == tracing.Plants }) {
			rest = append(rest, e.Lot)
		}
	}
	if longest > mostContacts {
		notes = append(notes, fmt.Sprintf("Of lots with more than %d contacts the heaviest %d are listed; all count.", mostContacts, mostContacts))
	}
	if zones.law && zones.pest.RestOfLot && len(rest) > 0 {
		slices.Sort(rest)
		notes = append(notes, fmt.Sprintf("The law holds the rest of an infected lot as well, wherever it stands: these lots gave it plants or have some of it: %s.",
			strings.Join(rest, ", ")))
	}
	return notes
}

// waterborne reports whether it spreads with water.
func (o spread) waterborne() bool {
	return slices.ContainsFunc(o.disorder.Contagion.Routes, func(route diagnosisv1.Route) bool { return route == diagnosisv1.Route_ROUTE_WATER })
}

// lateOnes name the infected lots that came into the books inside the window.
func (k *traceFacts) lateOnes(o spread, window tracing.Question) []string {
	first := map[string]time.Time{}
	for _, stay := range k.stays {
		if _, seen := first[stay.Lot]; !seen && slices.Contains(o.infected, stay.Lot) {
			first[stay.Lot] = stay.From
		}
	}
	parts := map[string]bool{}
	for _, line := range k.facts.Lines {
		if line.Lot != line.Ancestor {
			parts[line.Lot] = true
		}
	}
	var notes []string
	for _, lot := range o.infected {
		if began, seen := first[lot]; seen && began.After(window.Start) && !parts[lot] {
			notes = append(notes, fmt.Sprintf("Lot %s came into the books on %s: what it shared before is not known, and it may have come infected.",
				lot, began.In(k.nursery.Zone).Format("2 January 2006")))
		}
	}
	slices.Sort(notes)
	return notes
}

// traceSources say where weights, times and distances come from.
func traceSources(o spread, zones *zoning) []string {
	sources := []string{
		"Weights of contacts: " + tracing.Shipped().Source + ".",
		"Benches within " + tracing.NeighbourWithin.String() + " m count as neighbours: design value.",
	}
	if o.spreads() {
		sources = append(sources,
			latentSource(o.disorder.ID),
			"Ways in which it spreads: "+strings.Join(diagnosis.Citations(o.disorder.Contagion.Source), "; ")+".",
			"Sample sizes: "+strings.TrimSuffix(sampling.DesignValues().Source, ".")+".")
	}
	if zones.law {
		sources = append(sources, "Zones and hold: "+strings.TrimSuffix(zones.pest.Source, ".")+".")
	}
	return sources
}
