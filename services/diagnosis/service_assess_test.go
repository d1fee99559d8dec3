package diagnosis_test

import (
	"context"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	stockv1 "velamen/gen/velamen/stock/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/fault"
	"velamen/internal/rpc/rpctest"
	"velamen/services/diagnosis/knowledge"
)

const (
	leaf       = diagnosisv1.Organ_ORGAN_LEAF
	stem       = diagnosisv1.Organ_ORGAN_STEM
	crown      = diagnosisv1.Organ_ORGAN_CROWN
	pseudobulb = diagnosisv1.Organ_ORGAN_PSEUDOBULB
)

func seen(organ diagnosisv1.Organ, sign string) *diagnosisv1.Observation {
	return &diagnosisv1.Observation{Organ: organ, Sign: sign, Presence: diagnosisv1.Presence_PRESENCE_OBSERVED}
}

func absent(organ diagnosisv1.Organ, sign string) *diagnosisv1.Observation {
	return &diagnosisv1.Observation{Organ: organ, Sign: sign, Presence: diagnosisv1.Presence_PRESENCE_ABSENT}
}

// standIn moves the nursery to another country.
func (n *nursery) standIn(t *testing.T, jurisdiction string) {
	t.Helper()
	require.NoError(t, n.db.InTx(context.Background(), func(tx pgx.Tx) error {
		_, err := tx.Exec(context.Background(), `UPDATE identity.nursery SET jurisdiction = $1 WHERE id = 'test'`, jurisdiction)
		return err
	}))
}

// addLot puts a lot on a bench and returns its name.
func (n *nursery) addLot(t *testing.T, id, botanicalName, onBench string) string {
	t.Helper()
	lot, err := n.stock.CreateLot(n.manager, &stockv1.CreateLotRequest{Parent: parent, LotId: id, RequestId: uuid.NewString(), Plants: 100,
		Origin: stockv1.LotEventKind_LOT_EVENT_KIND_STARTED, Lot: &stockv1.Lot{BotanicalName: botanicalName, Bench: onBench}})
	require.NoError(t, err)
	return lot.GetName()
}

func (n *nursery) addBench(t *testing.T, id string) string {
	t.Helper()
	bench, err := n.stock.CreateBench(n.manager, &stockv1.CreateBenchRequest{Parent: parent + "/houses/h1", BenchId: id, RequestId: uuid.NewString(),
		Bench: &stockv1.Bench{DisplayName: id, Area: &typev1.Quantity{Amount: "10", Unit: "m2"}}})
	require.NoError(t, err)
	return bench.GetName()
}

// look inspects a target some time before now.
func (n *nursery) look(t *testing.T, target string, before time.Duration, signs ...*diagnosisv1.Observation) string {
	t.Helper()
	found, err := n.client.CreateInspection(n.worker, &diagnosisv1.CreateInspectionRequest{Parent: parent, RequestId: uuid.NewString(),
		Inspection: &diagnosisv1.Inspection{Target: target, PlantsSampled: 20, PlantsAffected: 5, Observations: signs, InspectTime: timestamppb.New(today.Add(-before))}})
	require.NoError(t, err)
	return found.GetName()
}

// assess asks what some inspections point to.
func (n *nursery) assess(t *testing.T, inspections ...string) *diagnosisv1.Assessment {
	t.Helper()
	assessment, err := n.client.AssessSigns(n.worker, &diagnosisv1.AssessSignsRequest{Parent: parent, Inspections: inspections})
	require.NoError(t, err)
	return assessment
}

func percent(t *testing.T, text string) float64 {
	t.Helper()
	share, err := strconv.ParseFloat(text, 64)
	require.NoError(t, err)
	return share
}

func kinds(assessment *diagnosisv1.Assessment) (kinds []diagnosisv1.PrecautionKind) {
	for _, precaution := range assessment.GetPrecautions() {
		kinds = append(kinds, precaution.GetKind())
	}
	return kinds
}

// oomycete are the signs of the rot that spreads fastest.
func oomycete() []*diagnosisv1.Observation {
	return []*diagnosisv1.Observation{
		seen(crown, "black-advancing-rot"), seen(crown, "on-new-growth-or-base"), seen(leaf, "advances-within-days"), absent(crown, "foul-smell"),
	}
}

// A sign on an organ that the plant lacks, and two signs that exclude each other,
// are no inspection.
func TestContradictorySignsAreRefused(t *testing.T) {
	n := newNursery(t)
	for _, test := range []struct {
		name      string
		signs     []*diagnosisv1.Observation
		field     string
		explained []string
	}{
		{"oldest and youngest leaves first", []*diagnosisv1.Observation{seen(leaf, "on-old-leaves-first"), seen(leaf, "sunken"), seen(leaf, "on-young-leaves-first")},
			"inspection.observations[2]", []string{"on-old-leaves-first", "on-young-leaves-first", "split the inspection"}},
		{"a pseudobulb of a Phalaenopsis", []*diagnosisv1.Observation{seen(leaf, "sunken"), seen(pseudobulb, "sunken")},
			"inspection.observations[1].organ", []string{"Phalaenopsis has no pseudobulb"}},
	} {
		t.Run(test.name, func(t *testing.T) {
			request := inspection()
			request.Inspection.Observations = test.signs
			_, err := n.client.CreateInspection(n.worker, request)
			message, _ := rpctest.Refused(t, err, codes.InvalidArgument, fault.SignsContradict)
			for _, part := range test.explained {
				require.Contains(t, message, part)
			}
			require.Contains(t, message, test.field)
			require.Zero(t, n.count(t, "diagnosis.inspection"))
		})
	}
	request := inspection()
	request.Inspection.Observations = []*diagnosisv1.Observation{absent(leaf, "on-old-leaves-first"), seen(leaf, "on-young-leaves-first")}
	_, err := n.client.CreateInspection(n.worker, request)
	require.NoError(t, err, "what is absent excludes nothing")
	onBench := inspection()
	onBench.Inspection.Target = bench
	onBench.Inspection.Observations = []*diagnosisv1.Observation{seen(pseudobulb, "sunken"), seen(diagnosisv1.Organ_ORGAN_BENCH, "scattered-plants")}
	_, err = n.client.CreateInspection(n.worker, onBench)
	require.NoError(t, err, "on a bench anything may stand")
}

// An assessment ranks, says how sure and why, asks the next question, and never
// decides.
func TestAnAssessmentIsAProposal(t *testing.T) {
	n := newNursery(t)
	inspected := n.look(t, lot, 0, oomycete()...)
	assessment := n.assess(t, inspected)

	first := assessment.GetCandidates()[0]
	require.Equal(t, "black-rot", first.GetDisorder())
	require.Equal(t, diagnosisv1.DisorderClass_DISORDER_CLASS_OOMYCETE, first.GetDisorderClass())
	require.Equal(t, diagnosisv1.FungicideUse_FUNGICIDE_USE_OOMYCETE_ONLY, first.GetFungicideUse())
	require.Contains(t, first.GetTests(), "oomycete-strip")
	require.NotEmpty(t, first.GetWhy())
	require.NotEmpty(t, first.GetEnvironment())
	require.NotEmpty(t, first.GetHygiene())
	require.NotEmpty(t, first.GetEvidenceFor())
	for _, evidence := range first.GetEvidenceFor() {
		require.NotEmpty(t, evidence.GetSources(), evidence)
		require.Greater(t, percent(t, evidence.GetLikelihoodRatio()), 1.0)
	}
	last := 100.0
	none := 0
	for _, candidate := range assessment.GetCandidates() {
		require.Regexp(t, `^\d+\.\d$`, candidate.GetProbabilityPercent())
		require.LessOrEqual(t, percent(t, candidate.GetProbabilityPercent()), last)
		last = percent(t, candidate.GetProbabilityPercent())
		if candidate.GetDisorder() == "" {
			none++
			require.Contains(t, candidate.GetDisplayName(), "None")
			last = 100 // it stands at the end when it is not among the first
		}
	}
	require.Equal(t, 1, none, "none of those known is always one")
	require.NotEmpty(t, assessment.GetQuestions())
	require.LessOrEqual(t, len(assessment.GetQuestions()), 5)
	require.Equal(t, "orchid", assessment.GetPlantGroup())
	require.Equal(t, knowledge.Version(), assessment.GetKnowledgeVersion())
	require.Contains(t, assessment.GetCaution(), "icensed advice")
	require.Len(t, assessment.GetObservations(), 4)
	require.Zero(t, n.count(t, "diagnosis.diagnosis"))

	again := n.assess(t, inspected)
	require.True(t, proto.Equal(assessment, again), "the same question gets the same answer")

	few, err := n.client.AssessSigns(n.worker, &diagnosisv1.AssessSignsRequest{Parent: parent, Inspections: []string{inspected}, MaxCandidates: 1})
	require.NoError(t, err)
	require.Len(t, few.GetCandidates(), 2, "the first, and none of those known")
}

func TestNewerSignsReplaceOlderOnes(t *testing.T) {
	n := newNursery(t)
	older := n.look(t, lot, 48*time.Hour, seen(leaf, "on-old-leaves-first"), absent(leaf, "sunken"), seen(leaf, "mosaic"))
	newer := n.look(t, bench, 24*time.Hour, seen(leaf, "sunken"), seen(leaf, "on-young-leaves-first"))
	assessment := n.assess(t, newer, older)
	said := map[string]diagnosisv1.Presence{}
	for _, observation := range assessment.GetObservations() {
		said[observation.GetSign()] = observation.GetPresence()
	}
	require.Equal(t, map[string]diagnosisv1.Presence{
		"mosaic": diagnosisv1.Presence_PRESENCE_OBSERVED, "sunken": diagnosisv1.Presence_PRESENCE_OBSERVED,
		"on-young-leaves-first": diagnosisv1.Presence_PRESENCE_OBSERVED,
	}, said, "whatever the order of the request")
	require.Contains(t, assessment.GetNotes()[0], "on-old-leaves-first")

	whatIf, err := n.client.AssessSigns(n.worker, &diagnosisv1.AssessSignsRequest{Parent: parent, Inspections: []string{older},
		Observations: []*diagnosisv1.Observation{absent(leaf, "mosaic")}})
	require.NoError(t, err)
	virus := func(a *diagnosisv1.Assessment) float64 {
		for _, candidate := range a.GetCandidates() {
			if candidate.GetDisorder() == "virus-mosaic" {
				return percent(t, candidate.GetProbabilityPercent())
			}
		}
		return 0
	}
	require.Less(t, virus(whatIf), virus(n.assess(t, older)))
}

func TestForWhichPlantIsRanked(t *testing.T) {
	n := newNursery(t)
	other := n.addBench(t, "b2")
	onEmpty := n.look(t, other, 0, seen(leaf, "sunken"))
	require.Contains(t, n.assess(t, onEmpty).GetNotes()[0], "No lot stands on the bench")
	n.addLot(t, "l2", "Pelargonium zonale", other)
	require.Equal(t, "geranium", n.assess(t, onEmpty).GetPlantGroup())
	n.addLot(t, "l3", "Pelargonium peltatum", other)
	require.Equal(t, "geranium", n.assess(t, onEmpty).GetPlantGroup(), "two species of one genus")
	n.addLot(t, "l4", "Rosa chinensis", other)
	mixed := n.assess(t, onEmpty)
	require.Empty(t, mixed.GetPlantGroup())
	require.Contains(t, mixed.GetNotes()[0], "2 genera stand there")
	named, err := n.client.AssessSigns(n.worker, &diagnosisv1.AssessSignsRequest{Parent: parent, Inspections: []string{onEmpty}, BotanicalName: "Rosa"})
	require.NoError(t, err)
	require.Equal(t, "woody", named.GetPlantGroup())
}

func TestAssessmentsAreRefused(t *testing.T) {
	n := newNursery(t)
	inspected := n.look(t, lot, 0, oomycete()...)
	elsewhere := n.look(t, n.addLot(t, "l2", "Rosa chinensis", n.addBench(t, "b2")), 0, seen(leaf, "sunken"))
	onBench := n.look(t, parent+"/houses/h1/benches/b2", 0, seen(leaf, "sunken"))
	quantity := func(amount, unit string) *typev1.Quantity { return &typev1.Quantity{Amount: amount, Unit: unit} }
	for _, test := range []struct {
		name    string
		request *diagnosisv1.AssessSignsRequest
		code    codes.Code
		reason  fault.Reason
		field   string
	}{
		{"nothing to go by", &diagnosisv1.AssessSignsRequest{}, codes.InvalidArgument, fault.InvalidField, "inspections"},
		{"an unknown inspection", &diagnosisv1.AssessSignsRequest{Inspections: []string{parent + "/inspections/none"}}, codes.NotFound, fault.NotFoundReason, ""},
		{"two lots", &diagnosisv1.AssessSignsRequest{Inspections: []string{inspected, elsewhere}}, codes.InvalidArgument, fault.InvalidField, "inspections[1]"},
		{"a lot and another bench", &diagnosisv1.AssessSignsRequest{Inspections: []string{inspected, onBench}}, codes.InvalidArgument, fault.InvalidField, "inspections[1]"},
		{"an unknown sign", &diagnosisv1.AssessSignsRequest{Observations: []*diagnosisv1.Observation{seen(leaf, "bad-luck")}}, codes.InvalidArgument, fault.InvalidField, "observations[0].sign"},
		{"signs that exclude each other", &diagnosisv1.AssessSignsRequest{Observations: []*diagnosisv1.Observation{seen(leaf, "on-old-leaves-first"), seen(leaf, "on-young-leaves-first")}},
			codes.InvalidArgument, fault.SignsContradict, "observations[1]"},
		{"an organ that the plant lacks", &diagnosisv1.AssessSignsRequest{Inspections: []string{inspected}, Observations: []*diagnosisv1.Observation{seen(pseudobulb, "sunken")}},
			codes.InvalidArgument, fault.SignsContradict, "observations[0].organ"},
		{"degrees of another scale", &diagnosisv1.AssessSignsRequest{Inspections: []string{inspected}, Conditions: &diagnosisv1.SiteConditions{Temperature: quantity("75", "Cel")}},
			codes.InvalidArgument, fault.InvalidField, "conditions.temperature"},
		{"humidity in litres", &diagnosisv1.AssessSignsRequest{Inspections: []string{inspected}, Conditions: &diagnosisv1.SiteConditions{Humidity: quantity("75", "L")}},
			codes.InvalidArgument, fault.InvalidField, "conditions.humidity"},
		{"more than a day wet", &diagnosisv1.AssessSignsRequest{Inspections: []string{inspected}, Conditions: &diagnosisv1.SiteConditions{LeafWetness: quantity("25", "h")}},
			codes.InvalidArgument, fault.InvalidField, "conditions.leaf_wetness"},
	} {
		t.Run(test.name, func(t *testing.T) {
			test.request.Parent = parent
			_, err := n.client.AssessSigns(n.worker, test.request)
			message, _ := rpctest.Refused(t, err, test.code, test.reason)
			require.Contains(t, message, test.field)
		})
	}
}

func TestConditionsComeFromTheHouseWhereNobodySays(t *testing.T) {
	n := newNursery(t)
	_, err := n.importClimate(climateRequest(), climateFile("2026-03-01", 8), 1<<16)
	require.NoError(t, err)
	inspected := n.look(t, lot, 0, oomycete()...)
	measured := n.assess(t, inspected).GetConditions()
	require.InDelta(t, 23, percent(t, measured.GetTemperature().GetAmount()), 1)
	require.NotNil(t, measured.GetHumidity())

	wet := true
	given, err := n.client.AssessSigns(n.worker, &diagnosisv1.AssessSignsRequest{Parent: parent, Inspections: []string{inspected},
		Conditions: &diagnosisv1.SiteConditions{Temperature: &typev1.Quantity{Amount: "12", Unit: "Cel"}, Light: diagnosisv1.Light_LIGHT_LOW, WetMedium: &wet}})
	require.NoError(t, err)
	require.Equal(t, "12.0", given.GetConditions().GetTemperature().GetAmount(), "what a person says comes first")
	require.True(t, proto.Equal(measured.GetHumidity(), given.GetConditions().GetHumidity()))
	require.Equal(t, diagnosisv1.Light_LIGHT_LOW, given.GetConditions().GetLight())
	require.True(t, given.GetConditions().GetWetMedium())
}

// Before anybody knows: what spreads fast is set apart, a virus is not cut, and no
// fungicide goes on what it cannot work on.
func TestPrecautions(t *testing.T) {
	n := newNursery(t)
	fast := n.assess(t, n.look(t, lot, 0, oomycete()...))
	require.Equal(t, []diagnosisv1.PrecautionKind{diagnosisv1.PrecautionKind_PRECAUTION_KIND_ISOLATE_NOW}, kinds(fast))
	apart := fast.GetPrecautions()[0]
	require.Equal(t, "black-rot", apart.GetDisorder())
	require.Equal(t, "10.0", apart.GetThresholdPercent())
	require.GreaterOrEqual(t, percent(t, apart.GetProbabilityPercent()), percent(t, fast.GetCandidates()[0].GetProbabilityPercent()))
	require.NotEmpty(t, apart.GetSource())
	require.Nil(t, apart.GetNotifyByTime())

	virus, err := n.client.AssessSigns(n.worker, &diagnosisv1.AssessSignsRequest{Parent: parent, BotanicalName: "Cattleya labiata", Observations: []*diagnosisv1.Observation{
		seen(leaf, "mosaic"), seen(diagnosisv1.Organ_ORGAN_FLOWER, "colour-break"), seen(leaf, "ring-pattern"), absent(leaf, "soft-wet-rot"),
	}})
	require.NoError(t, err)
	require.Contains(t, kinds(virus), diagnosisv1.PrecautionKind_PRECAUTION_KIND_TEST_BEFORE_CUTTING)
	require.Contains(t, kinds(virus), diagnosisv1.PrecautionKind_PRECAUTION_KIND_NO_FUNGICIDE)

	sun, err := n.client.AssessSigns(n.worker, &diagnosisv1.AssessSignsRequest{Parent: parent, BotanicalName: "Phalaenopsis", Observations: []*diagnosisv1.Observation{
		seen(leaf, "on-exposed-face-only"), seen(leaf, "does-not-enlarge"), absent(leaf, "soft-wet-rot"), absent(leaf, "advances-within-days"), absent(leaf, "water-soaked"),
	}})
	require.NoError(t, err)
	require.Equal(t, "sunburn", sun.GetCandidates()[0].GetDisorder())
	require.NotContains(t, kinds(sun), diagnosisv1.PrecautionKind_PRECAUTION_KIND_ISOLATE_NOW)

	clean, err := n.client.AssessSigns(n.worker, &diagnosisv1.AssessSignsRequest{Parent: parent, BotanicalName: "Phalaenopsis", Observations: []*diagnosisv1.Observation{
		absent(leaf, "soft-wet-rot"), absent(leaf, "mosaic"),
	}})
	require.NoError(t, err)
	require.Empty(t, clean.GetPrecautions(), "how common disorders are sets no plant apart that shows nothing")
}

// A spray on a guess costs the crop: where most of what it may be takes no fungicide,
// that is said although what comes first would.
func TestNoFungicideIsAppliedWhileMostOfWhatItMayBeTakesNone(t *testing.T) {
	n := newNursery(t)
	mixed, err := n.client.AssessSigns(n.worker, &diagnosisv1.AssessSignsRequest{Parent: parent, BotanicalName: "Phalaenopsis", Observations: []*diagnosisv1.Observation{
		seen(leaf, "starts-at-tip"), seen(leaf, "sharp-edge"),
	}})
	require.NoError(t, err)
	require.Contains(t, kinds(mixed), diagnosisv1.PrecautionKind_PRECAUTION_KIND_NO_FUNGICIDE)
	for _, precaution := range mixed.GetPrecautions() {
		if precaution.GetKind() == diagnosisv1.PrecautionKind_PRECAUTION_KIND_NO_FUNGICIDE {
			require.NotEmpty(t, precaution.GetSentence())
			require.GreaterOrEqual(t, percent(t, precaution.GetProbabilityPercent()), 1.0)
		}
	}
}

// ramorum are signs of a quarantine pest on a rhododendron.
func ramorum() []*diagnosisv1.Observation {
	return []*diagnosisv1.Observation{
		seen(leaf, "black-along-midrib"), seen(leaf, "starts-at-tip"), seen(stem, "shoots-die-back"), seen(leaf, "blackened-patch"),
	}
}

func TestARegulatedPestIsHeldOnSuspicion(t *testing.T) {
	n := newNursery(t)
	bush := n.addLot(t, "r1", "Rhododendron ponticum", n.addBench(t, "b2"))
	inspected := n.look(t, bush, 0, ramorum()...)
	unlisted := n.assess(t, inspected)
	require.NotContains(t, kinds(unlisted), diagnosisv1.PrecautionKind_PRECAUTION_KIND_HOLD_AND_NOTIFY, "no law known here names it")
	require.Contains(t, strings.Join(unlisted.GetNotes(), "\n"), "ask the plant health authority whether it must be told")

	n.standIn(t, "US-OR")
	held := n.assess(t, inspected).GetPrecautions()[0]
	require.Equal(t, diagnosisv1.PrecautionKind_PRECAUTION_KIND_HOLD_AND_NOTIFY, held.GetKind())
	require.Equal(t, "ramorum-blight", held.GetDisorder())
	require.Equal(t, "5.0", held.GetThresholdPercent())
	require.Equal(t, today.Add(24*time.Hour), held.GetNotifyByTime().AsTime())
	require.Contains(t, held.GetSentence(), "APHIS")
	require.Contains(t, held.GetSource(), "7 CFR 301.92")
	apart := n.assess(t, inspected).GetPrecautions()[1]
	require.Equal(t, diagnosisv1.PrecautionKind_PRECAUTION_KIND_ISOLATE_NOW, apart.GetKind())
	require.Contains(t, apart.GetSentence(), "where they stand", "what the law may hold is not carried to another bench")

	n.standIn(t, "DE")
	held = n.assess(t, inspected).GetPrecautions()[0]
	require.Equal(t, today, held.GetNotifyByTime().AsTime(), "at once")
	require.Contains(t, held.GetSentence(), "at once")
}
