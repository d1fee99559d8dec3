package treatment_test

import (
	"context"
	"slices"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	productsv1 "velamen/gen/velamen/products/v1"
	stockv1 "velamen/gen/velamen/stock/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/fault"
	"velamen/internal/rpc/rpctest"
)

const (
	ordinary  = treatmentv1.EntryKind_ENTRY_KIND_ORDINARY
	handler   = treatmentv1.EntryKind_ENTRY_KIND_HANDLER
	shortTerm = treatmentv1.EntryKind_ENTRY_KIND_SHORT_TERM
	said      = treatmentv1.Said_SAID_YES
	saidNot   = treatmentv1.Said_SAID_NO
)

// openGreenhouse is a nursery of the United States with a greenhouse, g1, and an outdoor
// place, o1.
func openGreenhouse(t testing.TB) (*nursery, *movable) {
	n, c := openNursery(t)
	n.setJurisdiction("US")
	for id, covering := range map[string]stockv1.Covering{"g1": stockv1.Covering_COVERING_GLASS, "o1": stockv1.Covering_COVERING_NET} {
		_, err := n.stock.CreateHouse(asManager(), &stockv1.CreateHouseRequest{Parent: "nurseries/test", HouseId: id, RequestId: newID(), House: &stockv1.House{
			DisplayName: "House " + id, Area: q("400", "m2"), Volume: q("1200", "m3"), Covering: covering, PassiveVents: true,
		}})
		require.NoError(t, err)
	}
	return n, c
}

// label adds a product of which every fact of entry is entered.
func (n *nursery) label(product, interval string, changes ...func(*productsv1.Product)) {
	n.t.Helper()
	added := &productsv1.Product{
		DisplayName: product, RegistrationNumber: "TEST-" + product, Form: productsv1.ProductForm_PRODUCT_FORM_SOLID, Jurisdiction: "US",
		Contents:   []*productsv1.Content{{ActiveIngredient: "mancozeb", Amount: q("500", "g/kg")}},
		Respirator: productsv1.LabelAnswer_LABEL_ANSWER_NO, DoubleNotification: productsv1.LabelAnswer_LABEL_ANSWER_NO,
		InhalationLimited: productsv1.LabelAnswer_LABEL_ANSWER_NO, Organophosphate: productsv1.LabelAnswer_LABEL_ANSWER_NO,
		ToxicityCategory: productsv1.ToxicityCategory_TOXICITY_CATEGORY_III,
		Directions: []*productsv1.LabelDirection{{
			Method: productsv1.Method_METHOD_SPRAY, DisorderClasses: []diagnosisv1.DisorderClass{diagnosisv1.DisorderClass_DISORDER_CLASS_FUNGUS},
			RateMin: q("0.5", "g/L"), RateMax: q("2", "g/L"), RestrictedEntryInterval: q(interval, "h"), Crops: []string{"ornamentals"},
			Sites:               []productsv1.Site{productsv1.Site_SITE_GREENHOUSE, productsv1.Site_SITE_OUTDOOR},
			ProtectiveEquipment: "gloves", SilentOn: silentOn(),
		}},
	}
	for _, change := range changes {
		change(added)
	}
	_, err := n.products.CreateProduct(asManager(), &productsv1.CreateProductRequest{Parent: "nurseries/test", ProductId: product, RequestId: newID(), Product: added})
	require.NoError(n.t, err)
}

// sprayed is a coarse spray of a product in a house, for an hour that ended at a moment.
func (n *nursery) sprayed(product, house string, end time.Time) *treatmentv1.Application {
	n.t.Helper()
	a := proposed(n.newLot(), product, "10", end.Add(-time.Hour))
	a.Treatments[0].House, a.Treatments[0].Height = name("houses/"+house), q("50", "cm")
	a.Treatments[0].Droplets = treatmentv1.DropletClass_DROPLET_CLASS_MEDIUM_OR_LARGER
	return n.breach(a)
}

// qualify enters that a person was qualified on a day.
func (n *nursery) qualify(person, kind, day string) {
	n.t.Helper()
	require.NoError(n.t, n.db.InTx(context.Background(), func(tx pgx.Tx) error {
		_, err := tx.Exec(context.Background(), `
			INSERT INTO identity.qualification (nursery, person, id, kind, date, description, provider, recorder, create_time)
			VALUES ('test', $1, $2, $3, $4::text::date, 'seen', 'an adviser', 'mira', $5)`, person, uuid.NewString(), kind, day, n.db.Now())
		return err
	}))
}

// visit is a short-term entry of a worker.
func visit(start time.Time, length time.Duration) *treatmentv1.HouseEntry {
	return &treatmentv1.HouseEntry{
		Kind: shortTerm, Purpose: "open the vents", ProtectiveEquipment: "coveralls, gloves", HandLabour: saidNot,
		StartTime: timestamppb.New(start), EndTime: timestamppb.New(start.Add(length)),
	}
}

func (n *nursery) mayEnter(entry *treatmentv1.HouseEntry) *treatmentv1.CheckEntryResponse {
	n.t.Helper()
	answer, err := n.treatment.CheckEntry(asWorker(), &treatmentv1.CheckEntryRequest{Parent: name("houses/g1"), Entry: entry})
	require.NoError(n.t, err)
	require.NotEmpty(n.t, answer.GetCaution())
	return answer
}

func (n *nursery) enter(as context.Context, entry *treatmentv1.HouseEntry) (*treatmentv1.HouseEntry, error) {
	return n.treatment.RecordEntry(as, &treatmentv1.RecordEntryRequest{Parent: name("houses/g1"), Entry: entry, RequestId: newID()})
}

// forbidding are the rules that forbid an entry.
func forbidding(grounds []*treatmentv1.EntryGround) []string {
	var rules []string
	for _, ground := range grounds {
		if ground.GetRefuses() && !slices.Contains(rules, ground.GetRule()) {
			rules = append(rules, ground.GetRule())
		}
	}
	return rules
}

// Check value 15: 40 CFR 170.603(b), from memory, with the older 170.112(c) read; least
// age 170.309(c) as WAC 16-233-021(3).
func TestShortTermEntryIsServedPublished(t *testing.T) {
	n, c := openGreenhouse(t)
	n.label("day", "24")
	n.qualify("wandile", "WORKER_TRAINING", "2026-01-05")
	n.qualify("wandile", "FULL_AGE", "2020-01-05")
	n.qualify("mira", "WORKER_TRAINING", "2026-01-05")
	n.qualify("mira", "FULL_AGE", "2026-09-01") // 17 years old
	end := day0
	c.now = end
	n.sprayed("day", "g1", end)
	handLabour := func(e *treatmentv1.HouseEntry) *treatmentv1.HouseEntry { e.HandLabour = said; return e }
	young := func(e *treatmentv1.HouseEntry) *treatmentv1.HouseEntry { e.Person = name("people/mira"); return e }
	for _, test := range []struct {
		name  string
		entry *treatmentv1.HouseEntry
		rules []string
	}{
		{"60 min at 4 h 05", visit(end.Add(245*time.Minute), time.Hour), nil},
		{"61 min at 5 h", visit(end.Add(5*time.Hour), 61*time.Minute), []string{"early-entry-time"}},
		{"30 min at 3 h", visit(end.Add(3*time.Hour), 30*time.Minute), []string{"early-entry-first-hours"}},
		{"a worker aged 17", young(visit(end.Add(5*time.Hour), 30*time.Minute)), []string{"early-entry-age"}},
		{"hand labour", handLabour(visit(end.Add(5*time.Hour), 30*time.Minute)), []string{"early-entry-hand-labour"}},
	} {
		t.Run(test.name, func(t *testing.T) {
			answer := n.mayEnter(test.entry)
			require.Equal(t, test.rules, forbidding(answer.GetGrounds()), "%v", answer.GetGrounds())
			require.Equal(t, test.rules == nil, answer.GetAllowed())
			require.Equal(t, test.rules == nil, len(answer.GetConditions()) > 0)
			require.NotEmpty(t, answer.GetClosures())
			for _, ground := range answer.GetGrounds() {
				require.NotEmpty(t, ground.GetSource())
			}
		})
	}
}

func TestAHouseIsEnteredWhileItIsOpenAndRefusedWithEveryReasonWhileItIsClosed(t *testing.T) {
	n, c := openGreenhouse(t)
	n.label("day", "24")
	n.qualify("wandile", "FULL_AGE", "2020-01-05")
	n.qualify("wandile", "WORKER_TRAINING", "2026-01-05")
	entry := &treatmentv1.HouseEntry{Kind: ordinary, Purpose: "water", StartTime: timestamppb.New(day0.Add(-time.Hour))}
	c.now = day0
	kept, err := n.enter(asWorker(), entry)
	require.NoError(t, err)
	require.Equal(t, name("people/wandile"), kept.GetPerson())
	require.Empty(t, forbidding(kept.GetGrounds()))
	_, err = n.treatment.EndEntry(asWorker(), &treatmentv1.EndEntryRequest{Name: kept.GetName(), EndTime: timestamppb.New(day0.Add(-time.Minute)), RequestId: newID()})
	require.NoError(t, err)

	c.now = day0.Add(6 * time.Hour)
	n.sprayed("day", "g1", day0.Add(time.Hour))
	entry.StartTime = timestamppb.New(c.now)
	_, err = n.enter(asWorker(), entry)
	message, values := rpctest.Refused(t, err, codes.FailedPrecondition, fault.HouseClosed)
	require.Equal(t, "house-open", values["rule"])
	require.Contains(t, message, "restricted-entry interval of 24 h")
	answer := n.mayEnter(entry)
	require.False(t, answer.GetAllowed())
	require.Empty(t, answer.GetConditions())
	told := ""
	for _, ground := range answer.GetGrounds() {
		told += ground.GetMessage() + "\n"
	}
	require.Contains(t, told, "By time alone House g1 opens on 2026-03-03 11:00 SAST.")
	require.Contains(t, told, "early, for a short task without hand labour")
	require.NotContains(t, told, "as a handler", "he is not trained as one")

	// An application that began while somebody was inside closed it then.
	entry.StartTime, entry.EndTime = timestamppb.New(day0.Add(-30*time.Minute)), timestamppb.New(day0.Add(30*time.Minute))
	require.Equal(t, []string{"house-open"}, forbidding(n.mayEnter(entry).GetGrounds()))
	entry.EndTime = timestamppb.New(day0)
	require.True(t, n.mayEnter(entry).GetAllowed(), "it began when they were out")
	entry.StartTime, entry.EndTime = timestamppb.New(day0.Add(25*time.Hour)), nil
	_, err = n.treatment.CheckEntry(asWorker(), &treatmentv1.CheckEntryRequest{Parent: name("houses/g1"), Entry: entry})
	require.Contains(t, rpctest.RefusedField(t, err, "entry.start_time"), "12 hours ahead")
	c.now = day0.Add(25 * time.Hour)
	require.True(t, n.mayEnter(entry).GetAllowed(), "the interval is over")
}

func TestAHandlerIsTrainedOfAgeEquippedAndFitted(t *testing.T) {
	n, c := openGreenhouse(t)
	n.label("mask", "24", func(p *productsv1.Product) { p.Respirator = productsv1.LabelAnswer_LABEL_ANSWER_YES })
	c.now = day0
	n.sprayed("mask", "g1", day0)
	entry := &treatmentv1.HouseEntry{Kind: handler, Purpose: "air the house", StartTime: timestamppb.New(day0)}
	rules := func() []string { return forbidding(n.mayEnter(entry).GetGrounds()) }
	require.Equal(t, []string{"handler-training", "protective-equipment", "respirator"}, rules())
	_, err := n.enter(asWorker(), entry)
	rpctest.Refused(t, err, codes.FailedPrecondition, fault.PersonUnqualified)
	entry.ProtectiveEquipment = "half mask, coveralls, gloves"
	n.qualify("wandile", "HANDLER_TRAINING", "2026-01-05")
	require.Equal(t, []string{"respirator"}, rules(), "an age that nobody entered is told")
	n.qualify("wandile", "FULL_AGE", "2020-01-05")
	n.qualify("wandile", "MEDICAL_CLEARANCE", "2026-01-05")
	require.Equal(t, []string{"respirator"}, rules(), "no mask was fitted")
	n.qualify("wandile", "FIT_TEST", "2026-01-05")
	answer := n.mayEnter(entry)
	require.True(t, answer.GetAllowed(), "%v", answer.GetGrounds())
	require.NotEmpty(t, answer.GetConditions())
	kept, err := n.enter(asWorker(), entry)
	require.NoError(t, err)

	ended, err := n.treatment.EndEntry(asWorker(), &treatmentv1.EndEntryRequest{Name: kept.GetName(), EndTime: timestamppb.New(day0), RequestId: newID()})
	require.NoError(t, err)
	require.Equal(t, day0, ended.GetEndTime().AsTime())
	_, err = n.treatment.EndEntry(asWorker(), &treatmentv1.EndEntryRequest{Name: kept.GetName(), EndTime: timestamppb.New(day0), RequestId: newID()})
	rpctest.Refused(t, err, codes.FailedPrecondition, fault.InvalidField)

	n.setJurisdiction("ZA")
	entry.Person = name("people/mira")
	require.Equal(t, []string{"respirator"}, rules(), "what the law asks for there is not entered, and the label still asks for a mask")
	n.qualify("mira", "FULL_AGE", "2026-09-01")
	require.Equal(t, []string{"handler-age", "respirator"}, rules(), "it is on record that she is under 18")
}

func TestTheHourOfAShortTaskIsCountedOverAllHousesAndVisits(t *testing.T) {
	n, c := openGreenhouse(t)
	n.label("day", "24")
	n.qualify("wandile", "WORKER_TRAINING", "2026-01-05")
	n.qualify("wandile", "FULL_AGE", "2020-01-05")
	c.now = day0
	n.sprayed("day", "g1", day0)
	n.sprayed("day", "o1", day0)
	n.awayFrom()
	first := visit(day0.Add(5*time.Hour), 40*time.Minute)
	_, err := n.treatment.RecordEntry(asWorker(), &treatmentv1.RecordEntryRequest{Parent: name("houses/o1"), Entry: first, RequestId: newID()})
	require.NoError(t, err)
	_, err = n.treatment.RecordEntry(asWorker(), &treatmentv1.RecordEntryRequest{Parent: name("houses/h2"), RequestId: newID(), Entry: &treatmentv1.HouseEntry{
		Kind: ordinary, Purpose: "water", StartTime: timestamppb.New(day0.Add(6 * time.Hour))}})
	require.NoError(t, err, "an open house does not count")

	require.True(t, n.mayEnter(visit(day0.Add(8*time.Hour), 20*time.Minute)).GetAllowed())
	answer := n.mayEnter(visit(day0.Add(8*time.Hour), 21*time.Minute))
	require.Equal(t, []string{"early-entry-time"}, forbidding(answer.GetGrounds()))
	// A visit that is written down late, before one that is in the log.
	answer = n.mayEnter(visit(day0.Add(4*time.Hour), 21*time.Minute))
	require.Equal(t, []string{"early-entry-time"}, forbidding(answer.GetGrounds()))
	require.True(t, n.mayEnter(visit(day0.Add(4*time.Hour), 20*time.Minute)).GetAllowed())
	other := visit(day0.Add(8*time.Hour), time.Hour)
	other.Person = name("people/olwen")
	require.Equal(t, []string{"early-entry-age", "worker-training"}, forbidding(n.mayEnter(other).GetGrounds()), "the visits of another do not count")
}

func TestWhatARuleForbidsIsKeptByAManagerBecauseItHappened(t *testing.T) {
	n, c := openGreenhouse(t)
	n.label("day", "24")
	c.now = day0.Add(time.Hour)
	n.sprayed("day", "g1", day0)
	breach := &treatmentv1.HouseEntry{Kind: ordinary, Person: name("people/wandile"), Purpose: "fetch a hose", StartTime: timestamppb.New(day0.Add(30 * time.Minute)),
		BreachNote: "he had not seen the sign; sent to wash"}
	_, err := n.enter(asWorker(), breach)
	message, _ := rpctest.Refused(t, err, codes.PermissionDenied, fault.PermissionDenied)
	require.Contains(t, message, "owner or a manager")
	planned := proto.CloneOf(breach)
	planned.StartTime = timestamppb.New(c.now.Add(time.Hour))
	_, err = n.enter(asManager(), planned)
	rpctest.Refused(t, err, codes.FailedPrecondition, fault.HouseClosed)

	kept, err := n.enter(asManager(), breach)
	require.NoError(t, err)
	require.Equal(t, []string{"house-open"}, forbidding(kept.GetGrounds()))
	require.Equal(t, breach.GetBreachNote(), kept.GetBreachNote())
	require.Equal(t, name("people/mira"), kept.GetRecorder())
	listed, err := n.treatment.ListHouseEntries(asWorker(), &treatmentv1.ListHouseEntriesRequest{Parent: name("houses/-"), Person: name("people/wandile")})
	require.NoError(t, err)
	require.True(t, proto.Equal(kept, listed.GetEntries()[0]), "what the rules said is kept with it")

	breach.StartTime, breach.EndTime = timestamppb.New(day0.Add(-3*time.Hour)), timestamppb.New(day0.Add(-2*time.Hour))
	_, err = n.enter(asManager(), breach)
	rpctest.RefusedField(t, err, "entry.breach_note")
}

func TestAnEntryThatCannotBeIsRefusedByItsFieldAndNothingIsKept(t *testing.T) {
	n, _ := openGreenhouse(t)
	at := timestamppb.New
	for _, test := range []struct {
		name, field string
		change      func(*treatmentv1.HouseEntry)
	}{
		{"no purpose", "entry.purpose", func(e *treatmentv1.HouseEntry) { e.Purpose = "  " }},
		{"no person's name", "entry.person", func(e *treatmentv1.HouseEntry) { e.Person = "wandile" }},
		{"too far ahead", "entry.start_time", func(e *treatmentv1.HouseEntry) { e.StartTime = at(day0.Add(12*time.Hour + time.Second)) }},
		{"out before in", "entry.end_time", func(e *treatmentv1.HouseEntry) { e.EndTime = at(day0.Add(-2 * time.Hour)) }},
		{"early without an end", "entry.end_time", func(e *treatmentv1.HouseEntry) { e.Kind = shortTerm }},
		{"an end to come", "entry.end_time", func(e *treatmentv1.HouseEntry) { e.EndTime = at(day0.Add(time.Hour)) }},
		{"longer than a day", "entry.end_time", func(e *treatmentv1.HouseEntry) { e.StartTime, e.EndTime = at(day0.Add(-26*time.Hour)), at(day0) }},
	} {
		t.Run(test.name, func(t *testing.T) {
			entry := &treatmentv1.HouseEntry{Kind: ordinary, Purpose: "water", StartTime: at(day0.Add(-time.Hour))}
			test.change(entry)
			_, err := n.enter(asWorker(), entry)
			rpctest.RefusedField(t, err, test.field)
		})
	}
	require.NoError(t, n.db.InTx(context.Background(), func(tx pgx.Tx) error {
		_, err := tx.Exec(context.Background(), `UPDATE identity.person SET disabled = true WHERE id = 'wandile'`)
		return err
	}))
	_, err := n.enter(asManager(), &treatmentv1.HouseEntry{Kind: ordinary, Person: name("people/wandile"), Purpose: "water", StartTime: at(day0)})
	rpctest.Refused(t, err, codes.FailedPrecondition, fault.PersonUnqualified)
	listed, err := n.treatment.ListHouseEntries(asManager(), &treatmentv1.ListHouseEntriesRequest{Parent: name("houses/-")})
	require.NoError(t, err)
	require.Empty(t, listed.GetEntries())
}

func TestTheLogIsReadFromTheNewestPageByPage(t *testing.T) {
	n, c := openGreenhouse(t)
	c.now = day0.Add(10 * time.Hour)
	var want []string
	for _, hour := range []int{3, 1, 2, 2} {
		kept, err := n.enter(asWorker(), &treatmentv1.HouseEntry{Kind: ordinary, Purpose: "water", StartTime: timestamppb.New(day0.Add(time.Duration(hour) * time.Hour))})
		require.NoError(t, err)
		want = append(want, kept.GetName())
	}
	request := &treatmentv1.ListHouseEntriesRequest{Parent: name("houses/g1"), PageSize: 1}
	var got []string
	var starts []time.Time
	for {
		page, err := n.treatment.ListHouseEntries(asWorker(), request)
		require.NoError(t, err)
		for _, e := range page.GetEntries() {
			got, starts = append(got, e.GetName()), append(starts, e.GetStartTime().AsTime())
		}
		if request.PageToken = page.GetNextPageToken(); request.GetPageToken() == "" {
			break
		}
	}
	require.ElementsMatch(t, want, got)
	require.True(t, slices.IsSortedFunc(starts, func(a, b time.Time) int { return b.Compare(a) }))
	none, err := n.treatment.ListHouseEntries(asWorker(), &treatmentv1.ListHouseEntriesRequest{Parent: name("houses/o1")})
	require.NoError(t, err)
	require.Empty(t, none.GetEntries())
}

func TestTheEntryLogIsWrittenOnceWhoeverWrites(t *testing.T) {
	n, c := openGreenhouse(t)
	n.label("day", "24")
	c.now = day0
	_, err := n.enter(asWorker(), &treatmentv1.HouseEntry{Kind: ordinary, Purpose: "water", StartTime: timestamppb.New(day0)})
	require.NoError(t, err)
	application := n.sprayed("day", "g1", day0)
	_, err = n.treatment.RecordNotice(asWorker(), &treatmentv1.RecordNoticeRequest{Name: noticeOf(application, "g1", "signs-up"), DoneTime: timestamppb.New(day0), RequestId: newID()})
	require.NoError(t, err)
	for _, statement := range []string{
		`UPDATE treatment.house_entry SET start_time = start_time - interval '1 hour'`, `UPDATE treatment.house_entry SET grounds = '[]'`,
		`UPDATE treatment.house_entry SET end_time = start_time`, `DELETE FROM treatment.house_entry`, `TRUNCATE treatment.house_entry`,
		`UPDATE treatment.notice_done SET done_time = now()`, `DELETE FROM treatment.notice_done`,
		`INSERT INTO treatment.notice_done SELECT nursery, application, house, 'DISPLAY_REMOVED', done_time, person, note, create_time FROM treatment.notice_done`,
		`INSERT INTO treatment.house_entry (nursery, id, house, person, kind, purpose, protective_equipment, start_time, breach_note, grounds, recorder, create_time)
			VALUES ('test', 'x', 'g1', 'mira', 'ORDINARY', 'water', '', now(), '', '[{"rule": "house-open", "refuses": true}]', 'mira', now())`,
	} {
		err := n.db.InTx(context.Background(), func(tx pgx.Tx) error {
			_, err := tx.Exec(context.Background(), statement)
			return err
		})
		require.Error(t, err, statement)
	}
}
