package records

import (
	"context"
	"encoding/csv"
	"encoding/hex"
	"encoding/json"
	"flag"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	productsv1 "velamen/gen/velamen/products/v1"
	recordsv1 "velamen/gen/velamen/records/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/clock"
	"velamen/internal/fault"
	"velamen/internal/postgres"
	"velamen/internal/postgres/pgtest"
	"velamen/internal/quantity"
	"velamen/internal/rpc"
	"velamen/internal/rpc/rpctest"
	"velamen/services/treatment"
)

// update writes the golden files anew; look at the difference before keeping it.
var update = flag.Bool("update", false, "write the golden files of the reports anew")

func TestMain(m *testing.M) { pgtest.Main(m) }

// now is when all tests happen.
var now = time.Date(2026, 3, 20, 12, 0, 0, 0, time.UTC)

type fixture struct {
	db      *pgtest.Database
	outbox  *postgres.Outbox
	client  recordsv1.RecordsServiceClient
	manager context.Context
}

func setUp(t *testing.T) fixture { return setUpWith(t, New) }

// setUpWith serves what makes the service of a database.
func setUpWith(t *testing.T, serve func(*postgres.DB) *Service) fixture {
	t.Helper()
	db := pgtest.NewAt(t, clock.Fixed(now))
	pgtest.AddNursery(t, db)
	require.NoError(t, db.InTx(t.Context(), func(tx pgx.Tx) error {
		_, err := tx.Exec(t.Context(), `
			INSERT INTO stock.house (nursery, id, display_name, area, area_unit, create_time)
			VALUES ('test', 'h1', 'Orchid house', 240, 'm2', $1), ('test', 'h2', 'Propagation house', 60, 'm2', $1)`, now)
		return err
	}))
	conn := rpctest.Serve(t, func(server *rpc.Server) {
		recordsv1.RegisterRecordsServiceServer(server, serve(db.DB))
	})
	return fixture{
		db:      db,
		outbox:  postgres.NewOutbox(db.DB, slog.New(slog.DiscardHandler), Consumer(db.DB)),
		client:  recordsv1.NewRecordsServiceClient(conn),
		manager: rpctest.As(t.Context(), rpctest.Manager),
	}
}

// application is a confirmed bath with a mixture in house h1.
func application(id string) treatment.ApplicationConfirmed {
	return treatment.ApplicationConfirmed{
		Application: "nurseries/test/applications/" + id, Step: "nurseries/test/programs/p1/steps/systemic-1",
		Disorder: "anthracnose", Method: "BATH",
		Start:      time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC),
		End:        time.Date(2026, 3, 2, 8, 45, 0, 0, time.UTC),
		Applicator: "nurseries/test/people/wandile", ApplicatorDisplayName: "Wandile Worker",
		RestrictedEntryInterval: quantity.Must("24", quantity.Hour),
		Houses: []treatment.HouseApplied{{
			House: "nurseries/test/houses/h1", Area: quantity.Must("12.5", quantity.SquareMetre),
			MixVolume: quantity.Must("20", quantity.Litre), Crops: []string{"Vanda coerulea", "Phalaenopsis amabilis"},
			Products: []treatment.ProductApplied{thiophanate("25"), mixture("30")},
		}},
	}
}

func thiophanate(grams string) treatment.ProductApplied {
	return treatment.ProductApplied{
		Product: "nurseries/test/products/thiophanate", DisplayName: "Thiophanate 50 WP", RegistrationNumber: "L1001",
		Amount: quantity.Must(grams, quantity.Gram),
		Actives: []treatment.ActiveApplied{{
			ActiveIngredient: "thiophanate-methyl", FRACCode: "1", Content: quantity.Must("500", quantity.GramPerKilogram),
		}},
	}
}

func mixture(millilitres string) treatment.ProductApplied {
	return treatment.ProductApplied{
		Product: "nurseries/test/products/mixture", DisplayName: "Epoxiconazole and thiophanate-methyl SC", RegistrationNumber: "L1002",
		RestrictedUse: true, Amount: quantity.Must(millilitres, quantity.Millilitre),
		Actives: []treatment.ActiveApplied{
			{ActiveIngredient: "epoxiconazole", FRACCode: "3", Content: quantity.Must("187", quantity.GramPerLitre)},
			{ActiveIngredient: "thiophanate-methyl", FRACCode: "1", Content: quantity.Must("310", quantity.GramPerLitre)},
		},
	}
}

// confirm writes the event of an application and delivers it.
func (f fixture) confirm(t *testing.T, applied treatment.ApplicationConfirmed) {
	t.Helper()
	require.NoError(t, f.db.InTx(t.Context(), func(tx pgx.Tx) error {
		return f.outbox.Write(t.Context(), tx, treatment.TopicApplicationConfirmed, "test", "nurseries/test", applied)
	}))
	require.NoError(t, f.outbox.Drain(t.Context()))
	undelivered, _, err := f.outbox.Pending(t.Context())
	require.NoError(t, err)
	require.Zero(t, undelivered)
}

func (f fixture) entries(t *testing.T) []*recordsv1.Entry {
	t.Helper()
	response, err := f.client.ListEntries(f.manager, &recordsv1.ListEntriesRequest{Parent: "nurseries/test", PageSize: 1000})
	require.NoError(t, err)
	return response.GetEntries()
}

func (f fixture) verify(t *testing.T) *recordsv1.VerifyLedgerResponse {
	t.Helper()
	response, err := f.client.VerifyLedger(f.manager, &recordsv1.VerifyLedgerRequest{Parent: "nurseries/test"})
	require.NoError(t, err)
	return response
}

func correct(sequence int64, change func(*recordsv1.CorrectEntryRequest)) *recordsv1.CorrectEntryRequest {
	request := &recordsv1.CorrectEntryRequest{
		Name: entryName("test", sequence), Note: "The scale was read wrong.", RequestId: uuid.NewString(),
	}
	change(request)
	return request
}

func amount(value, unit string) *typev1.Quantity { return &typev1.Quantity{Amount: value, Unit: unit} }

func TestAConfirmedApplicationIsEnteredForEachHouseAndProduct(t *testing.T) {
	f := setUp(t)
	applied := application("a1")
	second := applied.Houses[0]
	second.House, second.Products = "nurseries/test/houses/h2", []treatment.ProductApplied{thiophanate("5")}
	applied.Houses = append(applied.Houses, second)
	f.confirm(t, applied)

	entries := f.entries(t)
	require.Len(t, entries, 3)
	for i, entry := range entries {
		require.Equal(t, int64(i+1), entry.GetSequence())
		require.Equal(t, "nurseries/test/applications/a1", entry.GetApplication())
		require.Equal(t, productsv1.Method_METHOD_BATH, entry.GetMethod())
		require.Equal(t, []string{"Phalaenopsis amabilis", "Vanda coerulea"}, entry.GetCrops())
		require.Equal(t, now, entry.GetCreateTime().AsTime())
	}
	require.Equal(t, "nurseries/test/houses/h2", entries[2].GetHouse())

	mix := entries[1]
	require.True(t, mix.GetRestrictedUse())
	require.Equal(t, "30 mL", measured(mix.GetProductAmount()))
	require.Len(t, mix.GetActives(), 2)
	require.Equal(t, "3", mix.GetActives()[0].GetFracCode())
	require.Equal(t, "5.61 g", measured(mix.GetActives()[0].GetAmount()))
	require.Equal(t, "1", mix.GetActives()[1].GetFracCode())
	require.Equal(t, "9.3 g", measured(mix.GetActives()[1].GetAmount()))

	read, err := f.client.GetEntry(f.manager, &recordsv1.GetEntryRequest{Name: mix.GetName()})
	require.NoError(t, err)
	require.True(t, proto.Equal(mix, read))
}

func TestAnEventThatIsDeliveredAgainAddsNothing(t *testing.T) {
	f := setUp(t)
	f.confirm(t, application("a1"))
	before := f.entries(t)
	f.confirm(t, application("a1"))
	require.Len(t, f.entries(t), len(before))

	// Nor does it after its entry was corrected.
	_, err := f.client.CorrectEntry(f.manager, correct(1, func(r *recordsv1.CorrectEntryRequest) { r.ProductAmount = amount("26", "g") }))
	require.NoError(t, err)
	f.confirm(t, application("a1"))
	require.Len(t, f.entries(t), len(before)+1)
	require.True(t, f.verify(t).GetIntact())
}

func TestAnEventOfAnotherNurseryIsNotEntered(t *testing.T) {
	f := setUp(t)
	applied := application("a1")
	applied.Application = "nurseries/other/applications/a1"
	require.NoError(t, f.db.InTx(t.Context(), func(tx pgx.Tx) error {
		return f.outbox.Write(t.Context(), tx, treatment.TopicApplicationConfirmed, "test", "nurseries/test", applied)
	}))
	require.NoError(t, f.outbox.Drain(t.Context()))
	undelivered, failing, err := f.outbox.Pending(t.Context())
	require.NoError(t, err)
	require.Equal(t, []int64{1, 1}, []int64{undelivered, failing})
	require.Empty(t, f.entries(t))
}

func TestEntriesCarryTheHashOfTheOneBefore(t *testing.T) {
	f := setUp(t)
	f.confirm(t, application("a1"))
	rows, err := f.db.Query(t.Context(), `SELECT body, prev_hash, hash FROM records.entry ORDER BY sequence`)
	require.NoError(t, err)
	defer rows.Close()
	last := start().hash
	for rows.Next() {
		var (
			body       string
			prev, hash []byte
		)
		require.NoError(t, rows.Scan(&body, &prev, &hash))
		require.Equal(t, last, prev)
		require.Equal(t, seal(prev, body), hash)
		require.NotRegexp(t, `"amount":[0-9-]`, body, "an amount is a string, never a JSON number")
		last = hash
	}
	require.NoError(t, rows.Err())
	response := f.verify(t)
	require.True(t, response.GetIntact())
	require.Equal(t, int64(2), response.GetEntries())
	require.Equal(t, hex.EncodeToString(last), response.GetHead())
}

func TestAppendsAtOnceMakeOneChainWithoutGaps(t *testing.T) {
	f := setUp(t)
	consumer := Consumer(f.db.DB)
	const applications, deliveries = 12, 3
	var workers sync.WaitGroup
	failures := make(chan error, applications*deliveries)
	for i := range applications {
		body, err := json.Marshal(application(fmt.Sprintf("a%d", i)))
		require.NoError(t, err)
		for range deliveries {
			workers.Go(func() {
				failures <- f.db.InTx(t.Context(), func(tx pgx.Tx) error {
					return consumer.Apply(t.Context(), tx, postgres.Event{Nursery: "test", Payload: body})
				})
			})
		}
	}
	workers.Wait()
	close(failures)
	for err := range failures {
		require.NoError(t, err)
	}
	entries := f.entries(t)
	require.Len(t, entries, 2*applications)
	response := f.verify(t)
	require.True(t, response.GetIntact(), response.GetFault())
	require.Equal(t, int64(2*applications), response.GetEntries())
}

func TestALedgerOfOneNurseryDoesNotTouchAnother(t *testing.T) {
	f := setUp(t)
	require.NoError(t, f.db.InTx(t.Context(), func(tx pgx.Tx) error {
		_, err := tx.Exec(t.Context(), `
			INSERT INTO identity.nursery (id, display_name, time_zone, jurisdiction, create_time)
			VALUES ('other', 'Other nursery', 'UTC', 'US-CA', $1)`, now)
		return err
	}))
	applied := application("a1")
	f.confirm(t, applied)
	applied.Application = "nurseries/other/applications/a1"
	body, err := json.Marshal(applied)
	require.NoError(t, err)
	require.NoError(t, f.db.InTx(t.Context(), func(tx pgx.Tx) error {
		return Consumer(f.db.DB).Apply(t.Context(), tx, postgres.Event{Nursery: "other", Payload: body})
	}))
	require.Len(t, f.entries(t), 2)
	response, err := f.client.VerifyLedger(rpctest.As(t.Context(), rpctest.Stranger), &recordsv1.VerifyLedgerRequest{Parent: "nurseries/other"})
	require.NoError(t, err)
	require.True(t, response.GetIntact())
	require.Equal(t, int64(2), response.GetEntries())
}

func TestCorrectionTakesThePlaceOfAnEntryAndComputesItsActives(t *testing.T) {
	f := setUp(t)
	f.confirm(t, application("a1"))
	request := correct(1, func(r *recordsv1.CorrectEntryRequest) {
		r.ProductAmount, r.MixVolume, r.Area = amount("0.03", "kg"), amount("24", "L"), amount("0.0015", "ha")
		r.StartTime = timestamppb.New(time.Date(2026, 3, 2, 7, 30, 0, 0, time.UTC))
	})
	fixed, err := f.client.CorrectEntry(f.manager, request)
	require.NoError(t, err)
	require.Equal(t, int64(3), fixed.GetSequence())
	require.Equal(t, "0.03 kg", measured(fixed.GetProductAmount()))
	require.Equal(t, "15 g", measured(fixed.GetActives()[0].GetAmount()))
	require.Equal(t, "24 L", measured(fixed.GetMixVolume()))
	require.Equal(t, "nurseries/test/entries/1", fixed.GetCorrection().GetCorrects())
	require.Equal(t, "nurseries/test/people/mira", fixed.GetCorrection().GetPerson())
	require.Equal(t, "The scale was read wrong.", fixed.GetCorrection().GetNote())

	old, err := f.client.GetEntry(f.manager, &recordsv1.GetEntryRequest{Name: "nurseries/test/entries/1"})
	require.NoError(t, err)
	require.Equal(t, fixed.GetName(), old.GetCorrectedBy())
	require.Equal(t, "25 g", measured(old.GetProductAmount()), "what was written stays")

	again, err := f.client.CorrectEntry(f.manager, request)
	require.NoError(t, err)
	require.True(t, proto.Equal(fixed, again), "a retry returns the first answer")
	require.Len(t, f.entries(t), 3)
	require.True(t, f.verify(t).GetIntact())
}

func TestACorrectionKeepsWhichRulesTheApplicationWentAgainst(t *testing.T) {
	f := setUp(t)
	applied := application("a1")
	applied.Overrides = []treatment.OverrideApplied{{Rule: "rotation-consecutive", Note: "No other product.", Person: "nurseries/test/people/mira"}}
	applied.Breach, applied.BreachRules = "Mixed for another tank.", []string{"label-rate-max"}
	f.confirm(t, applied)
	first := f.entries(t)[0]
	require.True(t, proto.Equal(&recordsv1.Override{
		Rule: "rotation-consecutive", Note: "No other product.", Person: "nurseries/test/people/mira",
	}, first.GetOverrides()[0]))
	require.Equal(t, []string{"label-rate-max"}, first.GetBreachRules())

	fixed, err := f.client.CorrectEntry(f.manager, correct(1, func(r *recordsv1.CorrectEntryRequest) { r.ProductAmount = amount("26", "g") }))
	require.NoError(t, err)
	require.Len(t, fixed.GetOverrides(), 1)
	require.True(t, proto.Equal(first.GetOverrides()[0], fixed.GetOverrides()[0]))
	require.Equal(t, first.GetBreachRules(), fixed.GetBreachRules())
	require.Equal(t, first.GetBreachNote(), fixed.GetBreachNote())
	require.True(t, f.verify(t).GetIntact())
}

func TestACorrectedEntryIsCorrectedThroughTheOneThatStands(t *testing.T) {
	f := setUp(t)
	f.confirm(t, application("a1"))
	for sequence, grams := range map[int64]string{1: "26"} {
		_, err := f.client.CorrectEntry(f.manager, correct(sequence, func(r *recordsv1.CorrectEntryRequest) { r.ProductAmount = amount(grams, "g") }))
		require.NoError(t, err)
	}
	_, err := f.client.CorrectEntry(f.manager, correct(3, func(r *recordsv1.CorrectEntryRequest) { r.ProductAmount = amount("27", "g") }))
	require.NoError(t, err)

	_, err = f.client.CorrectEntry(f.manager, correct(1, func(r *recordsv1.CorrectEntryRequest) { r.ProductAmount = amount("28", "g") }))
	_, values := rpctest.Refused(t, err, codes.FailedPrecondition, fault.EntryAlreadyCorrected)
	require.Equal(t, "nurseries/test/entries/4", values["newest"])
}

func TestOfCorrectionsAtOnceOneStands(t *testing.T) {
	f := setUp(t)
	f.confirm(t, application("a1"))
	const people = 8
	answers := make(chan error, people)
	var workers sync.WaitGroup
	for i := range people {
		workers.Go(func() {
			_, err := f.client.CorrectEntry(f.manager, correct(1, func(r *recordsv1.CorrectEntryRequest) {
				r.ProductAmount = amount(fmt.Sprint(30+i), "g")
			}))
			answers <- err
		})
	}
	workers.Wait()
	close(answers)
	stood := 0
	for err := range answers {
		if err == nil {
			stood++
			continue
		}
		_, values := rpctest.Refused(t, err, codes.FailedPrecondition, fault.EntryAlreadyCorrected)
		require.Equal(t, "nurseries/test/entries/3", values["newest"])
	}
	require.Equal(t, 1, stood)
	require.True(t, f.verify(t).GetIntact())
}

func TestCorrectionIsRefusedByField(t *testing.T) {
	f := setUp(t)
	f.confirm(t, application("a1"))
	at := func(hour int) *timestamppb.Timestamp {
		return timestamppb.New(time.Date(2026, 3, 2, hour, 0, 0, 0, time.UTC))
	}
	for _, test := range []struct {
		name   string
		field  string
		reason fault.Reason
		change func(*recordsv1.CorrectEntryRequest)
	}{
		{"a solid measured in millilitres", "product_amount", fault.InvalidField,
			func(r *recordsv1.CorrectEntryRequest) { r.ProductAmount = amount("25", "mL") }},
		{"an amount below zero", "product_amount", fault.InvalidField,
			func(r *recordsv1.CorrectEntryRequest) { r.ProductAmount = amount("-1", "g") }},
		{"a mix by weight", "mix_volume", fault.InvalidField,
			func(r *recordsv1.CorrectEntryRequest) { r.MixVolume = amount("20", "kg") }},
		{"an area in litres", "area", fault.InvalidField,
			func(r *recordsv1.CorrectEntryRequest) { r.Area = amount("20", "L") }},
		{"a start after its end", "start_time", fault.InvalidTimes,
			func(r *recordsv1.CorrectEntryRequest) { r.StartTime = at(9) }},
		{"an end before its start", "end_time", fault.InvalidTimes,
			func(r *recordsv1.CorrectEntryRequest) { r.EndTime = at(7) }},
		{"a start after an end, both new", "start_time", fault.InvalidTimes,
			func(r *recordsv1.CorrectEntryRequest) { r.StartTime, r.EndTime = at(7), at(6) }},
		{"an end in the future", "end_time", fault.InvalidTimes,
			func(r *recordsv1.CorrectEntryRequest) { r.EndTime = timestamppb.New(now.Add(time.Hour)) }},
		{"a time that is none", "start_time", fault.InvalidField,
			func(r *recordsv1.CorrectEntryRequest) { r.StartTime = &timestamppb.Timestamp{Seconds: -1 << 62} }},
		{"nothing to correct", "product_amount", fault.InvalidField,
			func(*recordsv1.CorrectEntryRequest) {}},
		{"the same amount in another unit", "product_amount", fault.InvalidField,
			func(r *recordsv1.CorrectEntryRequest) { r.ProductAmount = amount("0.025", "kg") }},
		{"no reason", "note", fault.InvalidField,
			func(r *recordsv1.CorrectEntryRequest) { r.ProductAmount, r.Note = amount("26", "g"), "" }},
		{"an entry that is no number", "name", fault.InvalidField,
			func(r *recordsv1.CorrectEntryRequest) { r.Name = "nurseries/test/entries/one" }},
		{"an entry with a leading zero", "name", fault.InvalidField,
			func(r *recordsv1.CorrectEntryRequest) { r.Name = "nurseries/test/entries/01" }},
	} {
		t.Run(test.name, func(t *testing.T) {
			_, err := f.client.CorrectEntry(f.manager, correct(1, test.change))
			rpctest.RefusedField(t, err, test.field)
			rpctest.Refused(t, err, codes.InvalidArgument, test.reason)
		})
	}
	require.Len(t, f.entries(t), 2, "a refused correction adds nothing")

	_, err := f.client.CorrectEntry(f.manager, correct(9, func(r *recordsv1.CorrectEntryRequest) { r.ProductAmount = amount("1", "g") }))
	rpctest.Refused(t, err, codes.NotFound, fault.NotFoundReason)
	_, err = f.client.CorrectEntry(rpctest.As(t.Context(), rpctest.Worker), correct(1, func(r *recordsv1.CorrectEntryRequest) { r.ProductAmount = amount("1", "g") }))
	rpctest.Refused(t, err, codes.PermissionDenied, fault.PermissionDenied)
}

func TestAProductThatWasNeverAppliedIsPutRightToZero(t *testing.T) {
	f := setUp(t)
	f.confirm(t, application("a1"))
	fixed, err := f.client.CorrectEntry(f.manager, correct(1, func(r *recordsv1.CorrectEntryRequest) { r.ProductAmount = amount("0", "g") }))
	require.NoError(t, err)
	require.Equal(t, "0 g", measured(fixed.GetActives()[0].GetAmount()))
}

func TestEntriesAreListedInPages(t *testing.T) {
	f := setUp(t)
	for i := range 3 {
		f.confirm(t, application(fmt.Sprintf("a%d", i)))
	}
	var sequences []int64
	request := &recordsv1.ListEntriesRequest{Parent: "nurseries/test", PageSize: 4}
	for {
		page, err := f.client.ListEntries(f.manager, request)
		require.NoError(t, err)
		for _, entry := range page.GetEntries() {
			sequences = append(sequences, entry.GetSequence())
		}
		if request.PageToken = page.GetNextPageToken(); request.GetPageToken() == "" {
			break
		}
	}
	require.Equal(t, []int64{1, 2, 3, 4, 5, 6}, sequences)
}

// sqlState returns the SQLSTATE of a refused statement.
func sqlState(t *testing.T, url, sql string, args ...any) string {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), url)
	require.NoError(t, err)
	defer func() { require.NoError(t, conn.Close(context.Background())) }()
	_, err = conn.Exec(t.Context(), sql, args...)
	require.Error(t, err, sql)
	var pg *pgconn.PgError
	require.ErrorAs(t, err, &pg)
	return pg.Code
}

func TestTheDatabaseRefusesToChangeTheLedger(t *testing.T) {
	f := setUp(t)
	f.confirm(t, application("a1"))
	const refused = "42501" // insufficient_privilege
	for _, sql := range []string{
		`UPDATE records.entry SET body = body`,
		`DELETE FROM records.entry`,
		`TRUNCATE records.entry`,
		`UPDATE records.head SET sequence = 0`,
		`DELETE FROM records.head`,
		`TRUNCATE records.head CASCADE`,
	} {
		t.Run(sql, func(t *testing.T) {
			require.Equal(t, refused, sqlState(t, f.db.AppURL, sql), "the services' role")
			require.Equal(t, refused, sqlState(t, f.db.OwnerURL, sql), "the role that owns the schema")
		})
	}
	require.True(t, f.verify(t).GetIntact())
}

func TestTheDatabaseRefusesAnEntryThatDoesNotFit(t *testing.T) {
	f := setUp(t)
	f.confirm(t, application("a1"))
	last, err := readHead(t.Context(), f.db, "test")
	require.NoError(t, err)
	good := entryAfter(t, last, func(*entry) {})

	const broken = "23000" // integrity_constraint_violation
	for name, change := range map[string]func(*row){
		"a gap in the sequence": func(r *row) { r.sequence++ },
		"another hash before it": func(r *row) {
			r.prevHash = start().hash
			r.hash = seal(r.prevHash, r.body)
		},
		"a hash that is not its own":          func(r *row) { r.hash = start().hash },
		"a body without its hash":             func(r *row) { r.body = strings.Replace(r.body, "BATH", "SPRAY", 1) },
		"an application that it does not say": func(r *row) { r.application += "x" },
		"a house that it does not say":        func(r *row) { r.house += "x" },
		"a product that it does not say":      func(r *row) { r.product += "x" },
		"a start that it does not say":        func(r *row) { r.startTime = r.startTime.Add(-time.Second) },
		"an end that it does not say":         func(r *row) { r.endTime = r.endTime.Add(time.Second) },
		"a correction that it does not say":   func(r *row) { one := int64(1); r.corrects = &one },
		"a correction of something else": func(r *row) {
			*r = entryAfter(t, last, func(e *entry) { e.Correction = &correction{Corrects: 1, Person: "p", Note: "n"} })
		},
	} {
		t.Run(name, func(t *testing.T) {
			r := good
			change(&r)
			require.Equal(t, broken, sqlState(t, f.db.AppURL, `
				INSERT INTO records.entry (nursery, sequence, body, prev_hash, hash, application, house, product, start_time, end_time, corrects)
				VALUES ('test', $1, $2, $3, $4, $5, $6, $7, $8, $9, $10)`,
				r.sequence, r.body, r.prevHash, r.hash, r.application, r.house, r.product, r.startTime, r.endTime, r.corrects))
		})
	}
	require.Len(t, f.entries(t), 2)
}

// entryAfter returns the row of a valid entry of another application.
func entryAfter(t *testing.T, last head, change func(*entry)) row {
	t.Helper()
	entries, err := entriesOf("test", application("next"))
	require.NoError(t, err)
	e := entries[0]
	e.Sequence, e.CreateTime = last.sequence+1, now
	change(&e)
	body, err := e.body()
	require.NoError(t, err)
	r := row{
		sequence: e.Sequence, body: body, prevHash: last.hash, hash: seal(last.hash, body),
		application: e.Application, house: e.House, product: e.Product, startTime: e.StartTime, endTime: e.EndTime,
	}
	if e.Correction != nil {
		r.corrects = &e.Correction.Corrects
	}
	return r
}

func TestVerifyNamesTheFirstBrokenEntry(t *testing.T) {
	const rehash = `
		UPDATE records.entry SET hash = sha256(prev_hash || convert_to(body, 'UTF8')) WHERE sequence = 3;
		UPDATE records.entry SET prev_hash = (SELECT hash FROM records.entry WHERE sequence = 3) WHERE sequence = 4;
		UPDATE records.entry SET hash = sha256(prev_hash || convert_to(body, 'UTF8')) WHERE sequence = 4;`
	f := setUp(t)
	f.confirm(t, application("a1"))
	f.confirm(t, application("a2"))
	require.True(t, f.verify(t).GetIntact())
	for _, test := range []struct {
		name    string
		tamper  string
		entry   int64
		fault   string
		checked int64
	}{
		{"a body was changed", `UPDATE records.entry SET body = replace(body, '"25"', '"15"') WHERE sequence = 3`,
			3, "Its hash is not that of what it says: it was changed after it was written.", 2},
		{"a body was changed and sealed again", `UPDATE records.entry SET body = replace(body, 'BATH', 'SPRAY') WHERE sequence = 3;
			UPDATE records.entry SET hash = sha256(prev_hash || convert_to(body, 'UTF8')) WHERE sequence = 3`,
			4, "It does not carry the hash of the entry before it.", 3},
		{"the ledger was sealed again to its end", `UPDATE records.entry SET body = replace(body, 'BATH', 'SPRAY') WHERE sequence = 3;` + rehash,
			4, "Its hash is not that of the ledger's end: it was replaced.", 4},
		{"the actives were changed, all sealed again", `UPDATE records.entry SET body = replace(body, '"12.5","unit":"g"', '"1.5","unit":"g"') WHERE sequence = 3;` + rehash,
			3, "It says 1.5 g of thiophanate-methyl, and the product holds 12.5 g.", 2},
		{"a row in the middle was deleted", `DELETE FROM records.entry WHERE sequence = 2`,
			2, "It is missing: the next entry that is there is 3.", 1},
		{"the first row was deleted", `DELETE FROM records.entry WHERE sequence = 1`,
			1, "It is missing: the next entry that is there is 2. No tombstone says that it was purged.", 0},
		{"the last row was deleted", `DELETE FROM records.entry WHERE sequence = 4`,
			4, "It is missing: the ledger ends at entry 4, and the last one that is there is 3.", 3},
		{"all rows were deleted", `DELETE FROM records.entry`,
			1, "It is missing: the ledger ends at entry 4, and the last one that is there is 0.", 0},
		{"the head was moved back", `UPDATE records.head SET sequence = 3`,
			4, "It was added past the end of the ledger, which is at entry 3.", 4},
		{"a house column was changed", `UPDATE records.entry SET house = 'nurseries/test/houses/h2' WHERE sequence = 2`,
			2, "Its column house differs from what it says.", 1},
		{"a time column was changed", `UPDATE records.entry SET end_time = end_time + interval '1 day' WHERE sequence = 2`,
			2, "Its column end_time differs from what it says.", 1},
		{"an entry was made a correction", `UPDATE records.entry SET corrects = 1 WHERE sequence = 2`,
			2, "Its column corrects differs from what it says.", 1},
		{"two rows were exchanged", `UPDATE records.entry SET sequence = 99 WHERE sequence = 2;
			UPDATE records.entry SET sequence = 2 WHERE sequence = 3; UPDATE records.entry SET sequence = 3 WHERE sequence = 99`,
			2, "It does not carry the hash of the entry before it.", 1},
	} {
		t.Run(test.name, func(t *testing.T) {
			response := verifyTampered(t, f.db, test.tamper)
			require.False(t, response.GetIntact())
			require.Equal(t, test.fault, response.GetFault())
			require.Equal(t, entryName("test", test.entry), response.GetBrokenEntry())
			require.Equal(t, test.checked, response.GetEntries())
		})
	}
	require.True(t, f.verify(t).GetIntact())
}

// verifyTampered verifies the ledger after a change that only someone who owns
// the database could make, with its triggers off, and takes the change back.
func verifyTampered(t *testing.T, db *pgtest.Database, sql string) *recordsv1.VerifyLedgerResponse {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), db.OwnerURL)
	require.NoError(t, err)
	defer func() { require.NoError(t, conn.Close(context.Background())) }()
	tx, err := conn.Begin(t.Context())
	require.NoError(t, err)
	_, err = tx.Exec(t.Context(), `
		ALTER TABLE records.entry DISABLE TRIGGER USER;
		ALTER TABLE records.head DISABLE TRIGGER USER;`+sql)
	require.NoError(t, err)
	found, err := verify(t.Context(), tx, "test", wholeLedger(), nil)
	require.NoError(t, err)
	require.NoError(t, tx.Rollback(t.Context()))
	return found.contract()
}

func TestVerifyFindsACommittedChange(t *testing.T) {
	f := setUp(t)
	f.confirm(t, application("a1"))
	conn, err := pgx.Connect(t.Context(), f.db.OwnerURL)
	require.NoError(t, err)
	defer func() { require.NoError(t, conn.Close(context.Background())) }()
	_, err = conn.Exec(t.Context(), `
		ALTER TABLE records.entry DISABLE TRIGGER USER;
		UPDATE records.entry SET body = replace(body, '"25"', '"15"') WHERE sequence = 1`)
	require.NoError(t, err)

	response := f.verify(t)
	require.False(t, response.GetIntact())
	require.Equal(t, "nurseries/test/entries/1", response.GetBrokenEntry())
	require.NotEmpty(t, response.GetFault())
}

func TestAnEmptyLedgerIsIntact(t *testing.T) {
	response := setUp(t).verify(t)
	require.True(t, response.GetIntact())
	require.Zero(t, response.GetEntries())
	require.Empty(t, response.GetHead())
}

func days(from, to string) *recordsv1.GetUseRecordRequest {
	return &recordsv1.GetUseRecordRequest{
		House: "nurseries/test/houses/h1", FromDate: &typev1.Date{Value: from}, ToDate: &typev1.Date{Value: to},
	}
}

func TestUseRecordHoldsTheEntriesThatStand(t *testing.T) {
	f := setUp(t)
	later, earlier := application("a1"), application("a2")
	earlier.Start, earlier.End = later.Start.Add(-24*time.Hour), later.End.Add(-24*time.Hour)
	elsewhere := application("a3")
	elsewhere.Houses[0].House = "nurseries/test/houses/h2"
	for _, applied := range []treatment.ApplicationConfirmed{later, earlier, elsewhere} {
		f.confirm(t, applied)
	}
	_, err := f.client.CorrectEntry(f.manager, correct(1, func(r *recordsv1.CorrectEntryRequest) { r.ProductAmount = amount("20", "g") }))
	require.NoError(t, err)

	record, err := f.client.GetUseRecord(f.manager, days("2026-03-01", "2026-03-31"))
	require.NoError(t, err)
	var sequences []int64
	for _, entry := range record.GetEntries() {
		require.Empty(t, entry.GetCorrectedBy())
		sequences = append(sequences, entry.GetSequence())
	}
	require.Equal(t, []int64{3, 4, 2, 7}, sequences, "by start, and the correction in place of entry 1")

	require.Len(t, record.GetTotals(), 2)
	require.Equal(t, "epoxiconazole 3 11.22 g", describeUse(record.GetTotals()[0]))
	// 12.5 + 9.3 on the first day, 10 + 9.3 on the second.
	require.Equal(t, "thiophanate-methyl 1 41.1 g", describeUse(record.GetTotals()[1]))
	require.Equal(t, "Orchid house", record.GetHouseDisplayName())
	require.Equal(t, "Test nursery", record.GetNurseryDisplayName())
	require.Equal(t, Caution, record.GetCaution())
}

func describeUse(use *recordsv1.ActiveUse) string {
	return use.GetActiveIngredient() + " " + use.GetFracCode() + " " + measured(use.GetAmount())
}

func TestUseRecordCountsDaysInTheNurserysZone(t *testing.T) {
	f := setUp(t)
	for i, test := range []struct {
		name       string
		zone       string
		start, end string
		from, to   string
		found      bool
	}{
		{"work late in the evening UTC is next day's work", "Africa/Johannesburg",
			"2026-03-01T23:00:00Z", "2026-03-01T23:30:00Z", "2026-03-02", "2026-03-02", true},
		{"and not that day's", "Africa/Johannesburg",
			"2026-03-01T23:00:00Z", "2026-03-01T23:30:00Z", "2026-03-01", "2026-03-01", false},
		{"work over midnight is of the first day", "Africa/Johannesburg",
			"2026-03-01T21:30:00Z", "2026-03-01T22:30:00Z", "2026-03-01", "2026-03-01", true},
		{"and of the second", "Africa/Johannesburg",
			"2026-03-01T21:30:00Z", "2026-03-01T22:30:00Z", "2026-03-02", "2026-03-02", true},
		{"work that ends at midnight is not of the next day", "Africa/Johannesburg",
			"2026-03-01T21:30:00Z", "2026-03-01T22:00:00Z", "2026-03-02", "2026-03-02", false},
		{"work of no length at midnight is of the day that begins", "Africa/Johannesburg",
			"2026-03-01T22:00:00Z", "2026-03-01T22:00:00Z", "2026-03-02", "2026-03-02", true},
		{"a day of 23 hours ends an hour earlier", "America/Los_Angeles",
			"2026-03-09T07:10:00Z", "2026-03-09T07:20:00Z", "2026-03-08", "2026-03-08", false},
		{"and begins when the winter's day does", "America/Los_Angeles",
			"2026-03-08T08:10:00Z", "2026-03-08T08:20:00Z", "2026-03-08", "2026-03-08", true},
		{"a day of 25 hours ends an hour later", "Europe/Amsterdam",
			"2025-10-26T22:30:00Z", "2025-10-26T22:40:00Z", "2025-10-26", "2025-10-26", true},
	} {
		t.Run(test.name, func(t *testing.T) {
			house := fmt.Sprintf("zone%d", i)
			require.NoError(t, f.db.InTx(t.Context(), func(tx pgx.Tx) error {
				_, err := tx.Exec(t.Context(), `
					WITH moved AS (UPDATE identity.nursery SET time_zone = $1 RETURNING id)
					INSERT INTO stock.house (nursery, id, display_name, area, area_unit, create_time)
					SELECT id, $2, 'House', 60, 'm2', $3 FROM moved`, test.zone, house, now)
				return err
			}))
			applied := application(house)
			applied.Houses[0].House = "nurseries/test/houses/" + house
			var err error
			applied.Start, err = time.Parse(time.RFC3339, test.start)
			require.NoError(t, err)
			applied.End, err = time.Parse(time.RFC3339, test.end)
			require.NoError(t, err)
			f.confirm(t, applied)

			request := days(test.from, test.to)
			request.House = applied.Houses[0].House
			record, err := f.client.GetUseRecord(f.manager, request)
			require.NoError(t, err)
			require.Equal(t, test.zone, record.GetTimeZone())
			require.Equal(t, test.found, len(record.GetEntries()) > 0)
		})
	}
}

func TestUseRecordIsRefusedByField(t *testing.T) {
	f := setUp(t)
	for _, test := range []struct {
		name, field string
		request     *recordsv1.GetUseRecordRequest
	}{
		{"a last day before the first", "to_date", days("2026-03-02", "2026-03-01")},
		{"a first day that no month has", "from_date", days("2026-02-30", "2026-03-01")},
		{"a last day that no month has", "to_date", days("2026-02-01", "2026-04-31")},
		{"a house that is no name", "house", &recordsv1.GetUseRecordRequest{
			House: "h1", FromDate: &typev1.Date{Value: "2026-03-01"}, ToDate: &typev1.Date{Value: "2026-03-01"},
		}},
	} {
		t.Run(test.name, func(t *testing.T) {
			_, err := f.client.GetUseRecord(f.manager, test.request)
			rpctest.RefusedField(t, err, test.field)
			_, err = f.client.ExportUseRecord(f.manager, &recordsv1.ExportUseRecordRequest{
				Record: test.request, Format: recordsv1.ExportFormat_EXPORT_FORMAT_CSV,
			})
			rpctest.RefusedField(t, err, "record."+test.field)
		})
	}
	absent := days("2026-03-01", "2026-03-01")
	absent.House = "nurseries/test/houses/absent"
	_, err := f.client.GetUseRecord(f.manager, absent)
	rpctest.Refused(t, err, codes.NotFound, fault.NotFoundReason)
	_, err = f.client.GetUseRecord(rpctest.As(t.Context(), rpctest.Stranger), days("2026-03-01", "2026-03-01"))
	rpctest.Refused(t, err, codes.PermissionDenied, fault.PermissionDenied)
}

// exported fills a ledger and exports the record of March.
func exported(t *testing.T, format recordsv1.ExportFormat) *recordsv1.ExportUseRecordResponse {
	t.Helper()
	f := setUp(t)
	first, second := application("a1"), application("a2")
	second.Start, second.End = first.Start.Add(14*24*time.Hour), first.End.Add(14*24*time.Hour)
	second.Method, second.Disorder = "SPRAY", "grey-mould"
	second.Houses[0].Products = []treatment.ProductApplied{{
		Product: "nurseries/test/products/mancozeb", DisplayName: `Mancozeb, "80" WP`, RegistrationNumber: "L1003",
		Amount: quantity.Must("0.06", quantity.Kilogram),
		Actives: []treatment.ActiveApplied{{
			ActiveIngredient: "mancozeb", FRACCode: "M03", Content: quantity.Must("800", quantity.GramPerKilogram),
		}},
	}}
	second.Overrides = []treatment.OverrideApplied{
		{Rule: "rotation-consecutive", Note: "No other product is registered; the adviser agreed.", Person: "nurseries/test/people/mira"},
		{Rule: "temperature", Note: "29 C at noon; the label allows 30 C.", Person: "nurseries/test/people/mira"},
	}
	third := wholeDay("a3")
	third.Start, third.End = second.Start.Add(24*time.Hour), second.End.Add(24*time.Hour)
	third.Step, third.Breach, third.BreachRules = "", "The scale was read in ounces.", []string{"label-rate-max", "rotation-consecutive"}
	third.Houses[0].Products = []treatment.ProductApplied{thiophanate("80")}
	f.confirm(t, first)
	f.confirm(t, second)
	f.confirm(t, third)
	_, err := f.client.CorrectEntry(f.manager, correct(2, func(r *recordsv1.CorrectEntryRequest) {
		r.ProductAmount = amount("32.25", "mL")
		r.Note = "The measuring cylinder was read at the upper edge of the meniscus; the amount was weighed back from what was left in the bottle."
	}))
	require.NoError(t, err)
	response, err := f.client.ExportUseRecord(rpctest.As(t.Context(), rpctest.Auditor), &recordsv1.ExportUseRecordRequest{
		Record: days("2026-03-01", "2026-03-31"), Format: format,
	})
	require.NoError(t, err)
	return response
}

func golden(t *testing.T, name string, got []byte) {
	t.Helper()
	file := filepath.Join("testdata", name)
	if *update {
		require.NoError(t, os.WriteFile(file, got, 0o600))
	}
	want, err := os.ReadFile(file)
	require.NoError(t, err)
	require.Equal(t, string(want), string(got))
}

func TestExportAsText(t *testing.T) {
	response := exported(t, recordsv1.ExportFormat_EXPORT_FORMAT_TEXT)
	require.Equal(t, "text/plain; charset=utf-8", response.GetMediaType())
	golden(t, "use_record.txt", response.GetData())
	for line := range strings.Lines(string(response.GetData())) {
		require.LessOrEqual(t, len([]rune(strings.TrimSuffix(line, "\n"))), pageWidth, line)
	}
}

func TestExportAsCSV(t *testing.T) {
	response := exported(t, recordsv1.ExportFormat_EXPORT_FORMAT_CSV)
	require.Equal(t, "text/csv; charset=utf-8", response.GetMediaType())
	golden(t, "use_record.csv", response.GetData())

	rows, err := csv.NewReader(strings.NewReader(string(response.GetData()))).ReadAll()
	require.NoError(t, err)
	require.Len(t, rows, 5)
	require.Equal(t, csvHeader, rows[0])
	column := func(name string) string { return rows[3][slices.Index(csvHeader, name)] }
	require.Equal(t, "rotation-consecutive;temperature", column("override_rules"))
	require.Equal(t, "nurseries/test/people/mira;nurseries/test/people/mira", column("override_persons"))
	require.Equal(t, `No other product is registered\; the adviser agreed.;29 C at noon\; the label allows 30 C.`, column("override_notes"))
	require.Equal(t, `Mancozeb, "80" WP`, rows[3][7])
}

func TestExportAsJSON(t *testing.T) {
	response := exported(t, recordsv1.ExportFormat_EXPORT_FORMAT_JSON)
	require.Equal(t, "application/json", response.GetMediaType())
	golden(t, "use_record.json", response.GetData())

	var record recordsv1.UseRecord
	require.NoError(t, protojson.Unmarshal(response.GetData(), &record))
	require.Len(t, record.GetEntries(), 4)
	require.Equal(t, Caution, record.GetCaution())
	require.NotRegexp(t, `"[a-z]+[A-Z][A-Za-z]*":`, string(response.GetData()), "names are those of the contract")
}

func TestAnEmptyRecordSaysSo(t *testing.T) {
	f := setUp(t)
	response, err := f.client.ExportUseRecord(f.manager, &recordsv1.ExportUseRecordRequest{
		Record: days("2026-03-01", "2026-03-31"), Format: recordsv1.ExportFormat_EXPORT_FORMAT_TEXT,
	})
	require.NoError(t, err)
	golden(t, "use_record_empty.txt", response.GetData())
}
