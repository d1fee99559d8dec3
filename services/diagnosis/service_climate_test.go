package diagnosis_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/fault"
	"velamen/internal/rpc/rpctest"
	"velamen/services/diagnosis"
)

const house = parent + "/houses/h1"

// importClimate sends a file in pieces of so many bytes.
func (n *nursery) importClimate(first *diagnosisv1.ImportClimateRequest, file string, piece int) (*diagnosisv1.ClimateImport, error) {
	stream, err := n.client.ImportClimate(n.worker)
	if err != nil {
		return nil, err
	}
	next, ok := proto.Clone(first).(*diagnosisv1.ImportClimateRequest)
	if !ok {
		return nil, errors.New("a clone is of another type")
	}
	for {
		size := min(piece, len(file))
		next.Data, file = []byte(file[:size]), file[size:]
		if err := stream.Send(next); err != nil && !errors.Is(err, io.EOF) {
			return nil, err
		}
		if file == "" {
			break
		}
		next = &diagnosisv1.ImportClimateRequest{}
	}
	response, err := stream.CloseAndRecv()
	return response.GetClimateImport(), err
}

func climateRequest() *diagnosisv1.ImportClimateRequest {
	return &diagnosisv1.ImportClimateRequest{Parent: house, Logger: "north", RequestId: uuid.NewString(),
		Format: &diagnosisv1.ClimateFormat{Zone: "LOCAL"}}
}

// climateFile is ten-minute readings on the nursery's clock (UTC+2) from a day on:
// 22 °C and 95 % from 20:00 to 08:00, 24 °C and 70 % in between.
func climateFile(day string, days int) string {
	from, err := time.Parse(time.DateOnly, day)
	if err != nil {
		panic(err)
	}
	var b strings.Builder
	b.WriteString("time,temp (°C),rh (%)\n")
	for i := range days * 144 {
		moment := from.Add(time.Duration(i+1) * 10 * time.Minute)
		// The digits vary, as those of sensors do.
		if hour := moment.Add(-time.Minute).Hour(); hour >= 20 || hour < 8 {
			fmt.Fprintf(&b, "%s,22.0%d,95.%d\n", moment.Format("2006-01-02 15:04"), i%2, i%2)
		} else {
			fmt.Fprintf(&b, "%s,24.0%d,70.%d\n", moment.Format("2006-01-02 15:04"), i%2, i%2)
		}
	}
	return b.String()
}

func (n *nursery) mustImport(t *testing.T, logger, file string) *diagnosisv1.ClimateImport {
	t.Helper()
	request := climateRequest()
	request.Logger = logger
	read, err := n.importClimate(request, file, 1<<20)
	require.NoError(t, err)
	return read
}

func TestALoggersFileIsReadOnce(t *testing.T) {
	n := newNursery(t)
	request, file := climateRequest(), climateFile("2026-03-01", 3)
	dry, ok := proto.Clone(request).(*diagnosisv1.ImportClimateRequest)
	require.True(t, ok)
	dry.DryRun, dry.RequestId = true, ""
	checked, err := n.importClimate(dry, file, 1000)
	require.NoError(t, err)
	require.Empty(t, checked.GetName())
	require.EqualValues(t, 432, checked.GetReadings())
	require.Zero(t, n.count(t, "diagnosis.climate_import")+n.count(t, "diagnosis.climate_day"), "a dry run keeps nothing")

	read, err := n.importClimate(request, file, 1000)
	require.NoError(t, err)
	require.EqualValues(t, 432, read.GetReadings())
	require.Zero(t, read.GetReplaced()+read.GetLeftOut())
	require.Equal(t, "2026-02-28T22:10:00Z", read.GetStartTime().AsTime().Format(time.RFC3339))
	require.Equal(t, "10 min", read.GetInterval().GetAmount()+" "+read.GetInterval().GetUnit())
	require.Equal(t, "nurseries/test/people/wandile", read.GetImporter())
	require.Empty(t, read.GetFaults())
	require.True(t, proto.Equal(&diagnosisv1.ClimateFormat{DateColumn: "time", TemperatureColumn: "temp (°C)", HumidityColumn: "rh (%)",
		TemperatureUnit: "Cel", DateOrder: "YMD", Zone: "LOCAL"}, read.GetFormat()), read.GetFormat())

	again, err := n.importClimate(request, file, 99)
	require.NoError(t, err)
	require.True(t, proto.Equal(read, again), "a retry returns the first answer, however the file was cut")
	require.Equal(t, 1, n.count(t, "diagnosis.climate_import"))
	_, err = n.importClimate(request, file+"\n2026-03-04 08:00,20,80\n", 1000)
	rpctest.Refused(t, err, codes.InvalidArgument, fault.RequestIDReused)

	listed, err := n.client.ListClimateImports(n.worker, &diagnosisv1.ListClimateImportsRequest{Parent: parent + "/houses/-"})
	require.NoError(t, err)
	require.Len(t, listed.GetClimateImports(), 1)
	require.True(t, proto.Equal(read, listed.GetClimateImports()[0]), "%v\n%v", read, listed.GetClimateImports()[0])
}

func TestClimateImportsArePaged(t *testing.T) {
	n := newNursery(t)
	n.mustImport(t, "north", climateFile("2026-03-01", 1))
	n.mustImport(t, "south", climateFile("2026-03-01", 1))
	n.mustImport(t, "south", climateFile("2026-03-02", 1))
	seen := map[string]bool{}
	request := &diagnosisv1.ListClimateImportsRequest{Parent: house, PageSize: 2}
	for {
		page, err := n.client.ListClimateImports(n.worker, request)
		require.NoError(t, err)
		for _, i := range page.GetClimateImports() {
			seen[i.GetName()] = true
		}
		if request.PageToken = page.GetNextPageToken(); request.GetPageToken() == "" {
			break
		}
	}
	require.Len(t, seen, 3)
}

// A later file of the same logger replaces the readings of the same times.
func TestFilesThatOverlap(t *testing.T) {
	n := newNursery(t)
	n.mustImport(t, "north", climateFile("2026-03-01", 2))
	same := n.mustImport(t, "north", climateFile("2026-03-02", 2))
	require.EqualValues(t, 288, same.GetReadings())
	require.EqualValues(t, 144, same.GetReplaced())
	require.Empty(t, same.GetFaults(), "the same values are no conflict")

	other := n.mustImport(t, "north", "time,temp (°C)\n2026-03-03 12:00,30.5\n2026-03-03 12:10,24\n")
	require.EqualValues(t, 2, other.GetReplaced())
	require.Equal(t, []string{"conflict: 1"}, other.GetFaultCounts(), other)
	var temperature, humidity, readings int
	require.NoError(t, n.db.QueryRow(context.Background(), `
		SELECT temperature[array_position(seconds, 36000)], humidity[array_position(seconds, 36000)], cardinality(seconds)
		FROM diagnosis.climate_day WHERE day = '2026-03-03'`).Scan(&temperature, &humidity, &readings))
	require.Equal(t, 3050, temperature)
	require.InDelta(t, 7000, humidity, 10, "what the later file does not say stays")
	require.Equal(t, 133, readings, "of the day in UTC: up to 22:00")
}

func TestLoggerFilesAreRefused(t *testing.T) {
	n := newNursery(t)
	for name, test := range map[string]struct {
		change func(*diagnosisv1.ImportClimateRequest)
		file   string
		field  string
	}{
		"no house":      {func(r *diagnosisv1.ImportClimateRequest) { r.Parent = parent }, climateFile("2026-03-01", 1), "parent"},
		"no logger":     {func(r *diagnosisv1.ImportClimateRequest) { r.Logger = "" }, climateFile("2026-03-01", 1), "logger"},
		"no request id": {func(r *diagnosisv1.ImportClimateRequest) { r.RequestId = "" }, climateFile("2026-03-01", 1), "request_id"},
		"a bad zone":    {func(r *diagnosisv1.ImportClimateRequest) { r.Format.Zone = "SUMMER" }, climateFile("2026-03-01", 1), "format.zone"},
		"tomorrow":      {func(*diagnosisv1.ImportClimateRequest) {}, climateFile("2026-03-10", 1), "format.zone"},
		"not CSV":       {func(*diagnosisv1.ImportClimateRequest) {}, "hello", "data"},
		"Fahrenheit under a Celsius header": {func(*diagnosisv1.ImportClimateRequest) {},
			"time,temp (°C),rh (%)\n2026-03-01 10:00,70.5,80\n2026-03-01 10:10,71.5,80\n2026-03-01 10:20,71,80\n", "format.temperature_unit"},
		"too long": {func(*diagnosisv1.ImportClimateRequest) {}, strings.Repeat("x", 64<<20+1), "data"},
	} {
		t.Run(name, func(t *testing.T) {
			request := climateRequest()
			test.change(request)
			_, err := n.importClimate(request, test.file, 1<<20)
			rpctest.RefusedField(t, err, test.field)
		})
	}
	_, err := n.importClimate(climateRequest(), "time,temp (°C),rh (%)\n2026-03-01 10:00,70.5,80\n", 1<<20)
	message, values := rpctest.Refused(t, err, codes.InvalidArgument, fault.ClimateFileRejected)
	require.Contains(t, message, "°F")
	require.Equal(t, "70.50", values["median"])
	require.Equal(t, "temp (°C)", values["column"])

	unknown := climateRequest()
	unknown.Parent = parent + "/houses/h9"
	_, err = n.importClimate(unknown, climateFile("2026-03-01", 1), 1<<20)
	rpctest.Refused(t, err, codes.NotFound, fault.NotFoundReason)
	require.Zero(t, n.count(t, "diagnosis.climate_import")+n.count(t, "diagnosis.climate_day"))
}

func TestTheClimateOfAHouseDayByDay(t *testing.T) {
	n := newNursery(t)
	n.mustImport(t, "north", climateFile("2026-03-01", 3))
	summary, err := n.client.GetClimate(n.worker, &diagnosisv1.GetClimateRequest{Name: house, StartDate: "2026-03-01", EndDate: "2026-03-03"})
	require.NoError(t, err)
	require.Empty(t, summary.GetNotes())
	require.Equal(t, "relative humidity of 90 % or more", summary.GetWetnessMethod())
	require.Len(t, summary.GetDays(), 3)
	amount := func(amount, unit string) *typev1.Quantity { return &typev1.Quantity{Amount: amount, Unit: unit} }
	want := &diagnosisv1.ClimateDay{
		Date: "2026-03-02", TemperatureMin: amount("22", "Cel"), TemperatureMean: amount("23", "Cel"), TemperatureMax: amount("24.01", "Cel"),
		HumidityMean: amount("82.55", "%"), VapourPressureDeficit: amount("0.512", "kPa"), LeafWetness: amount("12", "h"), Covered: amount("24", "h"),
	}
	require.True(t, proto.Equal(want, summary.GetDays()[1]), summary.GetDays()[1])

	summary, err = n.client.GetClimate(n.worker, &diagnosisv1.GetClimateRequest{Name: house})
	require.NoError(t, err)
	require.Len(t, summary.GetDays(), 3, "30 days up to today")
	require.Equal(t, []string{
		"House h1, logger north: no readings from 2026-02-08 00:00 to 2026-03-01 00:10.",
		"House h1, logger north: no readings from 2026-03-04 00:00 to 2026-03-10 10:00.",
	}, summary.GetNotes())

	summary, err = n.client.GetClimate(n.worker, &diagnosisv1.GetClimateRequest{Name: house, StartDate: "2025-03-01", EndDate: "2025-03-03"})
	require.NoError(t, err)
	require.Equal(t, []string{"House h1 has no readings from 2025-03-01 to 2025-03-03."}, summary.GetNotes())

	for field, request := range map[string]*diagnosisv1.GetClimateRequest{
		"start_date": {Name: house, StartDate: "2026-03-04", EndDate: "2026-03-03"},
		"end_date":   {Name: house, StartDate: "2010-03-04", EndDate: "2026-03-03"},
		"name":       {Name: parent + "/houses/-"},
	} {
		_, err := n.client.GetClimate(n.worker, request)
		rpctest.RefusedField(t, err, field)
	}
	_, err = n.client.GetClimate(n.worker, &diagnosisv1.GetClimateRequest{Name: house, StartDate: "2026-04-01", EndDate: "2026-04-02"})
	rpctest.RefusedField(t, err, "start_date")
}

const anthracnose = parent + "/infectionModels/anthracnose-wetness"

func TestWhenPlantsCouldHaveBeenInfected(t *testing.T) {
	n := newNursery(t)
	n.mustImport(t, "north", climateFile("2026-03-01", 3))
	request := &diagnosisv1.AssessInfectionRiskRequest{Name: house, StartDate: "2026-03-02", EndDate: "2026-03-03", Models: []string{anthracnose}}
	risk, err := n.client.AssessInfectionRisk(n.worker, request)
	require.NoError(t, err)
	require.Len(t, risk.GetCurves(), 1)
	curve := risk.GetCurves()[0]
	require.Equal(t, house, curve.GetHouse())
	require.Contains(t, curve.GetUnverified(), "UNVERIFIED PARAMETERS: ")
	require.Contains(t, risk.GetCaution(), "label")
	require.NotEmpty(t, curve.GetAdvice())
	require.Len(t, curve.GetDays(), 2)
	require.Equal(t, "100", curve.GetDays()[0].GetRiskPercent())
	require.Equal(t, "high", curve.GetDays()[0].GetLevel())
	require.Equal(t, "24", curve.GetDays()[0].GetCovered().GetAmount())
	// The night into 2 March began the evening before: 12 wet hours at 22 °C, of
	// which 8.13 are needed (agronomy check value).
	require.Len(t, curve.GetEvents(), 2)
	first := curve.GetEvents()[0]
	require.Equal(t, "2026-03-01T18:00:00Z", first.GetStartTime().AsTime().Format(time.RFC3339), "from before the days asked for")
	require.Equal(t, "8.13", first.GetNeeded().GetAmount())
	require.Equal(t, "12", first.GetLeafWetness().GetAmount())
	require.Equal(t, "infection", first.GetLevel())
	require.Equal(t, "2026-03-02T02:10:00Z", first.GetInfectionTime().AsTime().Format(time.RFC3339))
	require.Regexp(t, `^2026-03-\d\d$`, first.GetSignsFromDate())
	require.Greater(t, first.GetSignsUntilDate(), first.GetSignsFromDate())

	request.WetnessMethod = diagnosisv1.WetnessMethod_WETNESS_METHOD_SENSOR
	risk, err = n.client.AssessInfectionRisk(n.worker, request)
	require.NoError(t, err)
	require.Empty(t, risk.GetCurves()[0].GetEvents())
	require.Empty(t, risk.GetCurves()[0].GetAdvice())
	require.Equal(t, "0", risk.GetCurves()[0].GetDays()[0].GetCovered().GetAmount(), "no risk is known, not none")
	require.Contains(t, strings.Join(risk.GetNotes(), "\n"), "in 48 of 48 hours with readings there was no temperature, or nothing to tell wet leaves by")

	request.WettingTimes = []*timestamppb.Timestamp{timestamppb.New(time.Date(2026, 3, 3, 10, 0, 0, 0, time.UTC))}
	request.DryOff = &typev1.Quantity{Amount: "540", Unit: "min"}
	risk, err = n.client.AssessInfectionRisk(n.worker, request)
	require.NoError(t, err)
	require.Len(t, risk.GetCurves()[0].GetEvents(), 1, "watered leaves that stay wet for 9 h")

	all, err := n.client.AssessInfectionRisk(n.worker, &diagnosisv1.AssessInfectionRiskRequest{Name: parent + "/houses/-", StartDate: "2026-03-02", EndDate: "2026-03-03"})
	require.NoError(t, err)
	require.Greater(t, len(all.GetCurves()), 5)
	for _, curve := range all.GetCurves() {
		require.NotEmpty(t, curve.GetModel().GetDisorder(), "models that only compare are not run")
		require.Equal(t, !curve.GetModel().GetVerified(), curve.GetUnverified() != "", curve.GetModel().GetName())
	}

	events, err := diagnosis.ReadInfectionEvents(context.Background(), n.db, "test", []string{"h1"}, time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC), today)
	require.NoError(t, err)
	byModel := map[string]int{}
	for _, e := range events {
		byModel[e.Model]++
		require.NotEmpty(t, e.Unverified)
		require.Equal(t, "h1", e.House)
	}
	require.Equal(t, 2, byModel["anthracnose-wetness"], byModel)
}

func TestRiskIsRefused(t *testing.T) {
	n := newNursery(t)
	for field, change := range map[string]func(*diagnosisv1.AssessInfectionRiskRequest){
		"name":       func(r *diagnosisv1.AssessInfectionRiskRequest) { r.Name = parent },
		"models[0]":  func(r *diagnosisv1.AssessInfectionRiskRequest) { r.Models = []string{"nurseries/test/houses/h1"} },
		"dry_off":    func(r *diagnosisv1.AssessInfectionRiskRequest) { r.DryOff = &typev1.Quantity{Amount: "80", Unit: "h"} },
		"start_date": func(r *diagnosisv1.AssessInfectionRiskRequest) { r.StartDate = "2026-02-30" },
		"end_date":   func(r *diagnosisv1.AssessInfectionRiskRequest) { r.StartDate = "2017-01-01" },
	} {
		request := &diagnosisv1.AssessInfectionRiskRequest{Name: house}
		change(request)
		_, err := n.client.AssessInfectionRisk(n.worker, request)
		rpctest.RefusedField(t, err, field)
	}
	_, err := n.client.AssessInfectionRisk(n.worker, &diagnosisv1.AssessInfectionRiskRequest{Name: house, Models: []string{parent + "/infectionModels/none"}})
	rpctest.Refused(t, err, codes.NotFound, fault.NotFoundReason)
	empty, err := n.client.AssessInfectionRisk(n.worker, &diagnosisv1.AssessInfectionRiskRequest{Name: parent + "/houses/-"})
	require.NoError(t, err)
	require.Equal(t, []string{"No logger of any house was read in."}, empty.GetNotes())
}

// Of two loggers in one house the wettest reading of every interval counts, and
// that is said.
func TestTheWettestOfTwoLoggersCounts(t *testing.T) {
	n := newNursery(t)
	dry := strings.NewReplacer(",95.", ",60.", ",70.", ",50.").Replace(climateFile("2026-03-01", 3))
	n.mustImport(t, "dry-corner", dry)
	request := &diagnosisv1.GetClimateRequest{Name: house, StartDate: "2026-03-02", EndDate: "2026-03-02"}
	summary, err := n.client.GetClimate(n.worker, request)
	require.NoError(t, err)
	require.Equal(t, "0", summary.GetDays()[0].GetLeafWetness().GetAmount())
	n.mustImport(t, "north", climateFile("2026-03-01", 3))
	summary, err = n.client.GetClimate(n.worker, request)
	require.NoError(t, err)
	require.Equal(t, "12", summary.GetDays()[0].GetLeafWetness().GetAmount())
	require.Equal(t, []string{"House h1 has 2 loggers (dry-corner, north): of every 10 min the wettest reading counts."}, summary.GetNotes())
}

func parameters(change func(*diagnosisv1.WetnessParameters)) *diagnosisv1.WetnessParameters {
	amount := func(amount, unit string) *typev1.Quantity { return &typev1.Quantity{Amount: amount, Unit: unit} }
	p := &diagnosisv1.WetnessParameters{
		TemperatureMin: amount("5.5", "Cel"), TemperatureOptimum: amount("26", "Cel"), TemperatureMax: amount("34", "Cel"),
		WetnessMin: amount("300", "min"), WetnessMax: amount("40", "h"), DryInterruption: amount("4", "h"),
	}
	change(p)
	return p
}

func TestANurserySetsParametersOfItsOwn(t *testing.T) {
	n := newNursery(t)
	models, err := n.client.ListInfectionModels(n.worker, &diagnosisv1.ListInfectionModelsRequest{Parent: parent})
	require.NoError(t, err)
	var shipped *diagnosisv1.InfectionModel
	for _, m := range models.GetInfectionModels() {
		require.NotEmpty(t, m.GetSource())
		require.Equal(t, m.GetEquation() == "generic-wetness", m.GetParameters() != nil)
		if m.GetName() == anthracnose {
			shipped = m
		}
	}
	require.Equal(t, "27.5", shipped.GetParameters().GetTemperatureOptimum().GetAmount())

	set := &diagnosisv1.SetModelParametersRequest{Name: anthracnose, Parameters: parameters(func(*diagnosisv1.WetnessParameters) {}),
		Source: "own trial of 2025", Etag: shipped.GetEtag(), RequestId: uuid.NewString()}
	_, err = n.client.SetModelParameters(n.worker, set)
	rpctest.Refused(t, err, codes.PermissionDenied, fault.PermissionDenied)
	own, err := n.client.SetModelParameters(n.manager, set)
	require.NoError(t, err)
	require.True(t, own.GetOwn())
	require.False(t, own.GetVerified())
	require.Equal(t, "5 h", own.GetParameters().GetWetnessMin().GetAmount()+" "+own.GetParameters().GetWetnessMin().GetUnit())
	require.Equal(t, "nurseries/test/people/mira", own.GetSetter())
	again, err := n.client.SetModelParameters(n.manager, set)
	require.NoError(t, err)
	require.True(t, proto.Equal(own, again), "a retry returns the first answer")

	n.mustImport(t, "north", climateFile("2026-03-01", 3))
	risk, err := n.client.AssessInfectionRisk(n.worker, &diagnosisv1.AssessInfectionRiskRequest{Name: house, StartDate: "2026-03-02", EndDate: "2026-03-02", Models: []string{anthracnose}})
	require.NoError(t, err)
	require.Equal(t, "UNVERIFIED PARAMETERS: set by this nursery; own trial of 2025", risk.GetCurves()[0].GetUnverified())
	require.True(t, proto.Equal(own, risk.GetCurves()[0].GetModel()))

	stale := &diagnosisv1.SetModelParametersRequest{Name: anthracnose, Etag: shipped.GetEtag(), RequestId: uuid.NewString()}
	_, err = n.client.SetModelParameters(n.manager, stale)
	rpctest.Refused(t, err, codes.Aborted, fault.StaleETag)
	back, err := n.client.SetModelParameters(n.manager, &diagnosisv1.SetModelParametersRequest{Name: anthracnose, Etag: own.GetEtag(), RequestId: uuid.NewString()})
	require.NoError(t, err)
	require.False(t, back.GetOwn())
	require.True(t, proto.Equal(shipped.GetParameters(), back.GetParameters()))
	require.Equal(t, shipped.GetSource(), back.GetSource())
	require.Equal(t, 2, n.count(t, "diagnosis.model_parameters"), "the history stays")
}

func TestParametersThatMakeNoSenseAreRefused(t *testing.T) {
	n := newNursery(t)
	amount := func(amount, unit string) *typev1.Quantity { return &typev1.Quantity{Amount: amount, Unit: unit} }
	for _, test := range []struct {
		field  string
		change func(*diagnosisv1.WetnessParameters)
	}{
		{"parameters.temperature_optimum", func(p *diagnosisv1.WetnessParameters) { p.TemperatureMin = amount("26", "Cel") }},
		{"parameters.temperature_max", func(p *diagnosisv1.WetnessParameters) { p.TemperatureMax = amount("26", "Cel") }},
		{"parameters.temperature_max", func(p *diagnosisv1.WetnessParameters) { p.TemperatureMax = amount("34", "h") }},
		{"parameters.wetness_min", func(p *diagnosisv1.WetnessParameters) { p.WetnessMin = amount("0", "h") }},
		{"parameters.wetness_max", func(p *diagnosisv1.WetnessParameters) { p.WetnessMax = amount("4.9", "h") }},
		{"parameters.dry_interruption", func(p *diagnosisv1.WetnessParameters) { p.DryInterruption = amount("-1", "h") }},
		{"parameters", func(p *diagnosisv1.WetnessParameters) { p.TemperatureMin = amount("-60", "Cel") }},
	} {
		_, err := n.client.SetModelParameters(n.manager, &diagnosisv1.SetModelParametersRequest{Name: anthracnose, Source: "x", RequestId: uuid.NewString(), Parameters: parameters(test.change)})
		rpctest.RefusedField(t, err, test.field)
	}
	whole := parameters(func(*diagnosisv1.WetnessParameters) {})
	for field, request := range map[string]*diagnosisv1.SetModelParametersRequest{
		"source":     {Name: anthracnose, Parameters: whole},
		"parameters": {Name: parent + "/infectionModels/grey-mould-index", Parameters: whole, Source: "x"},
	} {
		request.RequestId = uuid.NewString()
		_, err := n.client.SetModelParameters(n.manager, request)
		rpctest.RefusedField(t, err, field)
	}
	_, err := n.client.SetModelParameters(n.manager, &diagnosisv1.SetModelParametersRequest{Name: parent + "/infectionModels/none", RequestId: uuid.NewString()})
	rpctest.Refused(t, err, codes.NotFound, fault.NotFoundReason)
}

// The database itself keeps the history of imports and parameters, and readings
// that make sense.
func TestTheDatabaseGuardsTheClimate(t *testing.T) {
	n := newNursery(t)
	n.mustImport(t, "north", climateFile("2026-03-01", 1))
	for _, sql := range []string{
		`UPDATE diagnosis.climate_import SET readings = 1`,
		`DELETE FROM diagnosis.climate_import`,
		`DELETE FROM diagnosis.climate_day`,
		`DELETE FROM diagnosis.model_parameters`,
		`UPDATE diagnosis.model_parameters SET source = 'x'`,
		`UPDATE diagnosis.climate_day SET temperature = '{}'`,
		`UPDATE diagnosis.climate_day SET temperature[1] = 7001`,
		`UPDATE diagnosis.climate_day SET humidity[1] = -1`,
		`UPDATE diagnosis.climate_day SET seconds[1] = 86400`,
		`INSERT INTO diagnosis.model_parameters VALUES ('test', 'm', 1, 5, 5, 30, 1, 2, 0, 'x', 'mira', now())`,
		`INSERT INTO diagnosis.model_parameters VALUES ('test', 'm', 1, 5, 6, 30, 1, 2, NULL, 'x', 'mira', now())`,
		`INSERT INTO diagnosis.model_parameters VALUES ('test', 'm', 1, 5, 6, 30, 1, 2, 0, '', 'mira', now())`,
	} {
		err := n.db.InTx(context.Background(), func(tx pgx.Tx) error {
			_, err := tx.Exec(context.Background(), sql)
			return err
		})
		require.Error(t, err, sql)
	}
}
