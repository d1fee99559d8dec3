package records

import (
	"context"
	"log/slog"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	identityv1 "velamen/gen/velamen/identity/v1"
	productsv1 "velamen/gen/velamen/products/v1"
	recordsv1 "velamen/gen/velamen/records/v1"
	stockv1 "velamen/gen/velamen/stock/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/clock"
	"velamen/internal/postgres"
	"velamen/internal/postgres/pgtest"
	"velamen/internal/rpc"
	"velamen/internal/rpc/rpctest"
	"velamen/services/diagnosis"
	"velamen/services/identity"
	"velamen/services/products"
	"velamen/services/stock"
	"velamen/services/treatment"
)

// home is a nursery under a law, with all that the law asks a nursery for.
type home struct {
	zone, jurisdiction string
	operator, county   string
	registration       string
	// limits is whether the authorisation limits the time and the stage of the use.
	limits productsv1.LabelAnswer
}

// grower is a nursery on all services, as a grower has it.
type grower struct {
	fixture
	t *testing.T
	home
	now *hands

	identity  identityv1.IdentityServiceClient
	stock     stockv1.StockServiceClient
	diagnosis diagnosisv1.DiagnosisServiceClient
	products  productsv1.ProductsServiceClient
	treatment treatmentv1.TreatmentServiceClient
}

// hands are those of a clock that a test sets.
type hands struct{ at time.Time }

func (h *hands) Now() time.Time { return clock.Stored(h.at) }

// sprayed is when the work of these tests began: noon UTC in a month with a change of the
// clocks in the United States and in Europe.
var sprayed = time.Date(2026, 3, 12, 12, 0, 0, 0, time.UTC)

func newGrower(t *testing.T, h home) *grower {
	t.Helper()
	g := &grower{t: t, home: h, now: &hands{at: sprayed.Add(-72 * time.Hour)}}
	g.db = pgtest.NewAt(t, g.now)
	pgtest.AddNursery(t, g.db)
	quiet := func(context.Context, postgres.Event) error { return nil }
	g.outbox = postgres.NewOutbox(g.db.DB, slog.New(slog.DiscardHandler), stock.Consumer(), products.Consumer(), Consumer(g.db.DB),
		postgres.Consumer{Name: "programs", Topics: []string{treatment.TopicProgramStarted, treatment.TopicProgramAdvanced}, Send: quiet},
		postgres.Consumer{Name: "planners", Topics: []string{diagnosis.TopicClimateImported, diagnosis.TopicInspected}, Send: quiet})
	conn := rpctest.Serve(t, func(server *rpc.Server) {
		identityv1.RegisterIdentityServiceServer(server, identity.New(g.db.DB, ""))
		stockv1.RegisterStockServiceServer(server, stock.New(g.db.DB))
		diagnosisv1.RegisterDiagnosisServiceServer(server, diagnosis.New(g.db.DB, t.TempDir(), g.outbox))
		productsv1.RegisterProductsServiceServer(server, products.New(g.db.DB))
		treatmentv1.RegisterTreatmentServiceServer(server, treatment.New(g.db.DB, g.outbox))
		recordsv1.RegisterRecordsServiceServer(server, New(g.db.DB))
	})
	g.identity, g.stock = identityv1.NewIdentityServiceClient(conn), stockv1.NewStockServiceClient(conn)
	g.diagnosis, g.products = diagnosisv1.NewDiagnosisServiceClient(conn), productsv1.NewProductsServiceClient(conn)
	g.treatment, g.client = treatmentv1.NewTreatmentServiceClient(conn), recordsv1.NewRecordsServiceClient(conn)
	g.manager = rpctest.As(t.Context(), rpctest.Manager)
	g.settle()
	return g
}

// settle enters the facts of the nursery and of who works there.
func (g *grower) settle() {
	owner := rpctest.As(g.t.Context(), rpctest.Owner)
	_, err := g.identity.UpdateNursery(owner, &identityv1.UpdateNurseryRequest{
		Nursery: &identityv1.Nursery{
			Name: "nurseries/test", TimeZone: g.zone, Jurisdiction: g.jurisdiction, Address: "1 Glasshouse Lane", OperatorId: g.operator, County: g.county,
		},
		UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"time_zone", "jurisdiction", "address", "operator_id", "county"}}, RequestId: uuid.NewString(),
	})
	require.NoError(g.t, err)
	g.certify("wandile", "C-17")
	g.certify("mira", "C-4")
	for _, person := range []string{"wandile", "mira"} {
		_, err := g.identity.RecordQualification(owner, &identityv1.RecordQualificationRequest{
			Parent: "nurseries/test/people/" + person, RequestId: uuid.NewString(), Qualification: &identityv1.Qualification{
				Kind: identityv1.QualificationKind_QUALIFICATION_KIND_HANDLER_TRAINING, Date: &typev1.Date{Value: "2026-01-12"},
				Description: "handler training", Provider: "a trainer",
			},
		})
		require.NoError(g.t, err)
	}
	_, err = g.client.UpdateDutySettings(g.manager, &recordsv1.UpdateDutySettingsRequest{
		DutySettings: &recordsv1.DutySettings{Name: "nurseries/test/dutySettings", Performer: recordsv1.Performer_PERFORMER_GROWER}, RequestId: uuid.NewString(),
	})
	require.NoError(g.t, err)
}

func (g *grower) certify(person, number string) {
	_, err := g.identity.UpdatePerson(rpctest.As(g.t.Context(), rpctest.Owner), &identityv1.UpdatePersonRequest{
		Person: &identityv1.Person{Name: "nurseries/test/people/" + person, Certificates: []*identityv1.Certificate{
			{Number: "OLD-" + number, Category: "greenhouse", ExpireDate: &typev1.Date{Value: "2026-03-11"}},
			{Number: number, Category: "greenhouse", ExpireDate: &typev1.Date{Value: "2027-01-31"}},
		}},
		UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"certificates"}}, RequestId: uuid.NewString(),
	})
	require.NoError(g.t, err)
}

// furnish adds a house with a lot, and a restricted product with its label.
func (g *grower) furnish(house *stockv1.House, lot *stockv1.Lot, product *productsv1.Product) {
	g.t.Helper()
	_, err := g.stock.CreateHouse(g.manager, &stockv1.CreateHouseRequest{Parent: "nurseries/test", HouseId: "h1", House: house, RequestId: uuid.NewString()})
	require.NoError(g.t, err)
	for bench, apart := range map[string]bool{"b1": false, "iso": true} {
		_, err := g.stock.CreateBench(g.manager, &stockv1.CreateBenchRequest{Parent: "nurseries/test/houses/h1", BenchId: bench, RequestId: uuid.NewString(),
			Bench: &stockv1.Bench{DisplayName: "Bench " + bench, Area: amount("12", "m2"), Isolation: apart}})
		require.NoError(g.t, err)
	}
	_, err = g.stock.CreateLot(g.manager, &stockv1.CreateLotRequest{Parent: "nurseries/test", LotId: "l1", Plants: 50,
		Origin: stockv1.LotEventKind_LOT_EVENT_KIND_STARTED, Lot: lot, RequestId: uuid.NewString()})
	require.NoError(g.t, err)
	_, err = g.products.CreateProduct(g.manager, &productsv1.CreateProductRequest{Parent: "nurseries/test", ProductId: "rest", Product: product, RequestId: uuid.NewString()})
	require.NoError(g.t, err)
}

// wholeHouse, wholeLot and wholeProduct have every fact that a report asks for.
func wholeHouse() *stockv1.House {
	return &stockv1.House{
		DisplayName: "Vanda house", Area: amount("400", "m2"), Covering: stockv1.Covering_COVERING_GLASS, SiteNumber: "03", FacilityNumber: "GH-0042",
		LegalLocation: "San Mateo, section 12, T5S R5W, Mount Diablo", PlantedArea: amount("300", "m2"),
	}
}

func wholeLot() *stockv1.Lot {
	return &stockv1.Lot{BotanicalName: "Phalaenopsis amabilis", EppoCode: "PHASS", Bench: "nurseries/test/houses/h1/benches/b1"}
}

func (h home) wholeProduct() *productsv1.Product {
	direction := &productsv1.LabelDirection{
		Method: productsv1.Method_METHOD_SPRAY, DisorderClasses: []diagnosisv1.DisorderClass{diagnosisv1.DisorderClass_DISORDER_CLASS_FUNGUS},
		RateMin: amount("0.5", "g/L"), RateMax: amount("2", "g/L"), RestrictedEntryInterval: amount("12", "h"), Crops: []string{"ornamentals"},
		Sites: []productsv1.Site{productsv1.Site_SITE_GREENHOUSE, productsv1.Site_SITE_OUTDOOR}, ProtectiveEquipment: "gloves",
	}
	given := []productsv1.LabelFact{
		productsv1.LabelFact_LABEL_FACT_UNSPECIFIED, productsv1.LabelFact_LABEL_FACT_CROPS, productsv1.LabelFact_LABEL_FACT_SITES,
		productsv1.LabelFact_LABEL_FACT_RESTRICTED_ENTRY_INTERVAL, productsv1.LabelFact_LABEL_FACT_PROTECTIVE_EQUIPMENT,
	}
	for number := range productsv1.LabelFact_name {
		if !slices.Contains(given, productsv1.LabelFact(number)) {
			direction.SilentOn = append(direction.SilentOn, productsv1.LabelFact(number))
		}
	}
	slices.Sort(direction.GetSilentOn())
	return &productsv1.Product{
		DisplayName: "Azoxystrobin 500 WG", RegistrationNumber: h.registration, Form: productsv1.ProductForm_PRODUCT_FORM_SOLID, Jurisdiction: h.jurisdiction,
		RestrictedUse: true, Contents: []*productsv1.Content{{ActiveIngredient: "azoxystrobin", Amount: amount("500", "g/kg")}},
		Directions: []*productsv1.LabelDirection{direction}, SafetyDataSheet: "SDS 17, office shelf 2", TimeLimited: h.limits, StageLimited: h.limits,
	}
}

// treat opens a case for the lot and confirms its spray with everything there is to say.
func (g *grower) treat() {
	g.t.Helper()
	worker := rpctest.As(g.t.Context(), rpctest.Worker)
	inspection, err := g.diagnosis.CreateInspection(worker, &diagnosisv1.CreateInspectionRequest{Parent: "nurseries/test", RequestId: uuid.NewString(),
		Inspection: &diagnosisv1.Inspection{Target: "nurseries/test/lots/l1", PlantsSampled: 50, PlantsAffected: 7}})
	require.NoError(g.t, err)
	diagnosed, err := g.diagnosis.ConfirmDiagnosis(g.manager, &diagnosisv1.ConfirmDiagnosisRequest{Parent: "nurseries/test", RequestId: uuid.NewString(),
		Diagnosis: &diagnosisv1.Diagnosis{Inspections: []string{inspection.GetName()}, Disorder: "phyllosticta-leaf-spot", Grounds: "seen"}})
	require.NoError(g.t, err)
	opened, err := g.treatment.CreateCase(g.manager, &treatmentv1.CreateCaseRequest{Parent: "nurseries/test", RequestId: uuid.NewString(),
		Case: &treatmentv1.Case{Diagnosis: diagnosed.GetName(), Lots: []string{"nurseries/test/lots/l1"}}})
	require.NoError(g.t, err)
	g.drain()
	program, err := g.treatment.CreateProgram(g.manager, &treatmentv1.CreateProgramRequest{Parent: "nurseries/test", RequestId: uuid.NewString(),
		Case: opened.GetName(), Template: "nurseries/test/templates/leaf-spots"})
	require.NoError(g.t, err)
	g.drain()
	confirm := func(step string, begin time.Time, said *treatmentv1.Confirmation) {
		g.t.Helper()
		said.StartTime, said.EndTime = timestamppb.New(begin), timestamppb.New(begin.Add(time.Hour))
		g.now.at = begin.Add(time.Hour)
		_, err := g.treatment.ConfirmStep(worker, &treatmentv1.ConfirmStepRequest{
			Name: program.GetName() + "/steps/" + step, Confirmation: said, RequestId: uuid.NewString(),
		})
		require.NoError(g.t, err, step)
		g.drain()
	}
	confirm("isolate-1", sprayed.Add(-9*time.Hour), &treatmentv1.Confirmation{Bench: "nurseries/test/houses/h1/benches/iso"})
	confirm("disinfect-1", sprayed.Add(-7*time.Hour), &treatmentv1.Confirmation{Disinfectant: "70 % alcohol, wiped"})
	confirm("prune-1", sprayed.Add(-5*time.Hour), &treatmentv1.Confirmation{Disinfectant: "flame", RemovedPartsBinned: true})
	confirm("systemic-1", sprayed, &treatmentv1.Confirmation{
		Supervisor: "nurseries/test/people/mira",
		Treatments: []*treatmentv1.HouseTreatment{{
			House: "nurseries/test/houses/h1", Area: amount("12", "m2"), MixVolume: amount("10", "L"), Plants: 50, GrowthStage: "61",
			Form: treatmentv1.ApplicationForm_APPLICATION_FORM_MIST, Droplets: treatmentv1.DropletClass_DROPLET_CLASS_FINER_THAN_MEDIUM,
			Products: []*treatmentv1.ProductUse{{Product: "nurseries/test/products/rest", Amount: amount("10", "g")}},
		}},
	})
	g.now.at = time.Date(2026, 4, 2, 12, 0, 0, 0, time.UTC)
}

func (g *grower) drain() {
	g.t.Helper()
	require.NoError(g.t, g.outbox.Drain(g.t.Context()))
	undelivered, _, err := g.outbox.Pending(g.t.Context())
	require.NoError(g.t, err)
	require.Zero(g.t, undelivered)
}

// check returns what the report of March lacks.
func (g *grower) check(kind string) *recordsv1.CheckUseReportResponse {
	g.t.Helper()
	checked, err := g.client.CheckUseReport(rpctest.As(g.t.Context(), rpctest.Auditor), &recordsv1.CheckUseReportRequest{
		Parent: "nurseries/test", Kind: kind, FromDate: &typev1.Date{Value: "2026-03-01"}, ToDate: &typev1.Date{Value: "2026-03-31"},
	})
	require.NoError(g.t, err)
	require.NotEmpty(g.t, checked.GetCaution())
	require.EqualValues(g.t, 1, checked.GetUses(), kind)
	return checked
}

// requireWhole demands that no report of some kinds lacks anything, nor that it had to
// take anything from what was entered after the day.
func (g *grower) requireWhole(kinds ...string) {
	g.t.Helper()
	for _, kind := range kinds {
		require.Empty(g.t, g.check(kind).GetGaps(), kind)
		_, made := g.report(g.t, reportRequest(kind, reportJSON))
		require.Empty(g.t, made.GetGaps(), kind)
		for _, never := range []string{`"MISSING"`, "DOUBTFUL\"", "taken from what is entered now"} {
			require.NotContains(g.t, string(made.GetData()), never, kind)
		}
	}
	require.True(g.t, g.verify(g.t).GetIntact())
}

func (g *grower) wholeUse() {
	g.t.Helper()
	g.furnish(wholeHouse(), wholeLot(), g.wholeProduct())
	g.treat()
}

const (
	yes = productsv1.LabelAnswer_LABEL_ANSWER_YES
	no  = productsv1.LabelAnswer_LABEL_ANSWER_NO
)

func TestANurseryInFloridaHasNoGapInItsReports(t *testing.T) {
	g := newGrower(t, home{zone: "America/New_York", jurisdiction: "US-FL", registration: "100-1", limits: no})
	g.wholeUse()
	g.requireWhole("us-wps-application", "us-restricted-use", "house-record")
}

func TestANurseryInCaliforniaHasNoGapInItsReports(t *testing.T) {
	g := newGrower(t, home{zone: "America/Los_Angeles", jurisdiction: "US-CA", operator: "41-26-4000123", county: "San Mateo", registration: "100-1", limits: no})
	g.wholeUse()
	g.requireWhole("us-wps-application", "us-restricted-use", "us-ca-monthly-use", "house-record")
}

func TestANurseryInTheNetherlandsHasNoGapInItsReports(t *testing.T) {
	g := newGrower(t, home{zone: "Europe/Amsterdam", jurisdiction: "NL", registration: "12345 N", limits: yes})
	g.wholeUse()
	g.requireWhole("eu-closed-space", "house-record")
}

func TestANurseryInGreatBritainHasNoGapInItsReports(t *testing.T) {
	g := newGrower(t, home{zone: "Europe/London", jurisdiction: "GB", registration: "MAPP 12345", limits: no})
	g.wholeUse()
	g.requireWhole("gb-use-record", "house-record")
}

func TestANurseryInSouthAfricaHasNoGapInItsReports(t *testing.T) {
	g := newGrower(t, home{zone: "Africa/Johannesburg", jurisdiction: "ZA", registration: "L1001", limits: no})
	g.wholeUse()
	g.requireWhole("za-use-record", "house-record")

	entry := g.entries(t)[0]
	require.Equal(t, "Vanda house", entry.GetHouseDisplayName())
	require.Equal(t, []string{"Bench iso"}, entry.GetBenches(), "where the lot stood while it was sprayed")
	require.Equal(t, productsv1.Site_SITE_GREENHOUSE, entry.GetSetting())
	require.Equal(t, "300 m2", measured(entry.GetPlantedArea()))
	require.Equal(t, "PHASS", entry.GetCropCodes()[0].GetEppoCode())
	require.Equal(t, "61", entry.GetGrowthStage())
	require.EqualValues(t, 50, entry.GetPlants())
	require.Equal(t, []string{"mist", "finer than medium"}, []string{entry.GetForm(), entry.GetDroplets()})
	require.Equal(t, no, entry.GetTimeLimited())
	require.Equal(t, "C-17", entry.GetApplicatorCertificate(), "the other one had expired the day before")
	require.Equal(t, "C-4", entry.GetSupervisor().GetCertificate())
	require.Equal(t, "Mira Manager", entry.GetSupervisor().GetDisplayName())
}

// What is changed after the day does not change the record of it.
func TestTheRecordKeepsTheFactsOfTheDay(t *testing.T) {
	g := newGrower(t, home{zone: "America/Los_Angeles", jurisdiction: "US-CA", operator: "41-26-4000123", county: "San Mateo", registration: "100-1", limits: no})
	g.wholeUse()
	_, err := g.stock.UpdateHouse(g.manager, &stockv1.UpdateHouseRequest{
		House:      &stockv1.House{Name: "nurseries/test/houses/h1", SiteNumber: "99", DisplayName: "Renamed"},
		UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"site_number", "display_name"}}, RequestId: uuid.NewString(),
	})
	require.NoError(t, err)
	read, _ := g.report(t, reportRequest("us-ca-monthly-use", reportJSON))
	var texts []string
	for _, cell := range read.Uses.Rows[0].Cells {
		texts = append(texts, cell.Text)
	}
	require.Contains(t, texts, "03")
	require.Contains(t, texts, "Vanda house: bench Bench iso")
}

// A fact that nobody had entered is named with what mends it, and what mends it does.
func TestAGapIsMendedWhereItSays(t *testing.T) {
	g := newGrower(t, home{zone: "Europe/Amsterdam", jurisdiction: "NL", registration: "12345 N", limits: yes})
	house, lot := wholeHouse(), wholeLot()
	house.FacilityNumber, lot.EppoCode = "", ""
	g.furnish(house, lot, g.wholeProduct())
	g.treat()
	var fixes []string
	for _, gap := range g.check("eu-closed-space").GetGaps() {
		require.NotEmpty(t, gap.GetSection())
		fixes = append(fixes, gap.GetFix()+" "+gap.GetFixField()+": "+gap.GetFixCommand())
	}
	require.Equal(t, []string{
		"nurseries/test/houses/h1 facility_number: velamen stock house update h1 --facility-number NUMBER",
		"nurseries/test/lots/l1 eppo_code: velamen stock lot update l1 --eppo-code CODE",
	}, fixes)

	_, err := g.stock.UpdateHouse(g.manager, &stockv1.UpdateHouseRequest{
		House:      &stockv1.House{Name: "nurseries/test/houses/h1", FacilityNumber: "GH-0042"},
		UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"facility_number"}}, RequestId: uuid.NewString(),
	})
	require.NoError(t, err)
	_, err = g.client.CorrectEntry(g.manager, correct(1, func(r *recordsv1.CorrectEntryRequest) {
		r.CropCodes = []*recordsv1.CropCode{{Crop: "Phalaenopsis amabilis", EppoCode: "PHASS"}}
	}))
	require.NoError(t, err)
	require.Empty(t, g.check("eu-closed-space").GetGaps())
	_, made := g.report(t, reportRequest("eu-closed-space", reportJSON))
	require.Contains(t, string(made.GetData()), "taken from what is entered now: Identification of the closed space.",
		"what came after the day is said to")
	require.Equal(t, 1, strings.Count(string(made.GetData()), "taken from what is entered now"))
	require.True(t, g.verify(t).GetIntact())
}

func TestWhoSupervisesMustBeSomebodyElseWhoWorksThere(t *testing.T) {
	g := newGrower(t, home{zone: "Africa/Johannesburg", jurisdiction: "ZA", registration: "L1001", limits: no})
	g.wholeUse()
	for supervisor, field := range map[string]string{
		"nurseries/test/people/wandile": "supervisor", "nurseries/test/houses/h1": "supervisor",
	} {
		_, err := g.client.CorrectEntry(g.manager, correct(1, func(r *recordsv1.CorrectEntryRequest) { r.Supervisor = supervisor }))
		rpctest.RefusedField(t, err, field)
	}
}
