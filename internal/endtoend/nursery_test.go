package endtoend

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/backoff"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	identityv1 "velamen/gen/velamen/identity/v1"
	productsv1 "velamen/gen/velamen/products/v1"
	recordsv1 "velamen/gen/velamen/records/v1"
	schedulev1 "velamen/gen/velamen/schedule/v1"
	stockv1 "velamen/gen/velamen/stock/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	typev1 "velamen/gen/velamen/type/v1"
)

const (
	// parent is the nursery of the tests.
	parent = "nurseries/test"
	// lotPlants is how many plants each lot has.
	lotPlants = 50
	// attemptWithin bounds one attempt of a call; an attempt waits for a server
	// that is starting.
	attemptWithin = 30 * time.Second
	password      = "ten letters or more"
)

// nursery is a nursery on an install, set up through its API, and people who
// call it.
type nursery struct {
	*install
	identity  identityv1.IdentityServiceClient
	stock     stockv1.StockServiceClient
	diagnosis diagnosisv1.DiagnosisServiceClient
	products  productsv1.ProductsServiceClient
	treatment treatmentv1.TreatmentServiceClient
	schedule  schedulev1.ScheduleServiceClient
	records   recordsv1.RecordsServiceClient

	manager, worker caller
	lots            atomic.Int64
	// still is locked by a test that looks at everything while nobody calls.
	still sync.RWMutex
}

// caller signs a call.
type caller string

func (c caller) sign(ctx context.Context) context.Context {
	if c == nobody {
		return ctx
	}
	return metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+string(c))
}

// nobody is not signed in.
const nobody = caller("")

// settle sets a nursery up on the running server of an install.
func settle(i *install) *nursery {
	i.t.Helper()
	// A phone in a house asks again at once when the coverage is back.
	patience := backoff.Config{BaseDelay: 20 * time.Millisecond, Multiplier: 1.5, MaxDelay: 200 * time.Millisecond}
	conn, err := grpc.NewClient(i.address, grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithConnectParams(grpc.ConnectParams{Backoff: patience, MinConnectTimeout: attemptWithin}))
	require.NoError(i.t, err)
	i.t.Cleanup(func() { require.NoError(i.t, conn.Close()) })
	n := &nursery{
		install:   i,
		identity:  identityv1.NewIdentityServiceClient(conn),
		stock:     stockv1.NewStockServiceClient(conn),
		diagnosis: diagnosisv1.NewDiagnosisServiceClient(conn),
		products:  productsv1.NewProductsServiceClient(conn),
		treatment: treatmentv1.NewTreatmentServiceClient(conn),
		schedule:  schedulev1.NewScheduleServiceClient(conn),
		records:   recordsv1.NewRecordsServiceClient(conn),
	}
	n.hire()
	n.furnish()
	return n
}

// answered makes a call until it is answered, as a phone on bad coverage does.
// A refusal is an answer. The request's id makes a repeated attempt harmless.
func answered[Q, A any](n *nursery, who caller, call func(context.Context, Q, ...grpc.CallOption) (A, error), request Q) (A, error) {
	for {
		answer, err := attempt(n, who, call, request)
		if !lost(err) {
			return answer, err
		}
	}
}

func attempt[Q, A any](n *nursery, who caller, call func(context.Context, Q, ...grpc.CallOption) (A, error), request Q) (A, error) {
	n.still.RLock()
	defer n.still.RUnlock()
	return once(who, call, request)
}

// once makes one attempt of a call. It waits for a server that is starting.
func once[Q, A any](who caller, call func(context.Context, Q, ...grpc.CallOption) (A, error), request Q) (A, error) {
	ctx, cancel := context.WithTimeout(who.sign(context.Background()), attemptWithin)
	defer cancel()
	return call(ctx, request, grpc.WaitForReady(true))
}

// read asks until it is answered, also while nobody else may call.
func read[Q, A any](who caller, call func(context.Context, Q, ...grpc.CallOption) (A, error), request Q) (A, error) {
	for {
		answer, err := once(who, call, request)
		if !lost(err) {
			return answer, err
		}
	}
}

// lost says whether a call may or may not have been carried out.
func lost(err error) bool {
	code := status.Code(err)
	return code == codes.Unavailable || code == codes.DeadlineExceeded
}

// must is answered where a refusal fails the test. It is for the goroutine of
// the test only.
func must[Q, A any](n *nursery, who caller, call func(context.Context, Q, ...grpc.CallOption) (A, error), request Q) A {
	n.t.Helper()
	answer, err := answered(n, who, call, request)
	require.NoError(n.t, err)
	return answer
}

func id() string { return uuid.NewString() }

func name(parts string) string { return parent + "/" + parts }

func q(amount, unit string) *typev1.Quantity { return &typev1.Quantity{Amount: amount, Unit: unit} }

// hire sets the nursery up and signs a manager and a worker in.
func (n *nursery) hire() {
	n.t.Helper()
	key, err := os.ReadFile(filepath.Join(n.folder, "setup-key"))
	require.NoError(n.t, err)
	must(n, nobody, n.identity.SetUpNursery, &identityv1.SetUpNurseryRequest{
		NurseryId: "test", OwnerId: "olwen", OwnerDisplayName: "Olwen Owner", OwnerPassword: password,
		SetupKey: strings.TrimSpace(string(key)), RequestId: id(),
		Nursery: &identityv1.Nursery{DisplayName: "Test nursery", TimeZone: "Africa/Johannesburg", Jurisdiction: "ZA"},
	})
	owner := n.signIn("olwen")
	for person, role := range map[string]identityv1.Role{"mira": identityv1.Role_ROLE_MANAGER, "wandile": identityv1.Role_ROLE_WORKER} {
		must(n, owner, n.identity.CreatePerson, &identityv1.CreatePersonRequest{
			Parent: parent, PersonId: person, Password: password, RequestId: id(),
			Person: &identityv1.Person{DisplayName: person, Role: role},
		})
	}
	n.manager, n.worker = n.signIn("mira"), n.signIn("wandile")
}

func (n *nursery) signIn(person string) caller {
	n.t.Helper()
	signedIn := must(n, nobody, n.identity.SignIn, &identityv1.SignInRequest{Person: name("people/" + person), Password: password})
	return caller(signedIn.GetToken())
}

// houses are those in which is treated.
var houses = []string{name("houses/h1"), name("houses/h2")}

// furnish adds houses with benches, and products. Programs share the houses, and no spray
// of one may close them to the others: the houses are of net, and the labels ask for
// no time without entry.
func (n *nursery) furnish() {
	n.t.Helper()
	for _, house := range []string{"h1", "h2"} {
		must(n, n.manager, n.stock.CreateHouse, &stockv1.CreateHouseRequest{
			Parent: parent, HouseId: house, RequestId: id(), House: &stockv1.House{DisplayName: house, Area: q("400", "m2"), Covering: stockv1.Covering_COVERING_NET},
		})
	}
	for bench, apart := range map[string]bool{"b1": false, "iso": true} {
		must(n, n.manager, n.stock.CreateBench, &stockv1.CreateBenchRequest{
			Parent: houses[0], BenchId: bench, RequestId: id(),
			Bench: &stockv1.Bench{DisplayName: bench, Area: q("12", "m2"), Isolation: apart},
		})
	}
	for product, active := range map[string]string{"thio": "thiophanate-methyl", "tebu": "tebuconazole", "manc": "mancozeb"} {
		n.addProduct(product, active)
	}
}

func (n *nursery) addProduct(product, active string) {
	n.t.Helper()
	request := &productsv1.CreateProductRequest{Parent: parent, ProductId: product, RequestId: id(), Product: &productsv1.Product{
		DisplayName: product, RegistrationNumber: "TEST-" + product, Form: productsv1.ProductForm_PRODUCT_FORM_SOLID, Jurisdiction: "ZA",
		Respirator: productsv1.LabelAnswer_LABEL_ANSWER_NO, InhalationLimited: productsv1.LabelAnswer_LABEL_ANSWER_NO,
		Contents: []*productsv1.Content{{ActiveIngredient: active, Amount: q("500", "g/kg")}},
	}}
	for _, method := range []productsv1.Method{productsv1.Method_METHOD_SPRAY, productsv1.Method_METHOD_BATH} {
		request.Product.Directions = append(request.Product.Directions, &productsv1.LabelDirection{
			Method: method, DisorderClasses: []diagnosisv1.DisorderClass{diagnosisv1.DisorderClass_DISORDER_CLASS_FUNGUS},
			RateMin: q("0.5", "g/L"), RateMax: q("2", "g/L"), RestrictedEntryInterval: q("0", "h"),
			Crops: []string{"ornamentals"}, Sites: []productsv1.Site{productsv1.Site_SITE_GREENHOUSE, productsv1.Site_SITE_OUTDOOR},
			ProtectiveEquipment: "gloves", SilentOn: silentOn(),
		})
	}
	must(n, n.manager, n.products.CreateProduct, request)
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

// newLot puts plants on the bench and returns the lot's name.
func (n *nursery) newLot() (string, error) {
	lot, err := answered(n, n.manager, n.stock.CreateLot, &stockv1.CreateLotRequest{
		Parent: parent, LotId: fmt.Sprintf("l-%d", n.lots.Add(1)), Plants: lotPlants,
		Origin: stockv1.LotEventKind_LOT_EVENT_KIND_STARTED, RequestId: id(),
		Lot: &stockv1.Lot{BotanicalName: "Phalaenopsis amabilis", Bench: name("houses/h1/benches/b1")},
	})
	return lot.GetName(), err
}

// newCase opens a case for a new lot with a disorder.
func (n *nursery) newCase(disorder string) (*treatmentv1.Case, error) {
	lot, err := n.newLot()
	if err != nil {
		return nil, err
	}
	inspection, err := answered(n, n.worker, n.diagnosis.CreateInspection, &diagnosisv1.CreateInspectionRequest{
		Parent: parent, RequestId: id(),
		Inspection: &diagnosisv1.Inspection{Target: lot, PlantsSampled: lotPlants, PlantsAffected: 7},
	})
	if err != nil {
		return nil, err
	}
	diagnosed, err := answered(n, n.manager, n.diagnosis.ConfirmDiagnosis, &diagnosisv1.ConfirmDiagnosisRequest{
		Parent: parent, RequestId: id(),
		Diagnosis: &diagnosisv1.Diagnosis{Inspections: []string{inspection.GetName()}, Disorder: disorder, Grounds: "seen"},
	})
	if err != nil {
		return nil, err
	}
	return answered(n, n.manager, n.treatment.CreateCase, &treatmentv1.CreateCaseRequest{
		Parent: parent, RequestId: id(), Case: &treatmentv1.Case{Diagnosis: diagnosed.GetName(), Lots: []string{lot}},
	})
}

// work is a step that was done, and how its confirmation differs from the usual.
type work struct {
	// step is the step's id, as in "prune-1".
	step string
	// ago is how long before the present the work ended.
	ago    time.Duration
	change func(*treatmentv1.Confirmation)
}

const day = 24 * time.Hour

// key returns the key of the step in its template.
func (w work) key() string { return w.step[:strings.LastIndexByte(w.step, '-')] }

// confirmation says that the work was done, with a note by which it is found
// again.
func (w work) confirmation(now time.Time, note string) *treatmentv1.Confirmation {
	end := timestamppb.New(now.Add(-w.ago))
	c := &treatmentv1.Confirmation{StartTime: end, EndTime: end, Note: note}
	switch w.key() {
	case "isolate":
		c.Bench = name("houses/h1/benches/iso")
	case "disinfect":
		c.Disinfectant = "70 % alcohol, wiped"
	case "prune", "cut-back", "discard":
		c.Disinfectant, c.RemovedPartsBinned = "flame", true
		c.CutFace = treatmentv1.CutFace_CUT_FACE_CLEAN
	case "systemic":
		c.Treatments = applied("thio", "manc")
	case "contact":
		c.Treatments = applied("manc")
	case "inspection":
		c.Inspection = &treatmentv1.InspectionCounts{PlantsSampled: lotPlants}
	}
	if w.change != nil {
		w.change(c)
	}
	return c
}

// applied is a mix of products, sprayed or dipped in every house.
func applied(products ...string) []*treatmentv1.HouseTreatment {
	var treatments []*treatmentv1.HouseTreatment
	for _, house := range houses {
		treatment := &treatmentv1.HouseTreatment{House: house, Area: q("12", "m2"), MixVolume: q("10", "L")}
		for _, product := range products {
			treatment.Products = append(treatment.Products, &treatmentv1.ProductUse{Product: name("products/" + product), Amount: q("10", "g")})
		}
		treatments = append(treatments, treatment)
	}
	return treatments
}

func stained(c *treatmentv1.Confirmation) { c.CutFace = treatmentv1.CutFace_CUT_FACE_STAINED }

func newSpots(c *treatmentv1.Confirmation) { c.Inspection.PlantsAffected = 1 }

func anotherGroup(c *treatmentv1.Confirmation) { c.Treatments = applied("tebu", "manc") }

// upToContact is what was done before a program of leaf spots was entered whose
// contact spray is due.
func upToContact(sprayed time.Duration) []work {
	return []work{
		{step: "isolate-1", ago: sprayed + 3*day}, {step: "disinfect-1", ago: sprayed + 2*day},
		{step: "prune-1", ago: sprayed + day}, {step: "systemic-1", ago: sprayed},
	}
}

// newProgram opens a case and starts its program with what was done before.
func (n *nursery) newProgram(disorder, template string, past ...work) (*treatmentv1.Program, error) {
	opened, err := n.newCase(disorder)
	if err != nil {
		return nil, err
	}
	request := &treatmentv1.CreateProgramRequest{
		Parent: parent, RequestId: id(), Case: opened.GetName(), Template: name("templates/" + template),
	}
	now := time.Now()
	for _, w := range past {
		request.CompletedSteps = append(request.CompletedSteps, &treatmentv1.CompletedStep{Key: w.key(), Confirmation: w.confirmation(now, id())})
	}
	return answered(n, n.manager, n.treatment.CreateProgram, request)
}

// confirmRequest confirms work that ended just now.
func confirmRequest(program string, w work) *treatmentv1.ConfirmStepRequest {
	request := &treatmentv1.ConfirmStepRequest{Name: program + "/steps/" + w.step, RequestId: id()}
	request.Confirmation = w.confirmation(time.Now(), request.GetRequestId())
	return request
}

// events returns what happened to a program.
func (n *nursery) events(program string) ([]*treatmentv1.ProgramEvent, error) {
	return pages(func(token string) ([]*treatmentv1.ProgramEvent, string, error) {
		page, err := read(n.worker, n.treatment.ListProgramEvents, &treatmentv1.ListProgramEventsRequest{Name: program, PageSize: 1000, PageToken: token})
		return page.GetEvents(), page.GetNextPageToken(), err
	})
}

// ledger returns all entries of the ledger.
func (n *nursery) ledger() ([]*recordsv1.Entry, error) {
	return pages(func(token string) ([]*recordsv1.Entry, string, error) {
		page, err := read(n.worker, n.records.ListEntries, &recordsv1.ListEntriesRequest{Parent: parent, PageSize: 1000, PageToken: token})
		return page.GetEntries(), page.GetNextPageToken(), err
	})
}

// applications returns all applications.
func (n *nursery) applications() ([]*treatmentv1.Application, error) {
	return pages(func(token string) ([]*treatmentv1.Application, string, error) {
		page, err := read(n.worker, n.treatment.ListApplications, &treatmentv1.ListApplicationsRequest{Parent: parent, PageSize: 1000, PageToken: token})
		return page.GetApplications(), page.GetNextPageToken(), err
	})
}

// pages reads a list to its end.
func pages[T any](read func(token string) ([]T, string, error)) ([]T, error) {
	var all []T
	for token := ""; ; {
		page, next, err := read(token)
		if err != nil {
			return nil, err
		}
		all = append(all, page...)
		if next == "" {
			return all, nil
		}
		token = next
	}
}
