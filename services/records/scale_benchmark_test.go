package records

import (
	"context"
	"flag"
	"fmt"
	"io"
	"os"
	"runtime"
	"runtime/debug"
	"strconv"
	"strings"
	"sync"
	"testing"
	"text/tabwriter"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	recordsv1 "velamen/gen/velamen/records/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/clock"
	"velamen/internal/postgres/pgtest"
	"velamen/internal/quantity"
)

// lines is how many lines of application the ledger of BenchmarkLedgerAtScale has.
var lines = flag.Int("lines", 50_000, "how many lines of application BenchmarkLedgerAtScale enters")

const (
	// The lines are spread evenly over these months, up to April 2026.
	scaleMonths = 24
	scaleHouses = 20
	// linesAtOnce are entered in one transaction.
	linesAtOnce = 1000
	// linesEntered is how many lines at most go the way of the service.
	linesEntered = 20_000
)

// scaleBegin is when the first line was applied.
var scaleBegin = time.Date(2024, 5, 1, 6, 0, 0, 0, time.UTC)

// scaleLine is a line of the ledger of the benchmark: products with one and with two active
// ingredients, amounts of up to three places, 20 houses.
func scaleLine(number, of int) entry {
	span := scaleBegin.AddDate(0, scaleMonths, 0).Sub(scaleBegin)
	start := scaleBegin.Add(span / time.Duration(of) * time.Duration(number)).Truncate(time.Second)
	e := entry{
		Nursery: "test", Application: fmt.Sprintf("nurseries/test/applications/a%d", number), House: fmt.Sprintf("nurseries/test/houses/s%d", number%scaleHouses),
		Product: "nurseries/test/products/thiophanate-50", ProductDisplayName: "Thiophanate 50 WP", RegistrationNumber: "L1001",
		Actives:       []activeUse{{ActiveIngredient: "thiophanate-methyl", FRACCode: "1", Content: quantity.Must("500", "g/kg")}},
		ProductAmount: quantity.Must(fmt.Sprintf("%d.%03d", 10+number%90, number%1000), quantity.Gram),
		MixVolume:     quantity.Must("50", quantity.Litre), Area: quantity.Must("12.5", quantity.SquareMetre),
		StartTime: start, EndTime: start.Add(45 * time.Minute), Applicator: "nurseries/test/people/wandile", ApplicatorDisplayName: "Wandile Worker",
		Target: "anthracnose", Crops: []string{"Phalaenopsis amabilis", "Phalaenopsis schilleriana"}, Method: "SPRAY",
		RestrictedEntryInterval: quantity.Must("24", quantity.Hour),
	}
	if number%3 == 0 {
		e.Product, e.ProductDisplayName, e.RegistrationNumber = "nurseries/test/products/mancozeb-mix", "Mancozeb mix", "L1002"
		e.Actives = []activeUse{
			{ActiveIngredient: "mancozeb", FRACCode: "M3", Content: quantity.Must("640", "g/kg")},
			{ActiveIngredient: "metalaxyl-m", FRACCode: "4", Content: quantity.Must("40", "g/kg")},
		}
	}
	return e
}

// enterLines enters lines as the service does, chained and sealed, as the service's role
// and with all triggers: one INSERT for each line, pipelined. COPY cannot: the head of the
// ledger moves after each statement, and each line is held to it.
func enterLines(b *testing.B, db *pgtest.Database, count, of int) {
	b.Helper()
	for next := 0; next < count; next += linesAtOnce {
		require.NoError(b, db.InTx(b.Context(), func(tx pgx.Tx) error {
			last, err := lockHead(b.Context(), tx, "test")
			if err != nil {
				return err
			}
			batch := &pgx.Batch{}
			for number := next; number < min(next+linesAtOnce, count); number++ {
				var row []any
				if row, last, err = sealedLine(last, scaleLine(number, of)); err != nil {
					return err
				}
				batch.Queue(`
					INSERT INTO records.entry (nursery, sequence, body, prev_hash, hash, application, house, product, start_time, end_time)
					VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)`, row...)
			}
			return tx.SendBatch(b.Context(), batch).Close()
		}))
	}
}

// sealedLine is what appendEntry writes of a line, and where the ledger ends with it.
func sealedLine(last head, e entry) ([]any, head, error) {
	if err := e.computeActives(); err != nil {
		return nil, head{}, err
	}
	e.Sequence, e.CreateTime = last.sequence+1, clock.Stored(e.EndTime.Add(time.Hour))
	body, err := e.body()
	if err != nil {
		return nil, head{}, err
	}
	next := head{sequence: e.Sequence, hash: seal(last.hash, body)}
	return []any{e.Nursery, e.Sequence, body, last.hash, next.hash, e.Application, e.House, e.Product, e.StartTime, e.EndTime}, next, nil
}

// copyLines brings the lines from one number on into the ledger by COPY, chained and
// sealed likewise, as the superuser and without triggers: verification shows afterwards
// that the ledger is whole.
func copyLines(b *testing.B, db *pgtest.Database, from, of int) {
	b.Helper()
	conn, err := pgx.Connect(b.Context(), db.AdminURL)
	require.NoError(b, err)
	defer func() { require.NoError(b, conn.Close(context.Background())) }()
	_, err = conn.Exec(b.Context(), `SET session_replication_role = replica`)
	require.NoError(b, err)
	last, err := readHead(b.Context(), db, "test")
	require.NoError(b, err)
	number := from
	columns := []string{"nursery", "sequence", "body", "prev_hash", "hash", "application", "house", "product", "start_time", "end_time"}
	_, err = conn.CopyFrom(b.Context(), pgx.Identifier{"records", "entry"}, columns, pgx.CopyFromFunc(func() (row []any, err error) {
		if number == of {
			return nil, nil
		}
		row, last, err = sealedLine(last, scaleLine(number, of))
		number++
		return row, err
	}))
	require.NoError(b, err)
	_, err = conn.Exec(b.Context(), `UPDATE records.head SET sequence = $1, hash = $2 WHERE nursery = 'test'`, last.sequence, last.hash)
	require.NoError(b, err)
	_, err = conn.Exec(b.Context(), `ANALYZE records.entry`)
	require.NoError(b, err)
}

// peak is the most memory of this process that was seen while something ran, in bytes.
type peak struct{ heap, resident uint64 }

// watched runs work and returns how long it took and what it needed at most, looking
// every 20 ms.
func watched(work func()) (time.Duration, peak) {
	debug.FreeOSMemory()
	var most peak
	look := func() {
		var stats runtime.MemStats
		runtime.ReadMemStats(&stats)
		most.heap, most.resident = max(most.heap, stats.HeapInuse), max(most.resident, resident())
	}
	look()
	done := make(chan struct{})
	var watching sync.WaitGroup
	watching.Go(func() {
		ticker := time.NewTicker(20 * time.Millisecond)
		defer ticker.Stop()
		for {
			select {
			case <-done:
				return
			case <-ticker.C:
				look()
			}
		}
	})
	begin := time.Now()
	work()
	took := time.Since(begin)
	close(done)
	watching.Wait()
	look()
	return took, most
}

// resident is how much of this process is in memory, in bytes (proc(5), VmRSS).
func resident() uint64 {
	status, err := os.ReadFile("/proc/self/status")
	if err != nil {
		return 0
	}
	for line := range strings.Lines(string(status)) {
		if rest, found := strings.CutPrefix(line, "VmRSS:"); found {
			kib, err := strconv.ParseUint(strings.TrimSuffix(strings.TrimSpace(rest), " kB"), 10, 64)
			if err == nil {
				return kib << 10
			}
		}
	}
	return 0
}

type scale struct {
	b     *testing.B
	db    *pgtest.Database
	table *tabwriter.Writer
}

// row writes one row of the table.
func (s scale) row(format string, cells ...any) {
	_, err := fmt.Fprintf(s.table, format, cells...)
	require.NoError(s.b, err)
}

// alone is a row of what has nothing to be held against.
func (s scale) alone(name string, took time.Duration, most peak) {
	s.row("%s\t%.2f\t\t\t%.0f\t%.0f\n", name, took.Seconds(), float64(most.heap)/(1<<20), float64(most.resident)/(1<<20))
}

// against measures work beside a plain COPY of the rows that it is about.
func (s scale) against(name, rows string, work func()) {
	s.b.Helper()
	copied, _ := watched(func() {
		conn, err := s.db.Acquire(s.b.Context())
		require.NoError(s.b, err)
		defer conn.Release()
		_, err = conn.Conn().PgConn().CopyTo(s.b.Context(), io.Discard, "COPY ("+rows+") TO STDOUT")
		require.NoError(s.b, err)
	})
	took, most := watched(work)
	s.row("%s\t%.2f\t%.2f\t%.1f\t%.0f\t%.0f\n", name, took.Seconds(), copied.Seconds(), took.Seconds()/copied.Seconds(),
		float64(most.heap)/(1<<20), float64(most.resident)/(1<<20))
}

func (s scale) report(format recordsv1.UseReportFormat) func() {
	return func() {
		request := &recordsv1.ExportUseReportRequest{
			Parent: "nurseries/test", Kind: "house-record", Format: format,
			FromDate: &typev1.Date{Value: "2026-03-01"}, ToDate: &typev1.Date{Value: "2026-03-31"},
		}
		made, err := New(s.db.DB).ExportUseReport(s.b.Context(), request)
		require.NoError(s.b, err)
		require.NotEmpty(s.b, made.GetData())
	}
}

func (s scale) totals() {
	made, err := New(s.db.DB).GetUseTotals(s.b.Context(), &recordsv1.GetUseTotalsRequest{
		Parent: "nurseries/test", FromDate: &typev1.Date{Value: "2025-05-01"}, ToDate: &typev1.Date{Value: "2026-04-30"},
	})
	require.NoError(s.b, err)
	require.Len(s.b, made.GetByActive(), 3)
	require.Empty(s.b, made.GetGaps())
}

func (s scale) verify() {
	require.NoError(s.b, s.db.InSnapshot(s.b.Context(), func(tx pgx.Tx) error {
		found, err := verify(s.b.Context(), tx, "test", wholeLedger(), nil)
		require.Equal(s.b, int64(*lines), found.last.sequence)
		require.Nil(s.b, found.entry)
		return err
	}))
}

// BenchmarkLedgerAtScale enters -lines lines once and measures what is made of them.
func BenchmarkLedgerAtScale(b *testing.B) {
	db := pgtest.NewAt(b, clock.Fixed(scaleBegin.AddDate(0, scaleMonths, 1)))
	pgtest.AddNursery(b, db)
	addHouses(b, db)
	first := min(*lines, linesEntered)
	entered, most := watched(func() { enterLines(b, db, first, *lines) })
	copied, mostCopied := watched(func() { copyLines(b, db, first, *lines) })
	var text strings.Builder
	s := scale{b: b, db: db, table: tabwriter.NewWriter(&text, 0, 0, 2, ' ', 0)}
	s.row("WHAT\tTIME s\tCOPY s\tRATIO\tHEAP MiB\tRESIDENT MiB\n")
	s.alone(fmt.Sprintf("enter %d lines as the service does", first), entered, most)
	s.alone(fmt.Sprintf("seal and COPY %d more", *lines-first), copied, mostCopied)
	const (
		all   = `SELECT * FROM records.entry WHERE nursery = 'test'`
		month = all + ` AND end_time >= '2026-03-01' AND end_time < '2026-04-01' ORDER BY start_time, sequence`
		year  = all + ` AND end_time >= '2025-05-01' AND end_time < '2026-05-01'`
	)
	for b.Loop() {
		s.against("month report, CSV", month, s.report(recordsv1.UseReportFormat_USE_REPORT_FORMAT_CSV))
		s.against("month report, JSON", month, s.report(recordsv1.UseReportFormat_USE_REPORT_FORMAT_JSON))
		s.against("year's totals", year, s.totals)
		s.against("verification", all+` ORDER BY sequence`, s.verify)
	}
	require.NoError(b, s.table.Flush())
	b.Log("\n" + text.String())
}

func addHouses(b *testing.B, db *pgtest.Database) {
	b.Helper()
	require.NoError(b, db.InTx(context.Background(), func(tx pgx.Tx) error {
		_, err := tx.Exec(context.Background(), `
			INSERT INTO stock.house (nursery, id, display_name, area, area_unit, create_time)
			SELECT 'test', 's' || n, 'House ' || n, 240, 'm2', now() FROM generate_series(0, $1) AS n`, scaleHouses-1)
		return err
	}))
}
