package treatment_test

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/types/known/timestamppb"

	stockv1 "velamen/gen/velamen/stock/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/fault"
	"velamen/internal/rpc/rpctest"
)

func metres(amount string) *typev1.Quantity { return q(amount, "m") }

// addBench adds a bench of house h1 at a place on the plan.
func (n *nursery) addBench(id, waterLine, x string) string {
	n.t.Helper()
	bench := &stockv1.Bench{DisplayName: id, Area: q("4", "m2"), WaterLine: waterLine}
	if x != "" {
		bench.Place = &stockv1.BenchPlace{X: metres(x), Y: metres("0"), Length: metres("1"), Width: metres("4")}
	}
	added, err := n.stock.CreateBench(asManager(), &stockv1.CreateBenchRequest{Parent: name("houses/h1"), BenchId: id, Bench: bench, RequestId: newID()})
	require.NoError(n.t, err)
	return added.GetName()
}

// plant puts plants on a bench at a moment.
func (n *nursery) plant(lot, botanical, bench string, plants int64, at time.Time) string {
	n.t.Helper()
	added, err := n.stock.CreateLot(asManager(), &stockv1.CreateLotRequest{
		Parent: "nurseries/test", LotId: lot, Plants: plants, Origin: stockv1.LotEventKind_LOT_EVENT_KIND_STARTED,
		EventTime: timestamppb.New(at), RequestId: newID(), Lot: &stockv1.Lot{BotanicalName: botanical, Bench: bench},
	})
	require.NoError(n.t, err)
	return added.GetName()
}

func newID() string { return id() }

func (n *nursery) move(lot, bench string, at time.Time) {
	n.t.Helper()
	_, err := n.stock.MoveLot(asManager(), &stockv1.MoveLotRequest{Name: lot, Bench: bench, EventTime: timestamppb.New(at), RequestId: newID()})
	require.NoError(n.t, err)
}

func (n *nursery) trace(request *treatmentv1.TraceContactsRequest) *treatmentv1.ContactTrace {
	n.t.Helper()
	request.Parent = "nurseries/test"
	trace, err := n.treatment.TraceContacts(asWorker(), request)
	require.NoError(n.t, err)
	require.NotEmpty(n.t, trace.GetCaution())
	return trace
}

// exposedTo returns the kinds of contact of each lot, in the order of the answer.
func exposedTo(trace *treatmentv1.ContactTrace) (lots []string, kinds map[string][]string) {
	kinds = map[string][]string{}
	for _, exposed := range trace.GetExposedLots() {
		lots = append(lots, exposed.GetLot())
		for _, contact := range exposed.GetContacts() {
			kinds[exposed.GetLot()] = append(kinds[exposed.GetLot()], strings.TrimPrefix(contact.GetKind().String(), "CONTACT_KIND_"))
		}
	}
	return lots, kinds
}

func TestContactsOfInfectedLotsAreTraced(t *testing.T) {
	n, _ := openNursery(t)
	const moth = "Phalaenopsis amabilis"
	old, ago := day0.AddDate(0, 0, -30), func(days int) time.Time { return day0.AddDate(0, 0, -days) }
	first, beside, watered := n.addBench("t1", "ebb", "0"), n.addBench("t2", "", "2"), n.addBench("t3", "ebb", "30")
	sick := n.plant("sick", moth, first, 100, old)
	near := n.plant("near", moth, first, 400, old)
	next := n.plant("next", moth, beside, 40, old)
	wet := n.plant("wet", moth, watered, 40, old)
	tooled := n.plant("tooled", moth, name("houses/h1/benches/b1"), 40, old)
	gone := n.plant("gone", moth, first, 40, old)
	n.move(gone, watered, ago(20)) // before anything could spread
	after := n.plant("after", moth, first, 40, day0.Add(-time.Minute))
	n.move(sick, name("houses/h1/benches/iso"), day0.Add(-2*time.Minute))
	_, err := n.stock.RecordHandling(asWorker(), &stockv1.RecordHandlingRequest{Parent: "nurseries/test", RequestId: newID(), Handling: &stockv1.Handling{
		Lots: []string{sick, tooled}, ToolSet: "knives 1", Work: "potting on", StartTime: timestamppb.New(ago(2)), EndTime: timestamppb.New(ago(2).Add(time.Hour)),
	}})
	require.NoError(t, err)
	_, err = n.stock.SellPlants(asManager(), &stockv1.SellPlantsRequest{Name: near, Plants: 100, Note: "note 7", EventTime: timestamppb.New(ago(1)), RequestId: newID()})
	require.NoError(t, err)
	_, err = n.stock.SellPlants(asManager(), &stockv1.SellPlantsRequest{Name: sick, Plants: 5, Note: "note 1", EventTime: timestamppb.New(ago(25)), RequestId: newID()})
	require.NoError(t, err)

	trace := n.trace(&treatmentv1.TraceContactsRequest{Lots: []string{sick}, Disorder: "black-rot"})
	lots, kinds := exposedTo(trace)
	require.Equal(t, near, lots[0], "the most exposed first")
	require.Contains(t, kinds[near], "BENCH")
	require.Contains(t, kinds[near], "WATER_LINE")
	require.Contains(t, kinds[next], "NEIGHBOUR_BENCH")
	require.Equal(t, []string{"WATER_LINE"}, kinds[wet])
	require.Contains(t, kinds[tooled], "TOOL_SET")
	require.NotContains(t, lots, after, "it came when the infected lot had gone")
	require.NotContains(t, kinds[gone], "BENCH", "it had left before")
	require.NotContains(t, lots, sick)

	exposed := trace.GetExposedLots()[0]
	require.EqualValues(t, 300, exposed.GetPlants())
	require.Equal(t, first, exposed.GetBench())
	require.Positive(t, exposed.GetPlantsToInspect())
	require.Less(t, exposed.GetPlantsToInspect(), int64(300))
	require.Equal(t, treatmentv1.Zone_ZONE_UNSPECIFIED, exposed.GetZone(), "no law sets any")
	require.Equal(t, "nurseries/test/lots/sick", exposed.GetContacts()[0].GetInfectedLot())
	require.NotEmpty(t, exposed.GetContacts()[0].GetSentence())
	require.Len(t, trace.GetSold(), 1, "what was sold before the window is not asked for without a law")
	require.Equal(t, "note 7", trace.GetSold()[0].GetNote())
	require.Equal(t, near, trace.GetSold()[0].GetLot())
	require.NotEmpty(t, trace.GetSources())
	require.Contains(t, strings.Join(trace.GetNotes(), " "), "benches are not measured")
	require.NotContains(t, strings.Join(trace.GetNotes(), " "), "No handling was recorded")
	require.Contains(t, trace.GetSamplingStatement(), "95 % confidence")
	require.Empty(t, trace.GetRegulatedPest())
}

func TestACaseIsTracedFromItsFirstInspectionOn(t *testing.T) {
	n, c := openNursery(t)
	other := n.newLot()
	opened := n.newCase("black-rot")
	trace := n.trace(&treatmentv1.TraceContactsRequest{Case: opened.GetName()})
	require.Equal(t, opened.GetLots(), trace.GetInfectedLots())
	require.Equal(t, "black-rot", trace.GetDisorder())
	require.Empty(t, trace.GetExposedLots(), "both came this moment")
	require.True(t, trace.GetWindowStartTime().AsTime().Before(day0))

	c.now = day0.AddDate(0, 0, 3)
	trace = n.trace(&treatmentv1.TraceContactsRequest{Case: opened.GetName()})
	lots, kinds := exposedTo(trace)
	require.Equal(t, []string{other}, lots)
	require.Contains(t, kinds[other], "BENCH")
	require.Equal(t, day0.AddDate(0, 0, 3), trace.GetWindowEndTime().AsTime())
	require.Contains(t, strings.Join(trace.GetNotes(), " "), "came into the books on")

	// Set apart, it is no longer exposed; closed, the window ends.
	_, err := n.treatment.CloseCase(asManager(), &treatmentv1.CloseCaseRequest{Name: opened.GetName(), Note: "a mistake", RequestId: newID()})
	require.NoError(t, err)
	n.drain()
	c.now = day0.AddDate(0, 0, 9)
	trace = n.trace(&treatmentv1.TraceContactsRequest{Case: opened.GetName()})
	require.Equal(t, day0.AddDate(0, 0, 3), trace.GetWindowEndTime().AsTime())
}

func TestWhoDidAStepCarriesItOnUntilTheEvening(t *testing.T) {
	n, c := openNursery(t)
	program := n.start("virus-mosaic", "virus")
	other := n.plant("other", "Petunia", n.addBench("t9", "", ""), 30, day0.AddDate(0, 0, -3))
	c.now = day0.Add(2 * time.Hour)
	_, err := n.confirm(program.GetName(), "isolate-1", did("isolate", day0.Add(time.Hour)))
	require.NoError(t, err)
	n.drain()
	c.now = day0.Add(5 * time.Hour)
	work := &stockv1.Handling{Lots: []string{other}, Work: "deheading", StartTime: timestamppb.New(day0.Add(3 * time.Hour)), EndTime: timestamppb.New(day0.Add(4 * time.Hour))}
	_, err = n.stock.RecordHandling(asWorker(), &stockv1.RecordHandlingRequest{Parent: "nurseries/test", RequestId: newID(), Handling: work})
	require.NoError(t, err)
	trace := n.trace(&treatmentv1.TraceContactsRequest{Case: program.GetCase()})
	lots, kinds := exposedTo(trace)
	require.Equal(t, []string{other}, lots)
	require.Equal(t, []string{"WORKER"}, kinds[other])
	require.Equal(t, name("people/wandile"), trace.GetExposedLots()[0].GetContacts()[0].GetThrough())
}

func (n *nursery) setJurisdiction(code string) {
	n.t.Helper()
	require.NoError(n.t, n.db.InTx(context.Background(), func(tx pgx.Tx) error {
		_, err := tx.Exec(context.Background(), `UPDATE identity.nursery SET jurisdiction = $1 WHERE id = 'test'`, code)
		return err
	}))
}

// The zones of check value 14: hosts at 0, 1.5, 9, 11.5 and 13 m from infected ones.
func TestLotsAreTracedInTheZonesOfTheLaw(t *testing.T) {
	for _, test := range []struct {
		jurisdiction, pest string
		zones              map[string]treatmentv1.Zone
		until              string
		missing            string
	}{
		{"US", "ramorum-us", map[string]treatmentv1.Zone{"m0": destroyZone, "m1-5": destroyZone, "m9": holdZone, "m11-5": holdZone}, "2026-05-30", ""},
		{"GB", "ramorum-gb", map[string]treatmentv1.Zone{"m0": destroyZone, "m1-5": destroyZone, "m9": holdZone}, "2026-06-01", ""},
		{"ZA", "", map[string]treatmentv1.Zone{}, "", ""},
	} {
		t.Run(test.jurisdiction, func(t *testing.T) {
			n, c := openNursery(t)
			n.setJurisdiction(test.jurisdiction)
			const azalea = "Rhododendron ponticum"
			sick := n.plant("sick", azalea, n.addBench("t0", "", "0"), 100, day0)
			for id, x := range map[string]string{"m1-5": "2.5", "m9": "10", "m11-5": "12.5", "m13": "14"} {
				n.plant(id, azalea, n.addBench("t"+id, "", x), 100, day0)
			}
			n.plant("m0", azalea, name("houses/h1/benches/t0"), 10, day0)
			n.plant("nowhere", azalea, name("houses/h1/benches/b1"), 10, day0)
			_, err := n.stock.SellPlants(asManager(), &stockv1.SellPlantsRequest{Name: sick, Plants: 5, Note: "note 1", EventTime: timestamppb.New(day0), RequestId: newID()})
			require.NoError(t, err)
			survey := time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
			n.restrictFor("ramorum-blight", name("duties/d-1"), survey, sick)
			c.now = day0.Add(time.Hour)

			request := &treatmentv1.TraceContactsRequest{Lots: []string{sick}, Disorder: "ramorum-blight", SurveyTime: timestamppb.New(survey)}
			trace := n.trace(request)
			require.Equal(t, test.pest, trace.GetRegulatedPest())
			require.Equal(t, test.until, trace.GetHoldUntilDate())
			zones := map[string]treatmentv1.Zone{}
			for _, exposed := range trace.GetExposedLots() {
				if zone := exposed.GetZone(); zone == destroyZone || zone == holdZone {
					zones[strings.TrimPrefix(exposed.GetLot(), name("lots/"))] = zone
				}
			}
			require.Equal(t, test.zones, zones)
			request.SurveyTime = nil
			without := n.trace(request)
			if test.jurisdiction == "US" {
				require.Empty(t, without.GetHoldUntilDate())
				require.Contains(t, strings.Join(without.GetNotes(), " "), "delimitation survey")
			}
		})
	}
}

const (
	destroyZone = treatmentv1.Zone_ZONE_DESTROY
	holdZone    = treatmentv1.Zone_ZONE_HOLD
)

// Plants that were carried off are infected wherever they stand, and those that were
// destroyed stood where they stood.
func TestTheRestOfALotAndThePlaceOfDestroyedPlantsCount(t *testing.T) {
	n, c := openNursery(t)
	n.setJurisdiction("GB")
	const azalea = "Rhododendron ponticum"
	sick := n.plant("sick", azalea, n.addBench("t0", "", "0"), 100, day0)
	near := n.plant("near", azalea, n.addBench("t1", "", "2.5"), 10, day0)
	far := n.addBench("t2", "", "60")
	c.now = day0.Add(2 * time.Hour)
	_, err := n.stock.SplitLot(asWorker(), &stockv1.SplitLotRequest{Name: sick, NewLotId: "part", Plants: 30, Bench: far, RequestId: newID()})
	require.NoError(t, err)
	request := &treatmentv1.TraceContactsRequest{Lots: []string{sick}, Disorder: "ramorum-blight"}
	require.Contains(t, strings.Join(n.trace(request).GetNotes(), " "), "rest of an infected lot as well, wherever it stands: these lots gave it plants or have some of it: part.")

	_, err = n.stock.DisposePlants(asWorker(), &stockv1.DisposePlantsRequest{Name: sick, Plants: 70, Note: "burnt", RequestId: newID()})
	require.NoError(t, err)
	c.now = day0.AddDate(0, 0, 3)
	zones := map[string]treatmentv1.Zone{}
	for _, exposed := range n.trace(request).GetExposedLots() {
		zones[exposed.GetLot()] = exposed.GetZone()
	}
	require.Equal(t, destroyZone, zones[near], "1.5 m from where they stood")

	n.setJurisdiction("US")
	require.NotContains(t, strings.Join(n.trace(request).GetNotes(), " "), "rest of an infected lot")
}

func TestOfManyContactsTheHeaviestAreTold(t *testing.T) {
	n, c := openNursery(t)
	old := day0.AddDate(0, 0, -9)
	var sick []string
	for i := range 12 {
		sick = append(sick, n.plant(fmt.Sprintf("sick-%d", i), "Petunia", n.addBench(fmt.Sprintf("t%d", i), "ebb", ""), 10, old))
	}
	beside := n.plant("beside", "Petunia", name("houses/h1/benches/t0"), 10, old)
	work := &stockv1.Handling{
		Lots: append(slices.Clone(sick), beside), ToolSet: "knives", Crate: "cart", Work: "potting on",
		StartTime: timestamppb.New(day0.AddDate(0, 0, -2)), EndTime: timestamppb.New(day0.AddDate(0, 0, -2).Add(time.Hour)),
	}
	_, err := n.stock.RecordHandling(asWorker(), &stockv1.RecordHandlingRequest{Parent: "nurseries/test", RequestId: newID(), Handling: work})
	require.NoError(t, err)
	c.now = day0
	trace := n.trace(&treatmentv1.TraceContactsRequest{Lots: sick, Disorder: "black-rot"})
	require.Len(t, trace.GetExposedLots(), 1)
	require.Len(t, trace.GetExposedLots()[0].GetContacts(), 20)
	require.Equal(t, treatmentv1.ContactKind_CONTACT_KIND_BENCH, trace.GetExposedLots()[0].GetContacts()[0].GetKind())
	require.Contains(t, strings.Join(trace.GetNotes(), " "), "the heaviest 20 are listed")
}

func TestWhatDoesNotSpreadIsNotTraced(t *testing.T) {
	n, c := openNursery(t)
	n.newLot()
	lot := n.newLot()
	c.now = day0.AddDate(0, 0, 3)
	trace := n.trace(&treatmentv1.TraceContactsRequest{Lots: []string{lot}, Disorder: "sunburn"})
	require.Empty(t, trace.GetExposedLots())
	require.Contains(t, trace.GetNotes()[0], "does not spread")
}

func TestTracesThatAreRefused(t *testing.T) {
	n, _ := openNursery(t)
	lot := n.newLot()
	for _, test := range []struct {
		name    string
		request *treatmentv1.TraceContactsRequest
		field   string
	}{
		{"nothing asked", &treatmentv1.TraceContactsRequest{}, "case"},
		{"case and lots", &treatmentv1.TraceContactsRequest{Case: name("cases/c-1"), Lots: []string{lot}}, "case"},
		{"no lots", &treatmentv1.TraceContactsRequest{Disorder: "black-rot"}, "lots"},
		{"no disorder", &treatmentv1.TraceContactsRequest{Lots: []string{lot}}, "disorder"},
		{"a bench for a lot", &treatmentv1.TraceContactsRequest{Lots: []string{name("houses/h1/benches/b1")}, Disorder: "black-rot"}, "lots[0]"},
		{"first seen tomorrow", &treatmentv1.TraceContactsRequest{Lots: []string{lot}, Disorder: "black-rot", OnsetTime: timestamppb.New(day0.AddDate(0, 0, 1))}, "onset_time"},
		{"first seen in another century", &treatmentv1.TraceContactsRequest{Lots: []string{lot}, Disorder: "black-rot", OnsetTime: timestamppb.New(time.Unix(0, 0))}, "onset_time"},
		{"surveyed tomorrow", &treatmentv1.TraceContactsRequest{Lots: []string{lot}, Disorder: "black-rot", SurveyTime: timestamppb.New(day0.AddDate(0, 0, 1))}, "survey_time"},
		{"surveyed before the first signs", &treatmentv1.TraceContactsRequest{Lots: []string{lot}, Disorder: "black-rot",
			OnsetTime: timestamppb.New(day0.AddDate(0, 0, -1)), SurveyTime: timestamppb.New(day0.AddDate(0, 0, -2))}, "survey_time"},
	} {
		t.Run(test.name, func(t *testing.T) {
			test.request.Parent = "nurseries/test"
			_, err := n.treatment.TraceContacts(asWorker(), test.request)
			rpctest.RefusedField(t, err, test.field)
		})
	}
	_, err := n.treatment.TraceContacts(asWorker(), &treatmentv1.TraceContactsRequest{Parent: "nurseries/test", Case: name("cases/none")})
	rpctest.Refused(t, err, codes.NotFound, fault.NotFoundReason)
	_, err = n.treatment.TraceContacts(asWorker(), &treatmentv1.TraceContactsRequest{Parent: "nurseries/test", Lots: []string{name("lots/none")}, Disorder: "black-rot"})
	rpctest.Refused(t, err, codes.NotFound, fault.NotFoundReason)
}
