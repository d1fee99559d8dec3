package treatment

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/types/known/timestamppb"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/clock"
	"velamen/internal/fault"
)

func TestTimesOfTheWork(t *testing.T) {
	now := clock.Fixed(day0)
	for _, test := range []struct {
		name       string
		start, end time.Duration
		ok         bool
	}{
		{"an hour's work that just ended", -time.Hour, 0, true},
		{"no time at all", 0, 0, true},
		{"a phone's clock that runs four minutes ahead", -time.Hour, 4 * time.Minute, true},
		{"an end before its start", 0, -time.Second, false},
		{"work of a day and a night", -24 * time.Hour, 0, true},
		{"work that lasted longer", -24*time.Hour - time.Second, 0, false},
		{"an end in the future", -time.Hour, time.Hour, false},
	} {
		t.Run(test.name, func(t *testing.T) {
			err := CheckTimes("confirmation", &treatmentv1.Confirmation{
				StartTime: timestamppb.New(day0.Add(test.start)), EndTime: timestamppb.New(day0.Add(test.end)),
			}, now)
			if test.ok {
				require.NoError(t, err)
				return
			}
			require.True(t, fault.Is(err, fault.InvalidTimes))
			f, _ := fault.As(err)
			require.Equal(t, "confirmation.end_time", f.Field)
		})
	}
}

func TestEveryProofIsAskedForByItsField(t *testing.T) {
	for proof, field := range map[Proof]string{
		treatmentv1.Proof_PROOF_REMOVED_PARTS_BINNED: "c.removed_parts_binned",
		treatmentv1.Proof_PROOF_DISINFECTANT:         "c.disinfectant",
		treatmentv1.Proof_PROOF_CUT_FACE:             "c.cut_face",
		treatmentv1.Proof_PROOF_INSPECTION_COUNTS:    "c.inspection",
		treatmentv1.Proof_PROOF_APPLICATION:          "c.treatments",
		treatmentv1.Proof_PROOF_PHOTO:                "c.photos",
		treatmentv1.Proof_PROOF_LAB_RESULT:           "c.lab_result",
	} {
		err := CheckProofs("c", cutBack, []Proof{proof}, &treatmentv1.Confirmation{Disinfectant: "  "})
		require.True(t, fault.Is(err, fault.ProofMissing), "%s: %v", proof, err)
		f, _ := fault.As(err)
		require.Equal(t, field, f.Field)
	}
	require.NoError(t, CheckProofs("c", release, nil, &treatmentv1.Confirmation{}))
}

func TestACheckThatNothingIsSaidAboutDoesNotPassForClean(t *testing.T) {
	for kind, field := range map[Kind]string{
		inspect: "c.inspection", cutBack: "c.cut_face", labTest: "c.lab_result", spray: "c.treatments",
	} {
		err := CheckProofs("c", kind, nil, &treatmentv1.Confirmation{})
		require.True(t, fault.Is(err, fault.ProofMissing), "%s: %v", kind, err)
		f, _ := fault.As(err)
		require.Equal(t, field, f.Field)
	}
}

func TestATimeThatIsNoneIsRefused(t *testing.T) {
	err := CheckTimes("c", &treatmentv1.Confirmation{
		StartTime: &timestamppb.Timestamp{Seconds: -1 << 60}, EndTime: timestamppb.New(day0),
	}, clock.Fixed(day0))
	f, ok := fault.As(err)
	require.True(t, ok, "%v", err)
	require.Equal(t, "c.start_time", f.Field)
}

func TestAConfirmationIsRefusedByField(t *testing.T) {
	litres := func(amount string) *typev1.Quantity { return &typev1.Quantity{Amount: amount, Unit: "L"} }
	metres := func(amount string) *typev1.Quantity { return &typev1.Quantity{Amount: amount, Unit: "m2"} }
	treated := func(change func(*treatmentv1.HouseTreatment)) *treatmentv1.Confirmation {
		h := &treatmentv1.HouseTreatment{House: "nurseries/n/houses/h", Area: metres("10"), MixVolume: litres("5"),
			Products: []*treatmentv1.ProductUse{{Product: "nurseries/n/products/p"}}}
		change(h)
		return &treatmentv1.Confirmation{Treatments: []*treatmentv1.HouseTreatment{h}}
	}
	mixedTwice := treated(func(h *treatmentv1.HouseTreatment) { h.Products = append(h.Products, h.GetProducts()[0]) })
	twice := treated(func(*treatmentv1.HouseTreatment) {})
	twice.Treatments = append(twice.Treatments, twice.GetTreatments()[0])
	for _, test := range []struct {
		name  string
		kind  Kind
		c     *treatmentv1.Confirmation
		field string
	}{
		{"chemical in a step without", isolate, treated(func(*treatmentv1.HouseTreatment) {}), "c.treatments"},
		{"no area", spray, treated(func(h *treatmentv1.HouseTreatment) { h.Area = metres("0") }), "c.treatments[0].area"},
		{"an area in litres", spray, treated(func(h *treatmentv1.HouseTreatment) { h.Area = litres("10") }), "c.treatments[0].area"},
		{"a negative volume", spray, treated(func(h *treatmentv1.HouseTreatment) { h.MixVolume = litres("-5") }), "c.treatments[0].mix_volume"},
		{"a negative leftover", spray, treated(func(h *treatmentv1.HouseTreatment) { h.Leftover = litres("-1") }), "c.treatments[0].leftover"},
		{"the same house and product twice", spray, twice, "c.treatments[1].house"},
		{"the same product twice in a mix", spray, mixedTwice, "c.treatments[0].products[1].product"},
		{"isolation without a bench", isolate, &treatmentv1.Confirmation{}, "c.bench"},
		{"more affected than sampled", inspect, &treatmentv1.Confirmation{Inspection: &treatmentv1.InspectionCounts{PlantsSampled: 3, PlantsAffected: 4}}, "c.inspection.plants_affected"},
		{"a temperature in percent", release, &treatmentv1.Confirmation{Conditions: &treatmentv1.Conditions{Temperature: &typev1.Quantity{Amount: "20", Unit: "%"}}}, "c.conditions.temperature"},
	} {
		t.Run(test.name, func(t *testing.T) {
			err := CheckProofs("c", test.kind, nil, test.c)
			f, ok := fault.As(err)
			require.True(t, ok, "%v", err)
			require.Equal(t, test.field, f.Field)
		})
	}
}

func TestWhatACheckShows(t *testing.T) {
	for _, test := range []struct {
		name string
		kind Kind
		c    *treatmentv1.Confirmation
		want Outcome
	}{
		{"clean inspection", inspect, &treatmentv1.Confirmation{Inspection: &treatmentv1.InspectionCounts{PlantsSampled: 40}}, OutcomeClean},
		{"one spot", inspect, &treatmentv1.Confirmation{Inspection: &treatmentv1.InspectionCounts{PlantsSampled: 40, PlantsAffected: 1}}, OutcomeFailed},
		{"clean cut", cutBack, &treatmentv1.Confirmation{CutFace: treatmentv1.CutFace_CUT_FACE_CLEAN}, OutcomeClean},
		{"coloured ring", cutBack, &treatmentv1.Confirmation{CutFace: treatmentv1.CutFace_CUT_FACE_STAINED}, OutcomeFailed},
		{"found by the laboratory", labTest, &treatmentv1.Confirmation{LabResult: treatmentv1.LabResult_LAB_RESULT_POSITIVE}, OutcomeFailed},
		{"spray", spray, &treatmentv1.Confirmation{}, OutcomeDone},
	} {
		t.Run(test.name, func(t *testing.T) { require.Equal(t, test.want, OutcomeOf(test.kind, test.c)) })
	}
}
