package cli_test

import (
	"context"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	identityv1 "velamen/gen/velamen/identity/v1"
	stockv1 "velamen/gen/velamen/stock/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/rpc"
	"velamen/internal/rpc/rpctest"
)

// contactAnswers serves fixed answers about contacts and keeps what it was asked.
type contactAnswers struct {
	stockv1.UnimplementedStockServiceServer
	treatmentv1.UnimplementedTreatmentServiceServer
	asked proto.Message
	trace *treatmentv1.ContactTrace
	plan  *treatmentv1.InspectionPlan
}

func (a *contactAnswers) TraceContacts(_ context.Context, r *treatmentv1.TraceContactsRequest) (*treatmentv1.ContactTrace, error) {
	a.asked = r
	return a.trace, nil
}

func (a *contactAnswers) ProposeInspections(_ context.Context, r *treatmentv1.ProposeInspectionsRequest) (*treatmentv1.InspectionPlan, error) {
	a.asked = r
	return a.plan, nil
}

func (a *contactAnswers) RecordHandling(_ context.Context, r *stockv1.RecordHandlingRequest) (*stockv1.Handling, error) {
	r.RequestId = ""
	a.asked = proto.Clone(r)
	recorded := proto.CloneOf(r.GetHandling())
	recorded.Name, recorded.Person = "nurseries/test/handlings/7f0d", "nurseries/test/people/mira"
	return recorded, nil
}

func (a *contactAnswers) ListHandlings(_ context.Context, r *stockv1.ListHandlingsRequest) (*stockv1.ListHandlingsResponse, error) {
	a.asked = r
	return &stockv1.ListHandlingsResponse{Handlings: []*stockv1.Handling{
		{
			Name: "nurseries/test/handlings/7f0d", Lots: []string{"nurseries/test/lots/l-0001", "nurseries/test/lots/l-0002"}, Worker: "nurseries/test/people/wandile",
			ToolSet: "knives 1", DisinfectedBetween: true, Work: "potting on", StartTime: utc(1, 6), EndTime: utc(1, 8),
		},
		{Name: "nurseries/test/handlings/7f0c", Lots: []string{"nurseries/test/lots/l-0001"}, Worker: "nurseries/test/people/mira", Crate: "trolley 2", Work: "moving", StartTime: utc(1, 5), EndTime: utc(1, 6)},
	}}, nil
}

func (a *contactAnswers) CreateBench(_ context.Context, r *stockv1.CreateBenchRequest) (*stockv1.Bench, error) {
	r.RequestId = ""
	a.asked = proto.Clone(r)
	bench := proto.CloneOf(r.GetBench())
	bench.Name, bench.Etag = r.GetParent()+"/benches/"+r.GetBenchId(), `"v1"`
	return bench, nil
}

func (a *contactAnswers) UpdateBench(_ context.Context, r *stockv1.UpdateBenchRequest) (*stockv1.Bench, error) {
	a.asked = r
	return r.GetBench(), nil
}

func newContactClient(t *testing.T) (*client, *contactAnswers) {
	t.Helper()
	a := &contactAnswers{}
	c := newClient(t)
	c.conn = rpctest.Serve(t, func(server *rpc.Server) {
		identityv1.RegisterIdentityServiceServer(server, c.answers)
		stockv1.RegisterStockServiceServer(server, a)
		treatmentv1.RegisterTreatmentServiceServer(server, a)
	})
	return c, a
}

func TestHandlingsAreRecordedAndListed(t *testing.T) {
	c, a := newContactClient(t)
	out, errors, code := c.run("stock", "handling", "record", "--lot", "l-0001,l-0002", "--work", "potting on", "--worker", "wandile",
		"--tool-set", "knives 1", "--disinfected-between", "--crate", "trolley 2", "--from", "2026-03-01 08:00", "--until", "2026-03-01 10:30")
	require.Zero(t, code, errors)
	golden(t, "handling-record.txt", out)
	sentAs(t, "handling-record-request.json", a.asked)

	out, errors, code = c.run("stock", "handling", "list", "--lot", "l-0001")
	require.Zero(t, code, errors)
	golden(t, "handling-list.txt", out)
	require.Equal(t, "nurseries/test/lots/l-0001", a.asked.(*stockv1.ListHandlingsRequest).GetLot())
}

func TestBenchesAreMeasured(t *testing.T) {
	c, a := newContactClient(t)
	out, errors, code := c.run("stock", "bench", "create", "h1/b04", "--display-name", "Bench 4", "--area", "18m2", "--water-line", "ebb 1",
		"--place", "0,3.5,12 m,1.5", "--neighbour-benches", "h1/b03,h2/q1")
	require.Zero(t, code, errors)
	golden(t, "bench-create.txt", out)
	sentAs(t, "bench-create-request.json", a.asked)

	_, errors, code = c.run("stock", "bench", "update", "h1/b04", "--place", "none")
	require.Zero(t, code, errors)
	update := a.asked.(*stockv1.UpdateBenchRequest)
	require.Equal(t, []string{"place"}, update.GetUpdateMask().GetPaths())
	require.Nil(t, update.GetBench().GetPlace())

	_, errors, code = c.run("stock", "bench", "update", "h1/b04", "--place", "0,3.5")
	require.Equal(t, 2, code)
	require.Contains(t, errors, "X,Y,LENGTH,WIDTH")
}

func TestContactsAreTraced(t *testing.T) {
	c, a := newContactClient(t)
	a.trace = &treatmentv1.ContactTrace{
		InfectedLots: []string{"nurseries/test/lots/l-0001"}, Disorder: "ramorum-blight", WindowStartTime: utc(1, 0), WindowEndTime: utc(9, 8),
		RegulatedPest: "ramorum-gb", HoldUntilDate: "2026-06-09", SamplingStatement: "So many plants show 5 %.", Notes: []string{"2 of 9 benches are not measured."},
		Sources: []string{"Weights of contacts: design values."}, Caution: caution,
		ExposedLots: []*treatmentv1.ExposedLot{
			{
				Lot: "nurseries/test/lots/l-0002", Bench: "nurseries/test/houses/h1/benches/b03", Plants: 400, Exposure: "61.5", Zone: treatmentv1.Zone_ZONE_DESTROY,
				Distance: amountOf("0", "m"), PlantsToInspect: 73, InspectFromDate: "2026-03-04", InspectUntilDate: "2026-04-20",
				OfficialHolds: []string{"nurseries/test/duties/d-1"}, Contacts: []*treatmentv1.Contact{
					{Kind: treatmentv1.ContactKind_CONTACT_KIND_BENCH, InfectedLot: "nurseries/test/lots/l-0001", Sentence: "Stood on bench h1/b03 with lot l-0001, from 1 March 2026 02:00 on."},
				},
			},
			{Lot: "nurseries/test/lots/l-0009", Bench: "nurseries/test/houses/h1/benches/b07", Plants: 40, Exposure: "0", Zone: treatmentv1.Zone_ZONE_HOLD, Distance: amountOf("8.25", "m"), PlantsToInspect: 40},
		},
		Sold: []*treatmentv1.SoldPlants{{Lot: "nurseries/test/lots/l-0001", Plants: 12, SellTime: utc(3, 9), Note: "note 7"}},
	}
	out, errors, code := c.run("treatment", "trace", "c-1", "--survey", "2026-03-05 16:00")
	require.Zero(t, code, errors)
	golden(t, "treatment-trace.txt", out)
	request := a.asked.(*treatmentv1.TraceContactsRequest)
	require.Equal(t, "nurseries/test/cases/c-1", request.GetCase())
	require.NotNil(t, request.GetSurveyTime())
	require.Nil(t, request.GetOnsetTime())

	out, errors, code = c.run("treatment", "trace", "--lot", "l-0001", "--disorder", "black-rot", "--onset", "2026-03-01 10:00", "--json")
	require.Zero(t, code, errors)
	read := &treatmentv1.ContactTrace{}
	require.NoError(t, protojson.Unmarshal([]byte(out), read))
	require.True(t, proto.Equal(a.trace, read))
	require.Equal(t, []string{"nurseries/test/lots/l-0001"}, a.asked.(*treatmentv1.TraceContactsRequest).GetLots())

	a.trace = &treatmentv1.ContactTrace{Disorder: "sunburn", Caution: caution}
	out, _, _ = c.run("treatment", "trace", "c-1")
	require.Contains(t, out, "There are no lots on record that shared anything with them.")
}

func aRisk(disorder, sentence string) *treatmentv1.InspectionReason {
	return &treatmentv1.InspectionReason{
		Kind: treatmentv1.InspectionReasonKind_INSPECTION_REASON_KIND_INFECTION_RISK, Disorder: disorder, Sentence: sentence, Unverified: true,
	}
}

func TestInspectionsAreProposed(t *testing.T) {
	c, a := newContactClient(t)
	a.plan = &treatmentv1.InspectionPlan{
		Date: "2026-03-04", SamplingStatement: "So many plants show 5 %.", Sources: []string{"Round of 7 days: design value."}, Caution: caution,
		Notes: []string{"3 more lots should be looked at on this day; the weightiest 3 are listed.", "Model anthracnose-wetness: UNVERIFIED PARAMETERS: from memory.", "Model grey-mould-index: UNVERIFIED PARAMETERS: at second hand."},
		Inspections: []*treatmentv1.ProposedInspection{
			{Lot: "nurseries/test/lots/l-0007", Bench: "nurseries/test/houses/h2/benches/b01", Plants: 500, PlantsToInspect: 73, Reasons: []*treatmentv1.InspectionReason{
				{Kind: treatmentv1.InspectionReasonKind_INSPECTION_REASON_KIND_ROUND, Sentence: "No inspection of it is on record."},
			}},
			{Lot: "nurseries/test/lots/l-0002", Bench: "nurseries/test/houses/h1/benches/b03", Plants: 400, PlantsToInspect: 73, LastInspectTime: utc(1, 7), Reasons: []*treatmentv1.InspectionReason{
				{Kind: treatmentv1.InspectionReasonKind_INSPECTION_REASON_KIND_STEP_DUE, Sentence: "Program p-1 has an inspection due."},
				{Kind: treatmentv1.InspectionReasonKind_INSPECTION_REASON_KIND_EXPOSED, Sentence: "Exposed to black rot (61 of 100)."},
				aRisk("grey-mould", "The climate of house h1 let grey mould infect on 2 March 2026 04:10: signs could show from 2026-03-03 to 2026-03-09 (parameters unverified)."),
				aRisk("anthracnose", "The climate of house h1 let anthracnose infect on 2 March 2026 02:10: signs could show from 2026-03-04 to 2026-03-16 (parameters unverified)."),
			}},
			{Lot: "nurseries/test/lots/l-0003", Bench: "nurseries/test/houses/h1/benches/b03", Plants: 40, PlantsToInspect: 30, LastInspectTime: utc(1, 7), Reasons: []*treatmentv1.InspectionReason{
				aRisk("grey-mould", "The climate of house h1 let grey mould infect on 2 March 2026 04:10: signs could show from 2026-03-03 to 2026-03-09 (parameters unverified)."),
			}},
		},
	}
	out, errors, code := c.run("treatment", "inspections", "--date", "2026-03-04", "--house", "h1", "--max-lots", "2")
	require.Zero(t, code, errors)
	golden(t, "treatment-inspections.txt", out)
	request := a.asked.(*treatmentv1.ProposeInspectionsRequest)
	require.Equal(t, "nurseries/test/houses/h1", request.GetHouse())
	require.EqualValues(t, 2, request.GetMaxLots())
}
