package records

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"

	recordsv1 "velamen/gen/velamen/records/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/fault"
	"velamen/internal/rpc/rpctest"
	"velamen/internal/trail"
	"velamen/services/records/history"
)

// lived enters what a lot, a container and two people went through: lot-1 came on 1 March,
// lot-2 was split from it, it was inspected, diagnosed, treated from a container, and sold.
func (f fixture) lived(t *testing.T) {
	t.Helper()
	statements := []string{
		`INSERT INTO stock.bench (nursery, house, id, display_name, area_m2, create_time) VALUES
			('test', 'h1', 'b1', 'Bench 1', 10, '2026-01-01Z'), ('test', 'h2', 'b2', 'Bench 2', 10, '2026-01-01Z')`,
		`INSERT INTO stock.lot (nursery, id, botanical_name, origin, house, bench, plants, create_time) VALUES
			('test', 'lot-1', 'Phalaenopsis', 'RECEIVED', 'h2', 'b2', 45, '2026-03-01Z'), ('test', 'lot-2', 'Phalaenopsis', 'STARTED', 'h1', 'b1', 50, '2026-03-02Z')`,
		`INSERT INTO stock.lot_event (nursery, lot, kind, plants, house, bench, transfer, other_lot, person, event_time) VALUES
			('test', 'lot-1', 'RECEIVED', 100, 'h1', 'b1', NULL, NULL, 'mira', '2026-03-01 08:00Z'),
			('test', 'lot-1', 'TRANSFERRED_OUT', -50, 'h1', 'b1', '11111111-1111-4111-8111-111111111111', 'lot-2', 'mira', '2026-03-02 08:00Z'),
			('test', 'lot-2', 'TRANSFERRED_IN', 50, 'h1', 'b1', '11111111-1111-4111-8111-111111111111', 'lot-1', 'mira', '2026-03-02 08:00Z'),
			('test', 'lot-1', 'MOVED', 0, 'h2', 'b2', NULL, NULL, 'wandile', '2026-03-04 08:00Z'),
			('test', 'lot-1', 'SOLD', -5, 'h2', 'b2', NULL, NULL, 'mira', '2026-03-10 08:00Z')`,
		`INSERT INTO diagnosis.inspection (nursery, id, lot, plants_sampled, plants_affected, severity_percent, inspect_time, inspector, create_time)
			VALUES ('test', 'i1', 'lot-1', 10, 2, 5, '2026-03-03 08:00Z', 'wandile', '2026-03-03 08:05Z')`,
		`INSERT INTO diagnosis.observation (nursery, inspection, position, organ, sign, observed) VALUES ('test', 'i1', 1, 'LEAF', 'leaf-spot', true)`,
		`INSERT INTO diagnosis.photo (nursery, inspection, sha256, media_type, size_bytes, uploader, create_time)
			VALUES ('test', 'i1', repeat('a', 64), 'image/png', 5, 'wandile', '2026-03-03 08:06Z')`,
		`INSERT INTO diagnosis.diagnosis (nursery, id, disorder, grounds, confirmer, confirm_time, create_time)
			VALUES ('test', 'd1', 'anthracnose', 'seen', 'mira', '2026-03-03 09:00Z', '2026-03-03 09:00Z')`,
		`INSERT INTO diagnosis.ground (nursery, diagnosis, position, inspection) VALUES ('test', 'd1', 1, 'i1')`,
		`INSERT INTO identity.qualification (nursery, person, id, kind, date, description, provider, recorder, create_time)
			VALUES ('test', 'wandile', 'q1', 'HANDLER_TRAINING', '2026-01-10', 'a day in the hall', 'the college', 'mira', '2026-01-11Z')`,
		`INSERT INTO identity.certificate (nursery, person, position, number, expire_date) VALUES ('test', 'wandile', 1, 'P-17', '2027-01-01')`,
		`INSERT INTO identity.token (hash, nursery, person, create_time, expire_time)
			VALUES (sha256('secret'), 'test', 'wandile', '2026-03-19Z', '2026-04-19Z')`,
		`UPDATE identity.person SET password_hash = 'never-to-be-shown' WHERE id = 'wandile'`,
		`INSERT INTO products.product (nursery, id, display_name, registration_number, form, restricted_use, create_time)
			VALUES ('test', 'thio', 'Thiophanate 50 WP', 'L1001', 'SOLID', false, '2026-01-01Z')`,
		`INSERT INTO products.container (nursery, product, id, batch, size, unit, receive_date, place, remaining, create_time)
			VALUES ('test', 'thio', 'c1', 'B77', 1000, 'g', '2026-02-01', 'shelf 1', 975, '2026-02-01Z')`,
		`INSERT INTO products.used (nursery, application, line, product, amount, unit, person, use_time)
			VALUES ('test', 'nurseries/test/applications/a1', 1, 'thio', 25, 'g', 'wandile', '2026-03-02 08:45Z')`,
		`INSERT INTO products.container_event (nursery, product, container, kind, change, application, line, person, event_time) VALUES
			('test', 'thio', 'c1', 'RECEIVED', 1000, NULL, NULL, 'mira', '2026-02-01Z'),
			('test', 'thio', 'c1', 'USED', -25, 'nurseries/test/applications/a1', 1, 'wandile', '2026-03-02 08:45Z')`,
		`INSERT INTO treatment.application (nursery, id, step, method, disorder, treatments, lots, start_time, end_time, applicator, rei_hours, create_time, said, breach_note)
			VALUES ('test', 'a1', '', 'BATH', 'anthracnose', '{}', '{lot-1}', '2026-03-02 08:00Z', '2026-03-02 08:45Z', 'wandile', 24, '2026-03-02 09:00Z',
				'{"overrides": [{"rule": "nurseries/test/rules/r1", "person": "nurseries/test/people/mira", "note": "no other way"}]}', 'no step')`,
		`INSERT INTO treatment.application_lot (nursery, lot, application, house) VALUES ('test', 'lot-1', 'a1', 'h1')`,
	}
	require.NoError(t, f.db.InTx(t.Context(), func(tx pgx.Tx) error {
		for _, statement := range statements {
			if _, err := tx.Exec(t.Context(), statement); err != nil {
				return fmt.Errorf("%s: %w", statement, err)
			}
		}
		return nil
	}))
	f.confirm(t, application("a1"))
}

func historyRequest(name string) *recordsv1.ExportHistoryRequest {
	return &recordsv1.ExportHistoryRequest{Name: "nurseries/test/" + name, Format: recordsv1.HistoryFormat_HISTORY_FORMAT_JSON}
}

func (f fixture) history(t *testing.T, request *recordsv1.ExportHistoryRequest) history.Document {
	t.Helper()
	made, err := f.client.ExportHistory(f.manager, request)
	require.NoError(t, err)
	require.NotEmpty(t, made.GetCaution())
	var read history.Document
	require.NoError(t, json.Unmarshal(made.GetData(), &read))
	require.Len(t, read.Records, int(made.GetRecords()))
	require.Equal(t, read.LeftOut, append([]string{}, made.GetLeftOut()...))
	again, err := f.client.ExportHistory(f.manager, request)
	require.NoError(t, err)
	require.Equal(t, string(made.GetData()), string(again.GetData()), "the same bytes again")
	return read
}

// kinds are what the records of a history are, in their order.
func kinds(document history.Document) []string {
	var found []string
	for _, record := range document.Records {
		found = append(found, record.Kind)
	}
	return found
}

func TestTheHistoryOfAPersonHoldsAllThatIsKeptOfThem(t *testing.T) {
	f := setUp(t)
	f.lived(t)
	read := f.history(t, historyRequest("people/wandile"))
	require.Equal(t, "Wandile Worker", read.SubjectName)
	require.Equal(t, []string{
		"certificate", "person", "qualification", "container event", "product used", "ledger entry", "ledger entry", "application",
		"inspection", "photo", "plants", "sign-in",
	}, kinds(read))
	require.Contains(t, strings.Join(read.LeftOut, "\n"), "password")
	require.Contains(t, strings.Join(read.LeftOut, "\n"), "bytes of photos")
	made, err := f.client.ExportHistory(f.manager, historyRequest("people/wandile"))
	require.NoError(t, err)
	require.NotContains(t, string(made.GetData()), "never-to-be-shown")
	for _, record := range read.Records {
		if record.Kind == "inspection" {
			require.Equal(t, "nurseries/test/people/wandile", record.Who)
			require.Equal(t, "Wandile Worker", record.WhoName)
			require.Equal(t, "2026-03-03T10:00:00+02:00", record.LocalTime)
		}
	}
}

func TestWhoOverrodeARuleFindsTheApplicationInTheirHistory(t *testing.T) {
	f := setUp(t)
	f.lived(t)
	require.Contains(t, kinds(f.history(t, historyRequest("people/mira"))), "application", "the name stands within what was said")
	require.Equal(t, []string{"person"}, kinds(f.history(t, historyRequest("people/ada"))), "nothing of others")
}

func TestTheHistoryOfALotGoesFromArrivalToSaleAndNamesItsKin(t *testing.T) {
	f := setUp(t)
	f.lived(t)
	read := f.history(t, historyRequest("lots/lot-1"))
	var events []string
	for _, record := range read.Records {
		if record.Kind == "plants" {
			events = append(events, record.What)
		}
	}
	require.Equal(t, []string{
		"received in lot lot-1 at h1/b1, plants: 100", "transferred out in lot lot-1 at h1/b1, plants: -50", "transferred in in lot lot-2 at h1/b1, plants: 50",
		"moved in lot lot-1 at h2/b2, plants: 0", "sold in lot lot-1 at h2/b2, plants: -5",
	}, events)
	for _, kind := range []string{"lot", "inspection", "photo", "diagnosis", "application", "ledger entry"} {
		require.Contains(t, kinds(read), kind)
	}
	// The lot that was split from it knows where it came from, not what was seen later.
	split := kinds(f.history(t, historyRequest("lots/lot-2")))
	require.Contains(t, split, "plants")
	require.NotContains(t, split, "inspection")
}

func TestTheHistoryOfAHouseSaysWhichLotsStoodThereAndWhen(t *testing.T) {
	f := setUp(t)
	f.lived(t)
	read := f.history(t, historyRequest("houses/h1"))
	var stays []string
	for _, record := range read.Records {
		if record.Kind == "stay" {
			stay := record.What + " " + record.Time
			for _, fact := range record.Facts {
				if fact.Name == "until" {
					stay += " " + fact.Text
				}
			}
			stays = append(stays, stay)
		}
	}
	require.Equal(t, []string{
		"lot lot-1 came to stand on b1 2026-03-01T08:00:00Z 2026-03-04T08:00:00Z", "lot lot-2 came to stand on b1 2026-03-02T08:00:00Z",
	}, stays)
	for _, kind := range []string{"house", "bench", "application", "ledger entry"} {
		require.Contains(t, kinds(read), kind)
	}
}

func TestTheHistoryOfAContainerEndsInTheLedger(t *testing.T) {
	f := setUp(t)
	f.lived(t)
	read := f.history(t, historyRequest("products/thio/containers/c1"))
	require.Equal(t, []string{
		"container", "product", "container event", "container event", "product used", "ledger entry", "ledger entry", "application",
	}, kinds(read))
}

func TestAHistoryOfSomeDaysLeavesOutTheOthersAndKeepsWhatHasNoTime(t *testing.T) {
	f := setUp(t)
	f.lived(t)
	request := historyRequest("lots/lot-1")
	request.FromDate, request.ToDate = &typev1.Date{Value: "2026-03-04"}, &typev1.Date{Value: "2026-03-09"}
	require.Equal(t, []string{"lot", "plants"}, kinds(f.history(t, request)))
}

func TestAHistoryInCSVHasARowForEachRecord(t *testing.T) {
	f := setUp(t)
	f.lived(t)
	request := historyRequest("people/wandile")
	request.Format = recordsv1.HistoryFormat_HISTORY_FORMAT_CSV
	made, err := f.client.ExportHistory(f.manager, request)
	require.NoError(t, err)
	rows, err := csv.NewReader(strings.NewReader(string(made.GetData()))).ReadAll()
	require.NoError(t, err)
	require.Len(t, rows, int(made.GetRecords())+1)
}

func TestAHistoryOfNothingIsRefused(t *testing.T) {
	f := setUp(t)
	for _, name := range []string{"people/nobody", "houses/h9", "lots/lot-9", "products/thio/containers/c9"} {
		_, err := f.client.ExportHistory(f.manager, historyRequest(name))
		rpctest.Refused(t, err, codes.NotFound, fault.NotFoundReason)
	}
	_, err := f.client.ExportHistory(f.manager, historyRequest("cases/c1"))
	message, _ := rpctest.Refused(t, err, codes.InvalidArgument, fault.InvalidField)
	require.Contains(t, message, "name")
	request := historyRequest("people/wandile")
	request.FromDate, request.ToDate = &typev1.Date{Value: "2026-03-02"}, &typev1.Date{Value: "2026-03-01"}
	_, err = f.client.ExportHistory(f.manager, request)
	message, _ = rpctest.Refused(t, err, codes.InvalidArgument, fault.InvalidField)
	require.Contains(t, message, "to_date")
}

// personColumns finds the columns that can name a person: those that refer to one, those
// whose name says so, and those of JSON or bytes, in which anything may stand.
const personColumns = `
	SELECT c.table_schema || '.' || c.table_name, c.column_name
	FROM information_schema.columns c
	JOIN information_schema.tables t USING (table_schema, table_name)
	WHERE t.table_type = 'BASE TABLE' AND c.table_schema NOT IN ('pg_catalog', 'information_schema', 'public')
	  AND (c.data_type IN ('jsonb', 'json', 'bytea') OR c.column_name = 'body'
		OR c.column_name ~ '^(person|people|worker|applicator|supervisor|inspector|uploader|confirmer|sender|receiver|reporter|raiser|notifier|ender|importer|setter|decider|pinner|recorder|voider|closer|handler|witness)s?$'
		OR c.column_name ~ '_(by|person|worker|recorder)$'
		OR EXISTS (SELECT FROM pg_constraint f
			JOIN pg_attribute a ON a.attrelid = f.conrelid AND a.attnum = ANY(f.conkey)
			WHERE f.contype = 'f' AND f.confrelid = 'identity.person'::regclass AND a.attname = c.column_name AND a.attname <> 'nursery'
				AND f.conrelid = (quote_ident(c.table_schema) || '.' || quote_ident(c.table_name))::regclass))
	ORDER BY 1, 2`

func TestEveryColumnThatCanNameAPersonIsInTheirHistoryOrLeftOutWithAReason(t *testing.T) {
	f := setUp(t)
	rows, err := f.db.Query(t.Context(), personColumns)
	require.NoError(t, err)
	type column struct{ Table, Name string }
	columns, err := pgx.CollectRows(rows, pgx.RowToStructByPos[column])
	require.NoError(t, err)
	require.Greater(t, len(columns), 50)
	// What holds nothing about anybody.
	nobody := map[string]string{
		"records.head.hash":  "the hash of the last entry",
		"records.entry.hash": "is read as hexadecimal text, with the entry",
	}
	var forgotten []string
	for _, column := range columns {
		name := column.Table + "." + column.Name
		if _, known := nobody[name]; !known && !told(column.Table, column.Name) {
			forgotten = append(forgotten, name)
		}
	}
	require.Empty(t, forgotten, "these can name a person: add each to People or Within of a source in the store_history.go of its service, "+
		"or to LeftOut with a reason")
}

// told reports whether a column is searched for people or left out with a reason.
func told(table, column string) bool {
	for _, account := range accounts() {
		for _, source := range account.Sources {
			if source.Table == table && (slices.Contains(source.People, column) || slices.Contains(source.Within, column)) {
				return true
			}
		}
		for _, left := range account.LeftOut {
			if left.Table == table && slices.Contains(left.Columns, column) {
				return left.Reason != ""
			}
		}
	}
	return false
}

func TestWhatIsHiddenInAHistoryIsLeftOutWithAReason(t *testing.T) {
	for _, account := range accounts() {
		for _, source := range account.Sources {
			for _, column := range source.Hide {
				require.True(t, slices.ContainsFunc(account.LeftOut, func(left trail.LeftOut) bool {
					return left.Table == source.Table && slices.Contains(left.Columns, column) && left.Reason != ""
				}), "%s.%s", source.Table, column)
			}
		}
	}
}
