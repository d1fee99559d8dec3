package treatment

import (
	"context"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/shopspring/decimal"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/fault"
	"velamen/internal/postgres"
	"velamen/internal/quantity"
	"velamen/services/diagnosis"
	"velamen/services/diagnosis/knowledge"
	"velamen/services/stock"
	"velamen/services/treatment/rules"
	"velamen/services/treatment/sampling"
)

// ReleaseCaution stands on what is stated at a release.
const ReleaseCaution = "A statement about a sample, not a certificate: plants can carry a disease without signs. Local law and licensed advice decide."

// RuleRelease is what a manager overrides who releases lots before their
// inspections show enough.
const RuleRelease = "release-evidence"

// inspected is a step that was confirmed with a look or a test.
type inspected struct {
	at     time.Time
	kind   Kind
	counts *treatmentv1.InspectionCounts
	lab    treatmentv1.LabResult
}

// assess says what the inspections of a program show. last is one that is being
// confirmed with the release, nil for none.
func assess(ctx context.Context, r postgres.Reader, p *program, lots []string, last *inspected) (sampling.Statement, sampling.Release, error) {
	release := sampling.Release{}
	values, err := valuesOf(p)
	if err != nil {
		return sampling.Statement{}, release, err
	}
	period, ok := sampling.PeriodOf(p.disorder)
	if !ok {
		return sampling.Statement{}, release, fmt.Errorf("no latent period stands for %s", p.disorder)
	}
	release.Values, release.Period = values, period
	events, err := readConfirmations(ctx, r, p)
	if err != nil {
		return sampling.Statement{}, release, err
	}
	if release.ExposureEnd, err = exposureEnd(ctx, r, p); err != nil {
		return sampling.Statement{}, release, err
	}
	found := inspections(p, events)
	if last != nil {
		found = append(found, *last)
	}
	if release.Plants, err = plantsNow(ctx, r, p.nursery, lots); err != nil {
		return sampling.Statement{}, release, err
	}
	if release.Plants == 0 {
		return sampling.Statement{}, release, fault.New(fault.Precondition, fault.LotEmpty, "the lots of program %s have no plants left", p.id).
			With("program", p.name())
	}
	if release.Inspections, err = countInspections(ctx, r, p, lots, found); err != nil {
		return sampling.Statement{}, release, err
	}
	statement, err := sampling.Assess(release)
	return statement, release, err
}

// valuesOf returns what a release must prove: what the template's release step
// asks for, and the design values where it says nothing.
func valuesOf(p *program) (sampling.Values, error) {
	values := sampling.DesignValues()
	i := slices.IndexFunc(p.template.GetSteps(), func(step *treatmentv1.TemplateStep) bool { return step.GetKind() == release })
	if i < 0 {
		return values, nil
	}
	step := p.template.GetSteps()[i]
	for _, own := range []struct {
		message *typev1.Quantity
		value   *decimal.Decimal
	}{
		{step.GetReleaseConfidence(), &values.Confidence},
		{step.GetReleasePrevalence(), &values.Prevalence},
		{step.GetInspectionSensitivity(), &values.Sensitivity},
	} {
		if own.message == nil {
			continue
		}
		percent, err := quantity.FromContract(own.message)
		if err != nil {
			return values, err
		}
		*own.value = percent.Amount.Shift(-2)
	}
	return values, nil
}

// inspections returns the looks and tests among the confirmations of a program.
func inspections(p *program, events []record) []inspected {
	var found []inspected
	for _, event := range events {
		step, ok := p.state.Find(event.Step)
		if !ok || (step.Kind != inspect && step.Kind != labTest) {
			continue
		}
		found = append(found, inspected{at: event.At, kind: step.Kind, counts: event.confirmation.GetInspection(), lab: event.confirmation.GetLabResult()})
	}
	return found
}

// exposureEnd is when the plants of a program were last open to infection: when
// the first chemical of the round had gone on, which follows the cutting, or where
// the round has none when the last part was cut or repotted. Common practice, no
// source. Plants that joined later were open to it until then.
func exposureEnd(ctx context.Context, r postgres.Reader, p *program) (time.Time, error) {
	var treated, cut time.Time
	for _, step := range p.state.Steps {
		if step.Round != p.state.Round || step.Done.IsZero() || step.Status != Confirmed {
			continue
		}
		switch {
		case Applies(step.Kind) && (treated.IsZero() || step.Done.Before(treated)):
			treated = step.Done
		case step.Kind == prune || step.Kind == cutBack || step.Kind == repot || step.Kind == isolate:
			cut = later(cut, step.Done)
		}
	}
	joined, err := readLastJoined(ctx, r, p)
	if err != nil {
		return time.Time{}, err
	}
	end := cut
	if !treated.IsZero() {
		end = treated
	}
	// The lots of the case join when it is opened, which for a program entered
	// mid-outbreak is after the work; only those that came later count.
	if joined.After(p.created) {
		end = later(end, joined)
	}
	return end, nil
}

// plantsNow is how many plants lots have.
func plantsNow(ctx context.Context, r postgres.Reader, nursery string, lots []string) (int64, error) {
	found, err := stock.ReadLots(ctx, r, nursery, lots)
	var plants int64
	for _, lot := range found {
		plants += lot.Plants
	}
	return plants, err
}

// countInspections adds to each inspection how many plants the lots had then. One
// that counted more plants than there were looked at all of them.
func countInspections(ctx context.Context, r postgres.Reader, p *program, lots []string, found []inspected) ([]sampling.Inspection, error) {
	times := make([]time.Time, len(found))
	for i, one := range found {
		times[i] = one.at
	}
	plants, err := stock.ReadPlantsAt(ctx, r, p.nursery, lots, times)
	if err != nil {
		return nil, err
	}
	var counted []sampling.Inspection
	for i, one := range found {
		inspection := sampling.Inspection{
			Time: one.at, Plants: max(plants[i], 1), Test: one.kind == labTest,
			Sampled: one.counts.GetPlantsSampled(), Affected: one.counts.GetPlantsAffected(),
		}
		if one.kind == labTest && one.counts == nil {
			// Nobody said how many plants the test took in: one, to be safe.
			inspection.Sampled = 1
		}
		if one.lab == treatmentv1.LabResult_LAB_RESULT_POSITIVE {
			inspection.Affected = max(inspection.Affected, 1)
		}
		inspection.Sampled = min(inspection.Sampled, inspection.Plants)
		inspection.Affected = min(inspection.Affected, inspection.Sampled)
		if inspection.Sampled > 0 {
			counted = append(counted, inspection)
		}
	}
	return counted, nil
}

// checkCounts refuses an inspection that says to have looked at more plants than the
// lots had: what it shows would be stated as proven.
func checkCounts(ctx context.Context, r postgres.Reader, nursery string, lots []string, c confirming) error {
	counts := c.confirmation.GetInspection()
	if counts == nil {
		return nil
	}
	plants, err := stock.ReadPlantsAt(ctx, r, nursery, lots, []time.Time{c.confirmation.GetEndTime().AsTime()})
	if err != nil {
		return err
	}
	if counts.GetPlantsSampled() <= plants[0] {
		return nil
	}
	return fault.Field(c.path+".inspection.plants_sampled", "the lots had %d plants then, so %d cannot have been looked at", plants[0], counts.GetPlantsSampled()).
		With("plants", strconv.FormatInt(plants[0], 10)).With("plants_sampled", strconv.FormatInt(counts.GetPlantsSampled(), 10))
}

// assessmentOf returns what is stated at a release as the contract carries it.
func assessmentOf(s sampling.Statement, r sampling.Release) (*treatmentv1.ReleaseAssessment, error) {
	message := &treatmentv1.ReleaseAssessment{
		Sufficient: s.Releasable, Statement: s.Sentence, Plants: r.Plants, PlantsNeeded: s.Needed.Plants,
		SpanDays: int32(s.SpanDays), SpanDaysNeeded: int32(s.SpanNeededDays),
		Sources: releaseSources(r), Caution: ReleaseCaution,
	}
	for _, shortfall := range s.Shortfalls {
		message.Missing = append(message.Missing, sentence(shortfall.Message))
	}
	if s.Infection {
		message.Confidence = quantity.Quantity{Amount: s.Proven.Confidence.Shift(2), Unit: quantity.Percent}.Contract()
	}
	if s.Proven.RuledOut.Possible {
		message.PrevalenceRuledOut = quantity.Quantity{Amount: s.Proven.RuledOut.Prevalence.Shift(2), Unit: quantity.Percent}.Contract()
	}
	return message, describeRelease(message, r)
}

// releaseSources say where latent period, span and the other values come from.
func releaseSources(r sampling.Release) []string {
	sources := []string{r.Period.Source, r.Values.Source}
	if latent := latentSource(r.Period.Disorder); latent != "" {
		sources = append([]string{latent}, sources...)
	}
	return sources
}

// latentSource says where the latent period of a disorder comes from; empty where
// nothing spreads.
func latentSource(disorder string) string {
	known, found := knowledge.Shipped().Disorder(disorder)
	if !found || known.Latent == nil {
		return ""
	}
	return "Latent period: " + strings.Join(diagnosis.Citations(known.Latent.Source), "; ") + "."
}

// describeRelease adds to an assessment when inspections are worth while, when the lots can
// be released at the earliest, and what the last inspection says of all plants.
func describeRelease(message *treatmentv1.ReleaseAssessment, r sampling.Release) error {
	if r.Period.ReleasedBy == sampling.ByNothing {
		return nil
	}
	calendar, err := sampling.InspectionDays(r.Period, r.Values.CleanInspections, r.Values)
	if err != nil {
		return err
	}
	message.FirstInspectionAfterDays, message.InspectionsApartDays = int32(calendar.FirstAfterDays), int32(calendar.ApartDays)
	if !r.ExposureEnd.IsZero() {
		message.ExposureEndTime = timestamp(r.ExposureEnd)
		message.EarliestTime = timestamp(r.ExposureEnd.Add(time.Duration(r.Period.SpanDays) * 24 * time.Hour))
	}
	if len(r.Inspections) == 0 {
		return nil
	}
	last := slices.MaxFunc(r.Inspections, func(a, b sampling.Inspection) int { return a.Time.Compare(b.Time) })
	found, err := sampling.IncidenceOf(last.Affected, last.Sampled, last.Plants, r.Values.Confidence)
	if err != nil {
		return err
	}
	message.LastSampled, message.LastAffected = last.Sampled, last.Affected
	message.IncidenceLow, message.IncidenceHigh = found.Low, found.High
	return nil
}

// sentence gives a text a capital and a full stop.
func sentence(text string) string {
	return strings.ToUpper(text[:1]) + text[1:] + "."
}

// earliestRelease is when the lots will have been clean long enough; zero when they
// have been, and something else is missing.
func earliestRelease(assessment *treatmentv1.ReleaseAssessment, c confirming) time.Time {
	if assessment.GetEarliestTime() == nil || !assessment.GetEarliestTime().AsTime().After(c.confirmation.GetEndTime().AsTime()) {
		return time.Time{}
	}
	return assessment.GetEarliestTime().AsTime()
}

// checkReleased refuses a release whose inspections do not show enough, unless an
// owner or a manager answers for it.
func checkReleased(ctx context.Context, tx pgx.Tx, p *program, lots []string, c confirming) (*treatmentv1.ReleaseAssessment, []*treatmentv1.Override, error) {
	var last *inspected
	if counts := c.confirmation.GetInspection(); counts != nil {
		last = &inspected{at: c.confirmation.GetEndTime().AsTime(), kind: inspect, counts: counts}
	}
	statement, evidence, err := assess(ctx, tx, p, lots, last)
	if err != nil {
		return nil, nil, err
	}
	assessment, err := assessmentOf(statement, evidence)
	if err != nil {
		return nil, nil, err
	}
	var refused []rules.Verdict
	if !statement.Releasable {
		refused = append(refused, rules.Verdict{
			Rule: RuleRelease, Outcome: rules.Refuse, Field: c.path + ".inspection", Overridable: true,
			Message: "The inspections do not show enough for a release. " + strings.Join(assessment.GetMissing(), " ") +
				" A clean inspection may be given with the release.",
			Source:   strings.Join(assessment.GetSources(), " "),
			Earliest: earliestRelease(assessment, c),
		})
	}
	overrides, err := settle(refused, c)
	return assessment, overrides, err
}
