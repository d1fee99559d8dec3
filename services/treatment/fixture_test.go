package treatment_test

import (
	"context"
	"fmt"
	"log/slog"
	"slices"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/types/known/timestamppb"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	productsv1 "velamen/gen/velamen/products/v1"
	stockv1 "velamen/gen/velamen/stock/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/clock"
	"velamen/internal/postgres"
	"velamen/internal/postgres/pgtest"
	"velamen/internal/rpc"
	"velamen/internal/rpc/rpctest"
	"velamen/services/diagnosis"
	"velamen/services/products"
	"velamen/services/stock"
	"velamen/services/treatment"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

// day0 is when the tests' programs start.
var day0 = time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)

// movable is a clock that a test sets.
type movable struct{ now time.Time }

func (m *movable) Now() time.Time { return clock.Stored(m.now) }

// nursery is a running stack of services on a real database, with lots that
// stand on benches, products, and a diagnosis for each template.
type nursery struct {
	t      testing.TB
	db     *pgtest.Database
	outbox *postgres.Outbox
	// clock is the test's own, nil where the test has another.
	clock *movable

	stock     stockv1.StockServiceClient
	diagnosis diagnosisv1.DiagnosisServiceClient
	products  productsv1.ProductsServiceClient
	treatment treatmentv1.TreatmentServiceClient

	// applied are the applications that reached the records.
	applied []postgres.Event
	// told are the names of the houses of which the planners learned that their closures
	// changed.
	told []string
	lots int
}

// newNursery returns the stack. programs receives what the workflows must learn.
func newNursery(t testing.TB, c clock.Clock, programs func(context.Context, postgres.Event) error) *nursery {
	t.Helper()
	n := &nursery{t: t, db: pgtest.NewAt(t, c)}
	n.clock, _ = c.(*movable)
	pgtest.AddNursery(t, n.db)
	n.outbox = postgres.NewOutbox(n.db.DB, slog.New(slog.DiscardHandler),
		stock.Consumer(), products.Consumer(),
		postgres.Consumer{Name: "programs", Topics: []string{treatment.TopicProgramStarted, treatment.TopicProgramAdvanced}, Send: programs},
		postgres.Consumer{Name: "planners", Topics: []string{diagnosis.TopicClimateImported, diagnosis.TopicInspected},
			Send: func(context.Context, postgres.Event) error { return nil }},
		postgres.Consumer{Name: "closures", Topics: []string{treatment.TopicClosuresChanged}, Apply: func(_ context.Context, _ pgx.Tx, e postgres.Event) error {
			n.told = append(n.told, e.Subject)
			return nil
		}},
		postgres.Consumer{Name: "records", Topics: []string{treatment.TopicApplicationConfirmed}, Apply: func(_ context.Context, _ pgx.Tx, e postgres.Event) error {
			n.applied = append(n.applied, e)
			return nil
		}},
	)
	conn := rpctest.Serve(t, func(server *rpc.Server) {
		stockv1.RegisterStockServiceServer(server, stock.New(n.db.DB))
		diagnosisv1.RegisterDiagnosisServiceServer(server, diagnosis.New(n.db.DB, t.TempDir(), n.outbox))
		productsv1.RegisterProductsServiceServer(server, products.New(n.db.DB))
		treatmentv1.RegisterTreatmentServiceServer(server, treatment.New(n.db.DB, n.outbox))
	})
	n.stock = stockv1.NewStockServiceClient(conn)
	n.diagnosis = diagnosisv1.NewDiagnosisServiceClient(conn)
	n.products = productsv1.NewProductsServiceClient(conn)
	n.treatment = treatmentv1.NewTreatmentServiceClient(conn)
	n.furnish()
	return n
}

func id() string { return uuid.NewString() }

func asManager() context.Context { return rpctest.As(context.Background(), rpctest.Manager) }
func asWorker() context.Context  { return rpctest.As(context.Background(), rpctest.Worker) }

func q(amount, unit string) *typev1.Quantity { return &typev1.Quantity{Amount: amount, Unit: unit} }

func name(parts string) string { return "nurseries/test/" + parts }

func (n *nursery) furnish() {
	_, err := n.stock.CreateHouse(asManager(), &stockv1.CreateHouseRequest{Parent: "nurseries/test", HouseId: "h1", RequestId: id(),
		House: &stockv1.House{DisplayName: "House 1", Area: q("400", "m2")}})
	require.NoError(n.t, err)
	for bench, apart := range map[string]bool{"b1": false, "iso": true} {
		_, err = n.stock.CreateBench(asManager(), &stockv1.CreateBenchRequest{Parent: name("houses/h1"), BenchId: bench, RequestId: id(),
			Bench: &stockv1.Bench{DisplayName: bench, Area: q("12", "m2"), Isolation: apart}})
		require.NoError(n.t, err)
	}
	everything := []diagnosisv1.DisorderClass{diagnosisv1.DisorderClass_DISORDER_CLASS_FUNGUS}
	for product, active := range map[string]string{
		"thio": "thiophanate-methyl", "tebu": "tebuconazole", "manc": "mancozeb",
	} {
		n.addProduct(product, active, everything, false)
	}
	n.addProduct("fose", "fosetyl-al", []diagnosisv1.DisorderClass{diagnosisv1.DisorderClass_DISORDER_CLASS_OOMYCETE}, false)
	n.addProduct("rest", "azoxystrobin", everything, true)
}

func (n *nursery) addProduct(product, active string, classes []diagnosisv1.DisorderClass, restricted bool) {
	n.t.Helper()
	request := &productsv1.CreateProductRequest{Parent: "nurseries/test", ProductId: product, RequestId: id(), Product: &productsv1.Product{
		DisplayName: product, RegistrationNumber: "TEST-" + product, Form: productsv1.ProductForm_PRODUCT_FORM_SOLID, Jurisdiction: "ZA", RestrictedUse: restricted,
		Contents:   []*productsv1.Content{{ActiveIngredient: active, Amount: q("500", "g/kg")}},
		Respirator: productsv1.LabelAnswer_LABEL_ANSWER_NO, InhalationLimited: productsv1.LabelAnswer_LABEL_ANSWER_NO,
	}}
	for _, method := range []productsv1.Method{productsv1.Method_METHOD_SPRAY, productsv1.Method_METHOD_BATH} {
		request.Product.Directions = append(request.Product.Directions, &productsv1.LabelDirection{
			Method: method, DisorderClasses: classes, RateMin: q("0.5", "g/L"), RateMax: q("2", "g/L"), RestrictedEntryInterval: q("12", "h"),
			Crops: []string{"ornamentals"}, Sites: []productsv1.Site{productsv1.Site_SITE_GREENHOUSE, productsv1.Site_SITE_OUTDOOR},
			ProtectiveEquipment: "gloves", SilentOn: silentOn(),
		})
	}
	_, err := n.products.CreateProduct(asManager(), request)
	require.NoError(n.t, err)
}

// silentOn are the facts that the tests' labels say nothing about: all but those
// that they give.
func silentOn() []productsv1.LabelFact {
	var facts []productsv1.LabelFact
	for number := range productsv1.LabelFact_name {
		switch fact := productsv1.LabelFact(number); fact {
		case productsv1.LabelFact_LABEL_FACT_UNSPECIFIED, productsv1.LabelFact_LABEL_FACT_CROPS, productsv1.LabelFact_LABEL_FACT_SITES,
			productsv1.LabelFact_LABEL_FACT_RESTRICTED_ENTRY_INTERVAL, productsv1.LabelFact_LABEL_FACT_PROTECTIVE_EQUIPMENT:
		default:
			facts = append(facts, fact)
		}
	}
	slices.Sort(facts)
	return facts
}

// newLot puts 50 plants on the bench and returns the lot's name.
func (n *nursery) newLot() string {
	n.t.Helper()
	n.lots++
	lot, err := n.stock.CreateLot(asManager(), &stockv1.CreateLotRequest{
		Parent: "nurseries/test", LotId: fmt.Sprintf("l-%d", n.lots), Plants: 50, Origin: stockv1.LotEventKind_LOT_EVENT_KIND_STARTED, RequestId: id(),
		Lot: &stockv1.Lot{BotanicalName: "Phalaenopsis amabilis", Bench: name("houses/h1/benches/b1")},
	})
	require.NoError(n.t, err)
	return lot.GetName()
}

// newCase opens a case for a new lot with a disorder.
func (n *nursery) newCase(disorder string) *treatmentv1.Case {
	n.t.Helper()
	lot := n.newLot()
	inspection, err := n.diagnosis.CreateInspection(asWorker(), &diagnosisv1.CreateInspectionRequest{Parent: "nurseries/test", RequestId: id(),
		Inspection: &diagnosisv1.Inspection{Target: lot, PlantsSampled: 50, PlantsAffected: 7}})
	require.NoError(n.t, err)
	diagnosed, err := n.diagnosis.ConfirmDiagnosis(asManager(), &diagnosisv1.ConfirmDiagnosisRequest{Parent: "nurseries/test", RequestId: id(),
		Diagnosis: &diagnosisv1.Diagnosis{Inspections: []string{inspection.GetName()}, Disorder: disorder, Grounds: "seen"}})
	require.NoError(n.t, err)
	opened, err := n.treatment.CreateCase(asManager(), &treatmentv1.CreateCaseRequest{Parent: "nurseries/test", RequestId: id(),
		Case: &treatmentv1.Case{Diagnosis: diagnosed.GetName(), Lots: []string{lot}}})
	require.NoError(n.t, err)
	n.drain()
	return opened
}

// start starts a program with steps done before.
func (n *nursery) start(disorder, template string, completed ...*treatmentv1.CompletedStep) *treatmentv1.Program {
	n.t.Helper()
	opened := n.newCase(disorder)
	program, err := n.treatment.CreateProgram(asManager(), &treatmentv1.CreateProgramRequest{Parent: "nurseries/test", RequestId: id(),
		Case: opened.GetName(), Template: name("templates/" + template), CompletedSteps: completed})
	require.NoError(n.t, err)
	n.drain()
	return program
}

func (n *nursery) drain() {
	n.t.Helper()
	require.NoError(n.t, n.outbox.Drain(context.Background()))
}

// did is the confirmation of a step of the shipped templates as it should be,
// for an hour's work that ended at a moment.
func did(key string, end time.Time) *treatmentv1.Confirmation {
	c := &treatmentv1.Confirmation{StartTime: timestamppb.New(end.Add(-time.Hour)), EndTime: timestamppb.New(end)}
	switch key {
	case "isolate":
		c.Bench = name("houses/h1/benches/iso")
	case "disinfect":
		c.Disinfectant = "70 % alcohol, wiped"
	case "prune", "cut-back", "cut-off", "discard", "repot":
		c.Disinfectant, c.RemovedPartsBinned = "flame", true
		c.CutFace = treatmentv1.CutFace_CUT_FACE_CLEAN
	case "systemic":
		c.Treatments = applied("thio", "10")
	case "contact":
		c.Treatments = applied("manc", "10")
	case "inspection":
		c.Inspection = &treatmentv1.InspectionCounts{PlantsSampled: 50}
	}
	return c
}

func applied(product, grams string) []*treatmentv1.HouseTreatment {
	return []*treatmentv1.HouseTreatment{{
		House: name("houses/h1"), Area: q("12", "m2"), MixVolume: q("10", "L"),
		Products: []*treatmentv1.ProductUse{{Product: name("products/" + product), Amount: q(grams, "g")}},
	}}
}

func completed(key string, end time.Time) *treatmentv1.CompletedStep {
	return &treatmentv1.CompletedStep{Key: key, Confirmation: did(key, end)}
}

// confirm confirms a step as a worker.
func (n *nursery) confirm(program, step string, c *treatmentv1.Confirmation) (*treatmentv1.ConfirmStepResponse, error) {
	return n.treatment.ConfirmStep(asWorker(), &treatmentv1.ConfirmStepRequest{Name: program + "/steps/" + step, Confirmation: c, RequestId: id()})
}
