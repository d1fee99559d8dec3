package diagnosis

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math/big"
	"slices"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/clock"
	"velamen/internal/fault"
	"velamen/internal/quantity"
	"velamen/internal/resource"
	"velamen/internal/rpc"
	"velamen/services/diagnosis/climate"
	"velamen/services/diagnosis/infection"
	"velamen/services/identity"
	"velamen/services/stock"
)

// maxClimateFile is how many bytes a logger's file may have, as in the contract.
const maxClimateFile = 64 << 20

type climateStream = grpc.ClientStreamingServer[diagnosisv1.ImportClimateRequest, diagnosisv1.ImportClimateResponse]

// climateArrival is a logger's file as it came.
type climateArrival struct {
	nursery, house string
	// first is the first message, without its data.
	first *diagnosisv1.ImportClimateRequest
	data  []byte
}

// ImportClimate reads a logger's file and keeps its readings, all or nothing. A file
// that cannot be trusted is refused.
func (s *Service) ImportClimate(stream climateStream) error {
	ctx := stream.Context()
	arrived, err := receiveClimate(stream)
	if err != nil {
		return err
	}
	nursery, err := identity.ReadNursery(ctx, s.db, arrived.nursery)
	if err != nil {
		return err
	}
	if _, err := stock.ReadHouse(ctx, s.db, arrived.nursery, arrived.house); err != nil {
		return err
	}
	file, err := arrived.parse(s.db.Clock(), nursery.Zone)
	if err != nil {
		return err
	}
	response, err := s.takeIn(ctx, arrived, file)
	if err != nil {
		return err
	}
	return stream.SendAndClose(response)
}

func receiveClimate(stream climateStream) (*climateArrival, error) {
	a := &climateArrival{}
	for {
		piece, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			if a.first == nil {
				return nil, fault.Field("parent", "the first message must name the house")
			}
			return a, nil
		}
		if err != nil {
			return nil, err
		}
		if a.first == nil {
			err = a.begin(piece)
		} else {
			err = goesOn(piece)
		}
		if err != nil {
			return nil, err
		}
		if len(a.data)+len(piece.GetData()) > maxClimateFile {
			return nil, fault.Field("data", "the file has more than %d bytes; import it in parts", maxClimateFile)
		}
		a.data = append(a.data, piece.GetData()...)
	}
}

func (a *climateArrival) begin(piece *diagnosisv1.ImportClimateRequest) error {
	ids, err := resource.Parse("parent", piece.GetParent(), "nurseries", "houses")
	if err != nil {
		return err
	}
	if piece.GetLogger() == "" {
		return fault.Field("logger", "must say what the nursery calls the logger")
	}
	if _, err := uuid.Parse(piece.GetRequestId()); err != nil && !piece.GetDryRun() {
		return fault.Field("request_id", "must be a UUID")
	}
	first, ok := proto.Clone(piece).(*diagnosisv1.ImportClimateRequest)
	if !ok {
		return errors.New("a clone is of another type") // it never is
	}
	first.Data = nil
	a.nursery, a.house, a.first = ids[0], ids[1], first
	return nil
}

func goesOn(piece *diagnosisv1.ImportClimateRequest) error {
	for _, given := range []struct {
		field string
		is    bool
	}{
		{"parent", piece.GetParent() != ""}, {"logger", piece.GetLogger() != ""}, {"format", piece.GetFormat() != nil},
		{"dry_run", piece.GetDryRun()}, {"request_id", piece.GetRequestId() != ""},
	} {
		if given.is {
			return fault.Field(given.field, "belongs into the first message only")
		}
	}
	return nil
}

// content is the hash of what was asked and the file, however it was cut into
// pieces, so that a retry may cut it differently.
func (a *climateArrival) content() ([sha256.Size]byte, error) {
	asked, err := proto.MarshalOptions{Deterministic: true}.Marshal(a.first)
	if err != nil {
		return [sha256.Size]byte{}, fmt.Errorf("hash the request: %w", err)
	}
	hash := sha256.New()
	for _, part := range [][]byte{binary.BigEndian.AppendUint64(nil, uint64(len(asked))), asked, a.data} {
		_, _ = hash.Write(part) // a hash takes every write
	}
	return [sha256.Size]byte(hash.Sum(nil)), nil
}

func (a *climateArrival) parse(c clock.Clock, zone *time.Location) (climate.File, error) {
	f := a.first.GetFormat()
	file, err := climate.Parse(bytes.NewReader(a.data), climate.Format{
		DateColumn: f.GetDateColumn(), TimeColumn: f.GetTimeColumn(), TemperatureColumn: f.GetTemperatureColumn(),
		HumidityColumn: f.GetHumidityColumn(), WetnessColumn: f.GetWetnessColumn(), TemperatureUnit: f.GetTemperatureUnit(),
		DateOrder: f.GetDateOrder(), Zone: f.GetZone(),
	}, zone)
	if err != nil {
		return climate.File{}, err
	}
	if len(file.Readings) == 0 {
		return climate.File{}, fault.FieldReason(fault.Invalid, fault.ClimateFileRejected, "data", "no reading is left: every one has a fault")
	}
	if last := file.Readings[len(file.Readings)-1].At(); clock.InFuture(c, last) {
		return climate.File{}, fault.FieldReason(fault.Invalid, fault.ClimateFileRejected, "format.zone",
			"the last reading is of %s, which lies ahead: the logger's clock, the zone or the order of day and month is wrong", last.Format(time.RFC3339)).
			With("time", last.Format(time.RFC3339))
	}
	return file, nil
}

// takeIn keeps a file that was read, once for a request; a dry run keeps nothing.
func (s *Service) takeIn(ctx context.Context, a *climateArrival, file climate.File) (*diagnosisv1.ImportClimateResponse, error) {
	row := importRow{
		nursery: a.nursery, house: a.house, logger: a.first.GetLogger(), readings: int64(len(file.Readings)), leftOut: file.LeftOut,
		start: file.Readings[0].At(), end: file.Readings[len(file.Readings)-1].At(), intervalSeconds: file.IntervalSeconds,
	}
	if a.first.GetDryRun() {
		before, err := readLogger(ctx, s.db, a.nursery, a.house, row.logger, row.start.Unix(), row.end.Unix())
		if err != nil {
			return nil, err
		}
		_, replaced, differing := joined(before, file.Readings)
		row.replaced = replaced
		row.report = reportOf(file, differing)
		return &diagnosisv1.ImportClimateResponse{ClimateImport: row.contract()}, nil
	}
	content, err := a.content()
	if err != nil {
		return nil, err
	}
	return rpc.OnceContent(ctx, s.db, a.first.GetRequestId(), content,
		func(ctx context.Context, tx pgx.Tx, caller rpc.Principal) (*diagnosisv1.ImportClimateResponse, error) {
			if err := lockLogger(ctx, tx, row.nursery, row.house, row.logger); err != nil {
				return nil, err
			}
			replaced, differing, err := keepReadings(ctx, tx, row.nursery, row.house, row.logger, file.Readings)
			if err != nil {
				return nil, err
			}
			row.id, row.replaced, row.importer, row.createTime = uuid.NewString(), replaced, caller.Person, s.db.Now()
			row.report = reportOf(file, differing)
			if err := insertImport(ctx, tx, row); err != nil {
				return nil, err
			}
			if err := s.climateImported(ctx, tx, row); err != nil {
				return nil, err
			}
			return &diagnosisv1.ImportClimateResponse{ClimateImport: row.contract()}, nil
		})
}

// reportOf writes down how a file was read and what is odd in it. differing is how
// many readings had other values in a file before.
func reportOf(file climate.File, differing int64) *diagnosisv1.ClimateImport {
	f := file.Format
	report := &diagnosisv1.ClimateImport{Format: &diagnosisv1.ClimateFormat{
		DateColumn: f.DateColumn, TimeColumn: f.TimeColumn, TemperatureColumn: f.TemperatureColumn, HumidityColumn: f.HumidityColumn,
		WetnessColumn: f.WetnessColumn, TemperatureUnit: f.TemperatureUnit, DateOrder: f.DateOrder, Zone: f.Zone,
	}}
	counts := map[string]int64{}
	for kind, count := range file.FaultCounts {
		counts[kind] = int64(count)
	}
	if differing > 0 {
		counts[climate.Conflict] += differing
		report.Faults = append(report.Faults, &diagnosisv1.SeriesFault{
			Kind: climate.Conflict, StartTime: timestamppb.New(file.Readings[0].At()), EndTime: timestamppb.New(file.Readings[len(file.Readings)-1].At()),
			Sentence: fmt.Sprintf("%d readings had other values in a file that was imported before; those of this file count", differing),
		})
	}
	for _, fault := range file.Faults[:min(len(file.Faults), climate.MaxFaults-len(report.GetFaults()))] {
		report.Faults = append(report.Faults, faultContract(fault))
	}
	for kind, count := range counts {
		report.FaultCounts = append(report.FaultCounts, fmt.Sprintf("%s: %d", kind, count))
	}
	slices.Sort(report.GetFaultCounts())
	return report
}

func faultContract(f climate.Fault) *diagnosisv1.SeriesFault {
	said := &diagnosisv1.SeriesFault{Kind: f.Kind, Line: int32(f.Line), Sentence: f.Sentence} // #nosec G115 -- a file has fewer lines
	if f.Start != 0 {
		said.StartTime, said.EndTime = timestamppb.New(time.Unix(f.Start, 0)), timestamppb.New(time.Unix(f.End, 0))
	}
	return said
}

func (i importRow) contract() *diagnosisv1.ClimateImport {
	read := &diagnosisv1.ClimateImport{
		Logger: i.logger, Readings: i.readings, Replaced: i.replaced, LeftOut: i.leftOut,
		StartTime: timestamppb.New(i.start), EndTime: timestamppb.New(i.end),
		Format: i.report.GetFormat(), Faults: i.report.GetFaults(), FaultCounts: i.report.GetFaultCounts(),
	}
	if i.intervalSeconds > 0 {
		read.Interval = minutes(i.intervalSeconds)
	}
	if i.id != "" {
		read.Name = resource.Of("nurseries", i.nursery, "houses", i.house, "climateImports", i.id)
		read.Importer, read.CreateTime = personName(i.nursery, i.importer), timestamppb.New(i.createTime)
	}
	return read
}

// ListClimateImports returns a page of the files that were read, newest first.
func (s *Service) ListClimateImports(ctx context.Context, request *diagnosisv1.ListClimateImportsRequest) (*diagnosisv1.ListClimateImportsResponse, error) {
	nursery, house, err := houseOrAll("parent", request.GetParent())
	if err != nil {
		return nil, err
	}
	page, before, err := pageOf(request)
	if err != nil {
		return nil, err
	}
	rows, err := listImports(ctx, s.db, nursery, house, before, page.Size+1)
	if err != nil {
		return nil, err
	}
	rows, next := rpc.Cut(page, rows, func(i importRow) []string { return mark{i.createTime, i.id}.keys() })
	response := &diagnosisv1.ListClimateImportsResponse{NextPageToken: next}
	for _, row := range rows {
		response.ClimateImports = append(response.ClimateImports, row.contract())
	}
	return response, nil
}

// houseOrAll reads the name of a house, or houses/- for all, which is empty.
func houseOrAll(field, name string) (nursery, house string, err error) {
	ids, err := resource.ParseParent(field, name, "nurseries", "houses")
	if err != nil {
		return "", "", err
	}
	if ids[1] == resource.Any {
		return ids[0], "", nil
	}
	return ids[0], ids[1], nil
}

// climateDaysBefore is how many days of climate are shown when nobody says.
const climateDaysBefore = 30

// GetClimate sums the climate of a house up, day by day.
func (s *Service) GetClimate(ctx context.Context, request *diagnosisv1.GetClimateRequest) (*diagnosisv1.ClimateSummary, error) {
	ids, err := resource.Parse("name", request.GetName(), "nurseries", "houses")
	if err != nil {
		return nil, err
	}
	nursery, err := identity.ReadNursery(ctx, s.db, ids[0])
	if err != nil {
		return nil, err
	}
	asked, err := periodOf(request.GetStartDate(), request.GetEndDate(), climateDaysBefore, s.db.Now(), nursery.Zone)
	if err != nil {
		return nil, err
	}
	if _, err := stock.ReadHouse(ctx, s.db, ids[0], ids[1]); err != nil {
		return nil, err
	}
	loggers, err := readHouse(ctx, s.db, ids[0], ids[1], asked.from, asked.until)
	if err != nil {
		return nil, err
	}
	summary := &diagnosisv1.ClimateSummary{}
	if summary.Notes, err = notesOn(ctx, s.db, ids[0], ids[1], asked, loggers); err != nil {
		return nil, err
	}
	readings, interval := wettest(loggers)
	spans, method := infection.Spans(readings, infection.Wetting{Interval: interval})
	if len(readings) > 0 {
		summary.WetnessMethod = string(method)
	}
	for _, day := range climateDays(readings, spans, nursery.Zone) {
		summary.Days = append(summary.Days, day.contract())
	}
	return summary, nil
}

func minutes(seconds int64) *typev1.Quantity {
	return exactly(big.NewRat(seconds, 60), quantity.Places, quantity.Minute)
}
