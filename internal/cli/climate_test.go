package cli_test

import (
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	identityv1 "velamen/gen/velamen/identity/v1"
	"velamen/internal/fault"
	"velamen/internal/rpc"
	"velamen/internal/rpc/rpctest"
)

// climateAnswers serves fixed answers about climate and keeps what it was asked.
type climateAnswers struct {
	diagnosisv1.UnimplementedDiagnosisServiceServer
	asked   proto.Message
	data    []byte
	refused error
}

func moment(day, hour, minute int) *timestamppb.Timestamp {
	return timestamppb.New(time.Date(2026, 3, day, hour, minute, 0, 0, time.UTC))
}

func anImport() *diagnosisv1.ClimateImport {
	return &diagnosisv1.ClimateImport{
		Name: "nurseries/test/houses/h1/climateImports/i1", Logger: "north", Readings: 430, Replaced: 12, LeftOut: 1,
		StartTime: moment(1, 0, 10), EndTime: moment(3, 22, 0), Interval: amountOf("10", "min"),
		Format: &diagnosisv1.ClimateFormat{DateColumn: "Date", TimeColumn: "Time", TemperatureColumn: "Temp (°F)", HumidityColumn: "RH",
			TemperatureUnit: "[degF]", DateOrder: "DMY", Zone: "LOCAL"},
		Faults: []*diagnosisv1.SeriesFault{
			{Kind: "gap", Line: 40, StartTime: moment(1, 6, 0), EndTime: moment(1, 6, 40), Sentence: "no readings from 2026-03-01 06:00 UTC to 2026-03-01 06:40 UTC (40 min)"},
			{Kind: "unreadable", Line: 77, Sentence: `line 77 was left out: the temperature "warm" is no number`},
		},
		FaultCounts: []string{"gap: 1", "unreadable: 1"}, Importer: "nurseries/test/people/wandile", CreateTime: moment(4, 8, 0),
	}
}

func aModel() *diagnosisv1.InfectionModel {
	return &diagnosisv1.InfectionModel{
		Name: "nurseries/test/infectionModels/anthracnose-wetness", DisplayName: "Colletotrichum acutatum, measured on strawberry fruit",
		Disorder: "anthracnose", Equation: "generic-wetness", Source: "own trial of 2025", Own: true, Etag: `"v1"`,
		Setter: "nurseries/test/people/mira", SetTime: moment(4, 8, 0),
		Parameters: &diagnosisv1.WetnessParameters{
			TemperatureMin: amountOf("7", "Cel"), TemperatureOptimum: amountOf("27.5", "Cel"), TemperatureMax: amountOf("35", "Cel"),
			WetnessMin: amountOf("6", "h"), WetnessMax: amountOf("36", "h"), DryInterruption: amountOf("4", "h"),
		},
	}
}

func (a *climateAnswers) ImportClimate(stream grpc.ClientStreamingServer[diagnosisv1.ImportClimateRequest, diagnosisv1.ImportClimateResponse]) error {
	for {
		piece, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			return stream.SendAndClose(&diagnosisv1.ImportClimateResponse{ClimateImport: anImport()})
		}
		if err != nil {
			return err
		}
		if a.refused != nil {
			return a.refused
		}
		a.data = append(a.data, piece.GetData()...)
		if piece.GetParent() != "" {
			piece.Data, piece.RequestId = nil, ""
			a.asked = piece
		}
	}
}

func (a *climateAnswers) ListClimateImports(_ context.Context, r *diagnosisv1.ListClimateImportsRequest) (*diagnosisv1.ListClimateImportsResponse, error) {
	a.asked = r
	return &diagnosisv1.ListClimateImportsResponse{ClimateImports: []*diagnosisv1.ClimateImport{anImport()}}, nil
}

func (a *climateAnswers) GetClimate(_ context.Context, r *diagnosisv1.GetClimateRequest) (*diagnosisv1.ClimateSummary, error) {
	a.asked = r
	return &diagnosisv1.ClimateSummary{
		Days: []*diagnosisv1.ClimateDay{
			{Date: "2026-03-01", TemperatureMin: amountOf("17.25", "Cel"), TemperatureMean: amountOf("21.5", "Cel"), TemperatureMax: amountOf("26", "Cel"),
				HumidityMean: amountOf("82.5", "%"), VapourPressureDeficit: amountOf("0.512", "kPa"), LeafWetness: amountOf("7.5", "h"), Covered: amountOf("24", "h")},
			{Date: "2026-03-02", TemperatureMin: amountOf("17", "Cel"), TemperatureMean: amountOf("21", "Cel"), TemperatureMax: amountOf("25", "Cel"), Covered: amountOf("12.17", "h")},
		},
		WetnessMethod: "relative humidity of 90 % or more", Notes: []string{"House h1, logger north: no readings from 2026-03-02 12:10 to 2026-03-03 00:00."},
	}, nil
}

func (a *climateAnswers) ListInfectionModels(_ context.Context, r *diagnosisv1.ListInfectionModelsRequest) (*diagnosisv1.ListInfectionModelsResponse, error) {
	a.asked = r
	return &diagnosisv1.ListInfectionModelsResponse{InfectionModels: []*diagnosisv1.InfectionModel{
		aModel(), {Name: "nurseries/test/infectionModels/grey-mould-index", Disorder: "grey-mould", Equation: "botrytis-index", Source: "Index of 1995."},
	}}, nil
}

func (a *climateAnswers) SetModelParameters(_ context.Context, r *diagnosisv1.SetModelParametersRequest) (*diagnosisv1.InfectionModel, error) {
	r.RequestId = ""
	a.asked = r
	return aModel(), nil
}

func (a *climateAnswers) AssessInfectionRisk(_ context.Context, r *diagnosisv1.AssessInfectionRiskRequest) (*diagnosisv1.InfectionRisk, error) {
	a.asked = r
	return &diagnosisv1.InfectionRisk{
		Curves: []*diagnosisv1.RiskCurve{{
			House: "nurseries/test/houses/h1", Model: aModel(), Unverified: "UNVERIFIED PARAMETERS: set by this nursery; own trial of 2025",
			Days: []*diagnosisv1.RiskDay{
				{Date: "2026-03-01", RiskPercent: "0", Level: "none", LeafWetness: amountOf("0", "h"), Covered: amountOf("24", "h")},
				{Date: "2026-03-02", RiskPercent: "100", Level: "high", LeafWetness: amountOf("12", "h"), WetTemperature: amountOf("22", "Cel"), Covered: amountOf("12.17", "h")},
			},
			Events: []*diagnosisv1.InfectionEvent{{
				StartTime: moment(1, 18, 0), InfectionTime: moment(2, 2, 10), EndTime: moment(2, 6, 0), LeafWetness: amountOf("12", "h"),
				Needed: amountOf("8.13", "h"), Temperature: amountOf("22", "Cel"), SignsFromDate: "2026-03-07", SignsUntilDate: "2026-03-16", Level: "infection",
			}},
			Advice: []string{"Water in the morning.", "Keep the air moving."},
		}, {
			House: "nurseries/test/houses/h1", Model: anIndex("grey-mould-index", "botrytis-index"), Unverified: "UNVERIFIED PARAMETERS: at second hand",
			Days:   []*diagnosisv1.RiskDay{{Date: "2026-03-02", RiskPercent: "64.5", Level: "moderate", LeafWetness: amountOf("12", "h"), Covered: amountOf("24", "h")}},
			Advice: []string{"Water in the morning.", "Take dead flowers off."},
		}, {
			House: "nurseries/test/houses/h2", Model: anIndex("grey-mould-wetness", "generic-wetness"), Unverified: "UNVERIFIED PARAMETERS: from memory",
			Days: []*diagnosisv1.RiskDay{{Date: "2026-03-02", RiskPercent: "0", Level: "none", Covered: amountOf("24", "h")}},
		}},
		WetnessMethod: "leaf sensor", Notes: []string{"House h1, logger north: no readings from 2026-03-02 12:10 to 2026-03-03 00:00."},
		Caution: "A model says when infection was possible, not that it happened.",
	}, nil
}

func anIndex(id, equation string) *diagnosisv1.InfectionModel {
	return &diagnosisv1.InfectionModel{Name: "nurseries/test/infectionModels/" + id, DisplayName: "Botrytis cinerea, measured on grape", Disorder: "grey-mould", Equation: equation}
}

func newClimateClient(t *testing.T) (*client, *climateAnswers) {
	t.Helper()
	a, c := &climateAnswers{}, newClient(t)
	c.conn = rpctest.Serve(t, func(server *rpc.Server) {
		identityv1.RegisterIdentityServiceServer(server, c.answers)
		diagnosisv1.RegisterDiagnosisServiceServer(server, a)
	})
	return c, a
}

func TestClimateAndRiskOnTheScreen(t *testing.T) {
	c, a := newClimateClient(t)
	file := filepath.Join(t.TempDir(), "logger.csv")
	require.NoError(t, os.WriteFile(file, []byte("time,temp\n"), 0o600))
	for _, test := range []struct {
		golden string
		args   []string
		asked  string
	}{
		{"climate-import.txt", []string{"climate", "import", "h1", file, "--logger", "north", "--temperature-unit", "f", "--date-order", "dmy", "--zone", "local", "--humidity-column", "RH"},
			`{"parent":"nurseries/test/houses/h1","logger":"north","format":{"humidityColumn":"RH","temperatureUnit":"[degF]","dateOrder":"DMY","zone":"LOCAL"}}`},
		{"climate-import-dry.txt", []string{"climate", "import", "h1", file, "--logger", "north", "--dry-run"},
			`{"parent":"nurseries/test/houses/h1","logger":"north","format":{},"dryRun":true}`},
		{"climate-list.txt", []string{"climate", "list"}, `{"parent":"nurseries/test/houses/-","pageSize":200}`},
		{"climate-show.txt", []string{"climate", "show", "h1", "--from", "2026-03-01", "--to", "2026-03-02"},
			`{"name":"nurseries/test/houses/h1","startDate":"2026-03-01","endDate":"2026-03-02"}`},
		{"risk.txt", []string{"risk", "--house", "h1", "--model", "anthracnose-wetness", "--wetness", "sensor", "--watered", "2026-03-01 17:30", "--dry-off", "3h", "--from", "2026-03-01"},
			`{"name":"nurseries/test/houses/h1","startDate":"2026-03-01","models":["nurseries/test/infectionModels/anthracnose-wetness"],` +
				`"wetnessMethod":"WETNESS_METHOD_SENSOR","wettingTimes":["2026-03-01T15:30:00Z"],"dryOff":{"amount":"3","unit":"h"}}`},
		{"model-list.txt", []string{"model", "list"}, `{"parent":"nurseries/test"}`},
		{"model-set.txt", []string{"model", "set", "anthracnose-wetness", "--temperature-min", "-1.5Cel", "--temperature-optimum", "27.5Cel", "--temperature-max", "35Cel",
			"--wetness-min", "6h", "--wetness-max", "36h", "--dry-interruption", "4h", "--source", "own trial of 2025", "--etag", `"v0"`},
			`{"name":"nurseries/test/infectionModels/anthracnose-wetness","parameters":{"temperatureMin":{"amount":"-1.5","unit":"Cel"},` +
				`"temperatureOptimum":{"amount":"27.5","unit":"Cel"},"temperatureMax":{"amount":"35","unit":"Cel"},"wetnessMin":{"amount":"6","unit":"h"},` +
				`"wetnessMax":{"amount":"36","unit":"h"},"dryInterruption":{"amount":"4","unit":"h"}},"source":"own trial of 2025","etag":"\"v0\""}`},
		{"model-set.txt", []string{"model", "set", "anthracnose-wetness", "--shipped"}, `{"name":"nurseries/test/infectionModels/anthracnose-wetness"}`},
	} {
		out, errs, code := c.run(append([]string{"diagnosis"}, test.args...)...)
		require.Zero(t, code, errs)
		golden(t, test.golden, out)
		asked, err := protojson.Marshal(a.asked)
		require.NoError(t, err)
		require.JSONEq(t, test.asked, string(asked))
	}
	require.Equal(t, "time,temp\ntime,temp\n", string(a.data))
}

func TestClimateUsage(t *testing.T) {
	c, a := newClimateClient(t)
	for _, args := range [][]string{
		{"climate", "import", "h1", "x.csv"},
		{"climate", "import", "h1", "no-such-file.csv", "--logger", "north"},
		{"climate", "import", "h1", "x.csv", "--logger", "north", "--zone", "summer"},
		{"climate", "show", "h1", "--from", "yesterday"},
		{"risk", "--watered", "noon"},
		{"risk", "--wetness", "finger"},
		{"model", "set", "anthracnose-wetness"},
		{"model", "set", "anthracnose-wetness", "--temperature-min", "7Cel", "--source", "x"},
		{"model", "set", "anthracnose-wetness", "--shipped", "--source", "x"},
	} {
		_, errs, code := c.run(append([]string{"diagnosis"}, args...)...)
		require.Equal(t, 2, code, "%v: %s", args, errs)
	}
	_, errs, _ := c.run("diagnosis", "climate", "import", "h1", "x.csv", "--logger", "north", "--temperature-unit", "K")
	require.Contains(t, errs, `"K" is none of C, Cel, F, [degF], degF, °C, °F`)
	require.Nil(t, a.asked)
	file := filepath.Join(t.TempDir(), "logger.csv")
	require.NoError(t, os.WriteFile(file, []byte("time,temp\n"), 0o600))
	a.refused = fault.FieldReason(fault.Invalid, fault.ClimateFileRejected, "format.temperature_unit", "it seems to be in °F")
	_, errs, code := c.run("diagnosis", "climate", "import", "h1", file, "--logger", "north")
	require.Equal(t, 3, code, errs)
	require.Contains(t, errs, "°F")
}
