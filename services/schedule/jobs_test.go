package schedule

import (
	"context"
	"log/slog"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/types/known/timestamppb"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	productsv1 "velamen/gen/velamen/products/v1"
	schedulev1 "velamen/gen/velamen/schedule/v1"
	stockv1 "velamen/gen/velamen/stock/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/clock"
	"velamen/internal/fault"
	"velamen/internal/postgres"
	"velamen/internal/postgres/pgtest"
	"velamen/internal/rpc"
	"velamen/internal/rpc/rpctest"
	"velamen/services/diagnosis"
	"velamen/services/products"
	"velamen/services/stock"
	"velamen/services/treatment"
)

// begin is when the tests' programs start: 10:00 in Johannesburg.
var begin = time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)

// movable is a clock that a test sets.
type movable struct{ now time.Time }

func (m *movable) Now() time.Time { return clock.Stored(m.now) }

// nursery is a running stack of services with a house, a bench and sprayers.
type nursery struct {
	clock     *movable
	db        *postgres.DB
	outbox    *postgres.Outbox
	manager   context.Context
	stock     stockv1.StockServiceClient
	diagnosis diagnosisv1.DiagnosisServiceClient
	products  productsv1.ProductsServiceClient
	treatment treatmentv1.TreatmentServiceClient
	schedule  schedulev1.ScheduleServiceClient
	// closed is what each change of closures was found to close to those told to work.
	closed *[]string
}

func setUpNursery(t *testing.T) nursery {
	t.Helper()
	n := nursery{clock: &movable{now: begin}, closed: &[]string{}, manager: rpctest.As(t.Context(), rpctest.Manager)}
	db := pgtest.NewAt(t, n.clock)
	pgtest.AddNursery(t, db)
	n.db = db.DB
	// What the programs tell their workflows is of no interest here.
	n.outbox = postgres.NewOutbox(db.DB, slog.New(slog.DiscardHandler), stock.Consumer(), products.Consumer(), AssignmentConsumer(db.DB),
		unread(append(Topics(),
			treatment.TopicProgramStarted, treatment.TopicProgramAdvanced, treatment.TopicApplicationConfirmed)...),
		postgres.Consumer{Name: "closures", Topics: []string{treatment.TopicClosuresChanged}, Send: func(ctx context.Context, event postgres.Event) error {
			reason, err := relay{db: db.DB}.closedToTold(ctx, event.Nursery, nil)
			*n.closed = append(*n.closed, reason)
			return err
		}})
	conn := rpctest.Serve(t, func(server *rpc.Server) {
		stockv1.RegisterStockServiceServer(server, stock.New(db.DB))
		diagnosisv1.RegisterDiagnosisServiceServer(server, diagnosis.New(db.DB, t.TempDir(), n.outbox))
		productsv1.RegisterProductsServiceServer(server, products.New(db.DB))
		treatmentv1.RegisterTreatmentServiceServer(server, treatment.New(db.DB, n.outbox))
		schedulev1.RegisterScheduleServiceServer(server, New(db.DB, n.outbox))
	})
	n.stock, n.diagnosis = stockv1.NewStockServiceClient(conn), diagnosisv1.NewDiagnosisServiceClient(conn)
	n.products = productsv1.NewProductsServiceClient(conn)
	n.treatment, n.schedule = treatmentv1.NewTreatmentServiceClient(conn), schedulev1.NewScheduleServiceClient(conn)
	n.furnish(t)
	return n
}

func (n nursery) furnish(t *testing.T) {
	t.Helper()
	_, err := n.stock.CreateHouse(n.manager, &stockv1.CreateHouseRequest{
		Parent: "nurseries/test", HouseId: "h1", RequestId: uuid.NewString(),
		House: &stockv1.House{DisplayName: "House 1", Area: &typev1.Quantity{Amount: "400", Unit: "m2"}},
	})
	require.NoError(t, err)
	for bench, isolation := range map[string]bool{"b1": false, "apart": true} {
		_, err = n.stock.CreateBench(n.manager, &stockv1.CreateBenchRequest{
			Parent: "nurseries/test/houses/h1", BenchId: bench, RequestId: uuid.NewString(),
			Bench: &stockv1.Bench{DisplayName: bench, Area: &typev1.Quantity{Amount: "12", Unit: "m2"}, Isolation: isolation},
		})
		require.NoError(t, err)
	}
	bath, broken := knapsack(), knapsack()
	bath.Methods, broken.OutOfService = []productsv1.Method{productsv1.Method_METHOD_BATH}, true
	for id, sprayer := range map[string]*schedulev1.Sprayer{"bath": bath, "knapsack": knapsack(), "broken": broken} {
		_, err := n.schedule.CreateSprayer(n.manager, create(id, sprayer))
		require.NoError(t, err)
	}
}

// start starts the program against leaf spots for a new lot.
func (n nursery) start(t *testing.T, lot string, plants int64, done ...*treatmentv1.CompletedStep) *treatmentv1.Program {
	t.Helper()
	made, err := n.stock.CreateLot(n.manager, &stockv1.CreateLotRequest{
		Parent: "nurseries/test", LotId: lot, Plants: plants, Origin: stockv1.LotEventKind_LOT_EVENT_KIND_STARTED, RequestId: uuid.NewString(),
		Lot: &stockv1.Lot{BotanicalName: "Phalaenopsis amabilis", Bench: "nurseries/test/houses/h1/benches/b1"},
	})
	require.NoError(t, err)
	inspection, err := n.diagnosis.CreateInspection(n.manager, &diagnosisv1.CreateInspectionRequest{
		Parent: "nurseries/test", RequestId: uuid.NewString(),
		Inspection: &diagnosisv1.Inspection{Target: made.GetName(), PlantsSampled: 10, PlantsAffected: 3},
	})
	require.NoError(t, err)
	template, err := n.treatment.GetTemplate(n.manager, &treatmentv1.GetTemplateRequest{Name: "nurseries/test/templates/leaf-spots"})
	require.NoError(t, err)
	diagnosed, err := n.diagnosis.ConfirmDiagnosis(n.manager, &diagnosisv1.ConfirmDiagnosisRequest{
		Parent: "nurseries/test", RequestId: uuid.NewString(),
		Diagnosis: &diagnosisv1.Diagnosis{Inspections: []string{inspection.GetName()}, Disorder: template.GetDisorders()[0], Grounds: "spots with pycnidia"},
	})
	require.NoError(t, err)
	opened, err := n.treatment.CreateCase(n.manager, &treatmentv1.CreateCaseRequest{
		Parent: "nurseries/test", RequestId: uuid.NewString(),
		Case: &treatmentv1.Case{Diagnosis: diagnosed.GetName(), Lots: []string{made.GetName()}},
	})
	require.NoError(t, err)
	program, err := n.treatment.CreateProgram(n.manager, &treatmentv1.CreateProgramRequest{
		Parent: "nurseries/test", RequestId: uuid.NewString(),
		Case: opened.GetName(), Template: template.GetName(), CompletedSteps: done,
	})
	require.NoError(t, err)
	return program
}

// untilSystemic are the steps before the systemic spray, the last one done an
// hour before the program is entered.
func untilSystemic() []*treatmentv1.CompletedStep {
	steps := []*treatmentv1.CompletedStep{
		{Key: "isolate", Confirmation: &treatmentv1.Confirmation{Bench: "nurseries/test/houses/h1/benches/apart"}},
		{Key: "disinfect", Confirmation: &treatmentv1.Confirmation{Disinfectant: "70 % alcohol"}},
		{Key: "prune", Confirmation: &treatmentv1.Confirmation{Disinfectant: "flame", RemovedPartsBinned: true}},
	}
	for i, step := range steps {
		end := begin.Add(time.Duration(i-len(steps)) * time.Hour)
		step.Confirmation.StartTime = timestamppb.New(end.Add(-30 * time.Minute))
		step.Confirmation.EndTime = timestamppb.New(end)
	}
	return steps
}

func (n nursery) jobs(t *testing.T, request *schedulev1.ListJobsRequest) *schedulev1.ListJobsResponse {
	t.Helper()
	request.Parent = "nurseries/test"
	response, err := n.schedule.ListJobs(rpctest.As(t.Context(), rpctest.Worker), request)
	require.NoError(t, err)
	return response
}

func keys(response *schedulev1.ListJobsResponse) []string {
	var found []string
	for _, job := range response.GetJobs() {
		found = append(found, job.GetStep().GetKey())
	}
	return found
}

func TestAnOpenStepIsAJobWithItsHousesPlantsAndSprayers(t *testing.T) {
	n := setUpNursery(t)
	program := n.start(t, "l1", 50, untilSystemic()...)

	response := n.jobs(t, &schedulev1.ListJobsRequest{})
	require.Equal(t, []string{"systemic"}, keys(response))
	job := response.GetJobs()[0]
	require.Equal(t, program.GetName()+"/steps/systemic-1", job.GetStep().GetName())
	require.Equal(t, []string{"nurseries/test/houses/h1"}, job.GetHouses())
	require.Equal(t, int64(50), job.GetPlants())
	require.Equal(t, []string{"nurseries/test/sprayers/knapsack"}, job.GetSprayers(), "the bath does not spray, and one is out of service")
	// Pruned at 09:00 local time, due 24 hours later.
	require.Equal(t, "Due tomorrow by 09:00.", job.GetUrgency())
	require.NotEmpty(t, job.GetStep().GetCaution())
}

func TestOverdueJobsComeFirst(t *testing.T) {
	n := setUpNursery(t)
	n.start(t, "l1", 50, untilSystemic()...)
	n.clock.now = begin.Add(96 * time.Hour)
	n.start(t, "l2", 20)

	response := n.jobs(t, &schedulev1.ListJobsRequest{})
	require.Equal(t, []string{"systemic", "isolate"}, keys(response))
	require.Equal(t, "Overdue by 1 day: the latest was 2026-03-05 09:00.", response.GetJobs()[0].GetUrgency())
	require.Empty(t, response.GetJobs()[1].GetSprayers(), "nothing is applied when a lot is moved apart")
	require.Equal(t, int64(20), response.GetJobs()[1].GetPlants())
}

func TestJobsOfTheComingDays(t *testing.T) {
	n := setUpNursery(t)
	end := begin.Add(-30 * time.Minute)
	n.start(t, "l1", 50, append(untilSystemic(), &treatmentv1.CompletedStep{Key: "systemic", Confirmation: &treatmentv1.Confirmation{
		StartTime: timestamppb.New(end.Add(-15 * time.Minute)), EndTime: timestamppb.New(end), Treatments: n.applied(t),
	}})...)

	require.NotContains(t, keys(n.jobs(t, &schedulev1.ListJobsRequest{})), "contact", "the contact spray waits 12 days")
	response := n.jobs(t, &schedulev1.ListJobsRequest{OpenBy: timestamppb.New(begin.Add(13 * 24 * time.Hour))})
	require.Equal(t, []string{"contact"}, keys(response))
	require.Equal(t, "Opens in 12 days, at 2026-03-14 09:30; due by 2026-03-16 09:30.", response.GetJobs()[0].GetUrgency())
}

// applied is what a systemic spray of house h1 used.
func (n nursery) applied(t *testing.T) []*treatmentv1.HouseTreatment {
	t.Helper()
	product, err := n.products.CreateProduct(n.manager, &productsv1.CreateProductRequest{
		Parent: "nurseries/test", ProductId: "thiophanate", RequestId: uuid.NewString(),
		Product: &productsv1.Product{
			DisplayName: "Thiophanate 50 WP", RegistrationNumber: "L1001", Jurisdiction: "ZA",
			Respirator: productsv1.LabelAnswer_LABEL_ANSWER_NO, InhalationLimited: productsv1.LabelAnswer_LABEL_ANSWER_NO, Form: productsv1.ProductForm_PRODUCT_FORM_SOLID,
			Contents: []*productsv1.Content{{ActiveIngredient: "thiophanate-methyl", Amount: &typev1.Quantity{Amount: "500", Unit: "g/kg"}}},
			Directions: []*productsv1.LabelDirection{{
				Method: productsv1.Method_METHOD_SPRAY, DisorderClasses: []diagnosisv1.DisorderClass{diagnosisv1.DisorderClass_DISORDER_CLASS_FUNGUS},
				RateMin: &typev1.Quantity{Amount: "0.5", Unit: "g/L"}, RateMax: &typev1.Quantity{Amount: "2", Unit: "g/L"},
				RestrictedEntryInterval: &typev1.Quantity{Amount: "12", Unit: "h"}, ProtectiveEquipment: "gloves",
				Crops: []string{"ornamentals"}, Sites: []productsv1.Site{productsv1.Site_SITE_GREENHOUSE, productsv1.Site_SITE_OUTDOOR},
				SilentOn: []productsv1.LabelFact{
					productsv1.LabelFact_LABEL_FACT_WATER_VOLUME, productsv1.LabelFact_LABEL_FACT_MIN_INTERVAL,
					productsv1.LabelFact_LABEL_FACT_MAX_APPLICATIONS_PER_CROP_CYCLE, productsv1.LabelFact_LABEL_FACT_MAX_APPLICATIONS_PER_YEAR,
					productsv1.LabelFact_LABEL_FACT_MAX_ACTIVE_PER_YEAR, productsv1.LabelFact_LABEL_FACT_SALE_INTERVAL,
					productsv1.LabelFact_LABEL_FACT_TEMPERATURE, productsv1.LabelFact_LABEL_FACT_OPEN_BLOOM, productsv1.LabelFact_LABEL_FACT_CHEMIGATION,
				},
			}},
		},
	})
	require.NoError(t, err)
	return []*treatmentv1.HouseTreatment{{
		House: "nurseries/test/houses/h1", Area: &typev1.Quantity{Amount: "12", Unit: "m2"}, MixVolume: &typev1.Quantity{Amount: "10", Unit: "L"},
		Products: []*treatmentv1.ProductUse{{Product: product.GetName(), Amount: &typev1.Quantity{Amount: "10", Unit: "g"}}},
	}}
}

func TestListJobsRefuses(t *testing.T) {
	n := setUpNursery(t)
	_, err := n.schedule.ListJobs(n.manager, &schedulev1.ListJobsRequest{Parent: "nurseries/test", OpenBy: &timestamppb.Timestamp{Seconds: -1 << 62}})
	rpctest.RefusedField(t, err, "open_by")
	_, err = n.schedule.ListJobs(n.manager, &schedulev1.ListJobsRequest{Parent: "nurseries/test/houses/h1"})
	rpctest.RefusedField(t, err, "parent")
	_, err = n.schedule.ListJobs(rpctest.As(t.Context(), rpctest.Stranger), &schedulev1.ListJobsRequest{Parent: "nurseries/test"})
	rpctest.Refused(t, err, codes.PermissionDenied, fault.PermissionDenied)
}

func TestJobsComeInPages(t *testing.T) {
	n := setUpNursery(t)
	for _, lot := range []string{"l1", "l2", "l3"} {
		n.start(t, lot, 10)
		n.clock.now = n.clock.now.Add(time.Hour)
	}
	var names []string
	request := &schedulev1.ListJobsRequest{PageSize: 2}
	for {
		page := n.jobs(t, request)
		for _, job := range page.GetJobs() {
			names = append(names, job.GetStep().GetLots()[0])
		}
		if request.PageToken = page.GetNextPageToken(); request.GetPageToken() == "" {
			break
		}
	}
	require.Equal(t, []string{"nurseries/test/lots/l1", "nurseries/test/lots/l2", "nurseries/test/lots/l3"}, names)
}
