package treatment_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	stockv1 "velamen/gen/velamen/stock/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/fault"
	"velamen/internal/rpc/rpctest"
	"velamen/services/treatment"
)

func (n *nursery) toInspect(request *treatmentv1.ProposeInspectionsRequest) *treatmentv1.InspectionPlan {
	n.t.Helper()
	request.Parent = "nurseries/test"
	plan, err := n.treatment.ProposeInspections(asWorker(), request)
	require.NoError(n.t, err)
	require.NotEmpty(n.t, plan.GetCaution())
	require.Contains(n.t, plan.GetSamplingStatement(), "95 %")
	return plan
}

// planned returns the lots in their order, and the kinds of reason of each.
func planned(plan *treatmentv1.InspectionPlan) (lots []string, why map[string]string) {
	why = map[string]string{}
	for _, inspection := range plan.GetInspections() {
		lot := strings.TrimPrefix(inspection.GetLot(), name("lots/"))
		lots = append(lots, lot)
		var kinds []string
		for _, reason := range inspection.GetReasons() {
			kinds = append(kinds, strings.TrimPrefix(reason.GetKind().String(), "INSPECTION_REASON_KIND_"))
		}
		why[lot] = strings.Join(kinds, " ")
	}
	return lots, why
}

func (n *nursery) look(target string, sampled int64) {
	n.t.Helper()
	_, err := n.diagnosis.CreateInspection(asWorker(), &diagnosisv1.CreateInspectionRequest{
		Parent: "nurseries/test", RequestId: newID(), Inspection: &diagnosisv1.Inspection{Target: target, PlantsSampled: sampled},
	})
	require.NoError(n.t, err)
}

// lotsOf returns the lots of routine inspections, sorted.
func lotsOf(inspections []treatment.RoutineInspection) []string {
	var lots []string
	for _, inspection := range inspections {
		for _, found := range inspection.Lots {
			lots = append(lots, found.Lot.ID)
		}
	}
	slices.Sort(lots)
	return lots
}

func TestCleanHousesAreLookedAtBeforeSuspectOnes(t *testing.T) {
	n, c := openNursery(t)
	_, err := n.stock.CreateHouse(asManager(), &stockv1.CreateHouseRequest{Parent: "nurseries/test", HouseId: "h2", RequestId: newID(),
		House: &stockv1.House{DisplayName: "House 2", Area: q("100", "m2")}})
	require.NoError(t, err)
	_, err = n.stock.CreateBench(asManager(), &stockv1.CreateBenchRequest{Parent: name("houses/h2"), BenchId: "b1", RequestId: newID(),
		Bench: &stockv1.Bench{DisplayName: "b1", Area: q("12", "m2")}})
	require.NoError(t, err)
	const moth = "Phalaenopsis amabilis"
	old := day0.AddDate(0, 0, -20)
	n.plant("clean", moth, name("houses/h2/benches/b1"), 500, old)
	n.plant("near", moth, name("houses/h1/benches/b1"), 40, old)
	n.plant("far", moth, n.addBench("t1", "", ""), 40, old)
	held := n.plant("held", moth, n.addBench("t2", "", ""), 40, old)
	program := n.start("black-rot", "oomycete-rot")
	sick := strings.TrimPrefix(program.GetLots()[0], name("lots/"))
	n.restrictFor("black-rot", name("duties/d-1"), old, held)
	c.now = day0.AddDate(0, 0, 2)

	plan := n.toInspect(&treatmentv1.ProposeInspectionsRequest{})
	require.Equal(t, "2026-03-04", plan.GetDate())
	lots, why := planned(plan)
	require.Equal(t, []string{"clean", "far", "near", "held"}, lots, "the lot of the case has just been looked at")
	require.Equal(t, map[string]string{"clean": "ROUND", "far": "ROUND", "near": "EXPOSED ROUND", "held": "OFFICIAL_HOLD ROUND"}, why)
	near := plan.GetInspections()[2]
	require.Equal(t, program.GetCase(), near.GetReasons()[0].GetBecauseOf())
	require.Equal(t, "black-rot", near.GetReasons()[0].GetDisorder())
	require.Contains(t, near.GetReasons()[0].GetSentence(), "signs could show from 2026-03-0")
	require.EqualValues(t, 40, near.GetPlants())
	require.Positive(t, near.GetPlantsToInspect())
	require.Nil(t, near.GetLastInspectTime())
	require.Less(t, plan.GetInspections()[0].GetPlantsToInspect(), int64(500))
	require.NotContains(t, lots, sick)

	// Looked at, it is left out, by lot or by bench; what is on hold is seen every fortnight.
	n.look(name("houses/h1/benches/b1"), 10)
	n.look(name("lots/clean"), 10)
	n.look(held, 10)
	lots, _ = planned(n.toInspect(&treatmentv1.ProposeInspectionsRequest{}))
	require.Equal(t, []string{"far"}, lots)
	lots, why = planned(n.toInspect(&treatmentv1.ProposeInspectionsRequest{Date: "2026-03-05"}))
	require.Equal(t, []string{"far", "near"}, lots, "tomorrow signs could show that do not today")
	require.Equal(t, "EXPOSED", why["near"])
	days, err := treatment.ReadRoutineInspections(t.Context(), n.db.DB, "test", []string{"2026-03-04", "2026-03-05"}, c.now)
	require.NoError(t, err)
	require.Equal(t, []string{"far"}, lotsOf(days[0]), "what is traced once still depends on the day")
	require.Equal(t, []string{"far", "near"}, lotsOf(days[1]))
	c.now = day0.AddDate(0, 0, 10)
	_, why = planned(n.toInspect(&treatmentv1.ProposeInspectionsRequest{}))
	require.Equal(t, "ROUND", why["held"])
	c.now = day0.AddDate(0, 0, 17)
	_, why = planned(n.toInspect(&treatmentv1.ProposeInspectionsRequest{}))
	require.Equal(t, "OFFICIAL_HOLD ROUND", why["held"])

	one := n.toInspect(&treatmentv1.ProposeInspectionsRequest{MaxLots: 1})
	lots, _ = planned(one)
	require.Len(t, lots, 1)
	require.Contains(t, one.GetNotes()[0], "more lots should be looked at")
	lots, _ = planned(n.toInspect(&treatmentv1.ProposeInspectionsRequest{House: name("houses/h2")}))
	require.Equal(t, []string{"clean"}, lots)
}

func TestInspectionsOfProgramsComeDue(t *testing.T) {
	n, c := openNursery(t)
	steps := []string{"isolate", "disinfect", "prune", "systemic", "contact"}
	var before []*treatmentv1.CompletedStep
	end := day0.AddDate(0, 0, -20)
	for _, key := range steps {
		before = append(before, completed(key, end))
		end = end.Add(2 * 3600e9)
		if key == "systemic" {
			end = end.AddDate(0, 0, 14)
		}
	}
	program := n.start("phyllosticta-leaf-spot", "leaf-spots", before...)
	c.now = day0.AddDate(0, 0, 30)
	plan := n.toInspect(&treatmentv1.ProposeInspectionsRequest{})
	require.Len(t, plan.GetInspections(), 1)
	first := plan.GetInspections()[0]
	require.Equal(t, program.GetLots()[0], first.GetLot())
	require.Equal(t, treatmentv1.InspectionReasonKind_INSPECTION_REASON_KIND_STEP_DUE, first.GetReasons()[0].GetKind())
	require.Equal(t, program.GetName()+"/steps/inspection-1", first.GetReasons()[0].GetBecauseOf())
	require.Len(t, first.GetReasons(), 2, "one lot, its reasons together: the round is due as well")
}

func TestPlansOfInspectionsThatAreRefused(t *testing.T) {
	n, _ := openNursery(t)
	_, err := n.treatment.ProposeInspections(asWorker(), &treatmentv1.ProposeInspectionsRequest{Parent: "nurseries/test", Date: "2026-02-30"})
	rpctest.RefusedField(t, err, "date")
	_, err = n.treatment.ProposeInspections(asWorker(), &treatmentv1.ProposeInspectionsRequest{Parent: "nurseries/test", Date: "2026-03-01"})
	rpctest.RefusedField(t, err, "date")
	require.Contains(t, err.Error(), "2026-03-02")
	_, err = n.treatment.ProposeInspections(asWorker(), &treatmentv1.ProposeInspectionsRequest{Parent: "nurseries/test", House: name("lots/l-1")})
	rpctest.RefusedField(t, err, "house")
	_, err = n.treatment.ProposeInspections(asWorker(), &treatmentv1.ProposeInspectionsRequest{Parent: "nurseries/test", House: name("houses/none")})
	rpctest.Refused(t, err, codes.NotFound, fault.NotFoundReason)
}

// wetNights is a logger's file of ten-minute readings that end in the morning of day0:
// 20 °C and 96 % in the night, 24 °C and 60 % by day.
func wetNights() string {
	var file strings.Builder
	file.WriteString("time,temp (°C),rh (%)\n")
	for at := day0.AddDate(0, 0, -5); at.Before(day0.AddDate(0, 0, -1)); at = at.Add(10 * time.Minute) {
		digit := at.Minute() / 10 % 2 // the digits vary, as those of sensors do
		if at.Hour() >= 18 || at.Hour() < 8 {
			fmt.Fprintf(&file, "%s,20.0%d,96.%d\n", at.Format("2006-01-02 15:04"), digit, digit)
			continue
		}
		fmt.Fprintf(&file, "%s,24.0%d,60.%d\n", at.Format("2006-01-02 15:04"), digit, digit)
	}
	return file.String()
}

func TestLotsThatTheClimateLetSomethingInfectAreLookedAt(t *testing.T) {
	n, _ := openNursery(t)
	lot := n.newLot()
	n.look(lot, 5) // today; the round does not ask for it
	stream, err := n.diagnosis.ImportClimate(asWorker())
	require.NoError(t, err)
	require.NoError(t, stream.Send(&diagnosisv1.ImportClimateRequest{
		Parent: name("houses/h1"), Logger: "north", RequestId: newID(), Format: &diagnosisv1.ClimateFormat{Zone: "UTC"}, Data: []byte(wetNights()),
	}))
	_, err = stream.CloseAndRecv()
	require.NoError(t, err)

	_, why := planned(n.toInspect(&treatmentv1.ProposeInspectionsRequest{}))
	require.Empty(t, why, "it has been looked at today")
	plan := n.toInspect(&treatmentv1.ProposeInspectionsRequest{Date: "2026-03-03"})
	require.Len(t, plan.GetInspections(), 1)
	var found *treatmentv1.InspectionReason
	for _, reason := range plan.GetInspections()[0].GetReasons() {
		require.Equal(t, treatmentv1.InspectionReasonKind_INSPECTION_REASON_KIND_INFECTION_RISK, reason.GetKind())
		if reason.GetDisorder() == "grey-mould" {
			require.Nil(t, found, "a disorder once")
			found = reason
		}
	}
	require.NotNil(t, found, "%v", plan)
	require.Contains(t, found.GetSentence(), "The climate of house h1 let grey mould infect on")
	require.Contains(t, found.GetSentence(), "(parameters unverified).")
	require.True(t, found.GetUnverified())
	require.NotContains(t, fmt.Sprint(plan.GetInspections()), "UNVERIFIED PARAMETERS", "that stands once, in the notes")
	notes := plan.GetNotes()
	require.NotEmpty(t, notes)
	for i, note := range notes {
		require.Contains(t, note, "UNVERIFIED PARAMETERS: ")
		require.NotContains(t, notes[i+1:], note, "each model once")
	}
	require.Contains(t, strings.Join(plan.GetSources(), " "), "Infection risk")
	far := n.toInspect(&treatmentv1.ProposeInspectionsRequest{Date: "2026-05-30"})
	require.NotContains(t, far.String(), "INFECTION_RISK", "signs would have shown by then")
}
