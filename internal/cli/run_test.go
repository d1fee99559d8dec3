package cli_test

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"io"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/spf13/cobra"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	identityv1 "velamen/gen/velamen/identity/v1"
	recordsv1 "velamen/gen/velamen/records/v1"
	stockv1 "velamen/gen/velamen/stock/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/cli"
	"velamen/internal/cli/clitest"
	"velamen/internal/fault"
	"velamen/internal/rpc"
	"velamen/internal/rpc/rpctest"
)

var update = flag.Bool("update", false, "write the golden files anew")

func TestHelpTellsTheTruth(t *testing.T) {
	clitest.CheckHelp(t, func() *cobra.Command { return cli.Tree(cli.Options{Out: io.Discard, Err: io.Discard}) })
}

// answers serves fixed answers through the real interceptor chain and keeps the
// requests.
type answers struct {
	identityv1.UnimplementedIdentityServiceServer
	stockv1.UnimplementedStockServiceServer
	treatmentv1.UnimplementedTreatmentServiceServer
	recordsv1.UnimplementedRecordsServiceServer
	diagnosisv1.UnimplementedDiagnosisServiceServer

	lots      []*stockv1.Lot
	lotErr    error
	imported  *stockv1.ImportStockResponse
	uploaded  map[stockv1.StockFile][]byte
	requestID string
	confirmed *treatmentv1.ConfirmStepRequest
	inspected *diagnosisv1.CreateInspectionRequest
	created   *treatmentv1.CreateProgramRequest
	updated   *stockv1.UpdateHouseRequest
	exported  *recordsv1.ExportUseRecordRequest
	signedOut bool
	// zone is the nursery's; Johannesburg when empty.
	zone string
}

func (a *answers) GetNursery(context.Context, *identityv1.GetNurseryRequest) (*identityv1.Nursery, error) {
	return &identityv1.Nursery{Name: "nurseries/test", DisplayName: "Test nursery", TimeZone: cmp.Or(a.zone, "Africa/Johannesburg"), Jurisdiction: "ZA"}, nil
}

func (a *answers) SignIn(_ context.Context, r *identityv1.SignInRequest) (*identityv1.SignInResponse, error) {
	if r.GetPassword() != "correct horse" {
		return nil, fault.New(fault.Unauthenticated, fault.NotSignedIn, "the login or the password is wrong")
	}
	return &identityv1.SignInResponse{
		Token: "mira", ExpireTime: timestamppb.New(time.Date(2026, 3, 1, 20, 0, 0, 0, time.UTC)),
		Person: &identityv1.Person{Name: r.GetPerson(), DisplayName: "Mira Manager"},
	}, nil
}

func (a *answers) SignOut(context.Context, *identityv1.SignOutRequest) (*identityv1.SignOutResponse, error) {
	a.signedOut = true
	return &identityv1.SignOutResponse{}, nil
}

func (a *answers) GetLot(_ context.Context, r *stockv1.GetLotRequest) (*stockv1.Lot, error) {
	if a.lotErr != nil {
		return nil, a.lotErr
	}
	for _, lot := range a.lots {
		if lot.GetName() == r.GetName() {
			return lot, nil
		}
	}
	return nil, fault.Missing("lot", r.GetName())
}

// ListLots answers two lots a page at most, to show that pages are gathered.
func (a *answers) ListLots(_ context.Context, r *stockv1.ListLotsRequest) (*stockv1.ListLotsResponse, error) {
	from := len(r.GetPageToken())
	to := min(from+min(2, int(r.GetPageSize())), len(a.lots))
	response := &stockv1.ListLotsResponse{Lots: a.lots[from:to]}
	if to < len(a.lots) {
		response.NextPageToken = strings.Repeat("x", to)
	}
	return response, nil
}

func (a *answers) SellPlants(context.Context, *stockv1.SellPlantsRequest) (*stockv1.Lot, error) {
	return nil, a.lotErr
}

func (a *answers) UpdateHouse(_ context.Context, r *stockv1.UpdateHouseRequest) (*stockv1.House, error) {
	a.updated = r
	return r.GetHouse(), nil
}

func (a *answers) ImportStock(stream grpc.ClientStreamingServer[stockv1.ImportStockRequest, stockv1.ImportStockResponse]) error {
	a.uploaded = map[stockv1.StockFile][]byte{}
	for {
		piece, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			return stream.SendAndClose(a.imported)
		}
		if err != nil {
			return err
		}
		if piece.GetRequestId() != "" {
			a.requestID = piece.GetRequestId()
		}
		a.uploaded[piece.GetFile()] = append(a.uploaded[piece.GetFile()], piece.GetData()...)
	}
}

func (a *answers) CreateInspection(_ context.Context, r *diagnosisv1.CreateInspectionRequest) (*diagnosisv1.Inspection, error) {
	a.inspected = r
	return r.GetInspection(), nil
}

func (a *answers) CreateProgram(_ context.Context, r *treatmentv1.CreateProgramRequest) (*treatmentv1.Program, error) {
	a.created = r
	return &treatmentv1.Program{Name: "nurseries/test/programs/p1"}, nil
}

func (a *answers) ConfirmStep(_ context.Context, r *treatmentv1.ConfirmStepRequest) (*treatmentv1.ConfirmStepResponse, error) {
	a.confirmed = r
	return &treatmentv1.ConfirmStepResponse{
		Step:        &treatmentv1.Step{Name: r.GetName(), State: treatmentv1.StepState_STEP_STATE_CONFIRMED, Title: "Dip in a systemic fungicide"},
		Application: "nurseries/test/applications/a1",
		Program: &treatmentv1.Program{
			Name: "nurseries/test/programs/p1", State: treatmentv1.ProgramState_PROGRAM_STATE_RUNNING, Round: 1,
			Case: "nurseries/test/cases/c1", Template: &treatmentv1.Template{DisplayName: "Vascular wilt", Version: 1},
			Lots: []string{"nurseries/test/lots/l-0001"},
			Steps: []*treatmentv1.Step{{
				Name: r.GetName(), State: treatmentv1.StepState_STEP_STATE_CONFIRMED, Title: "Dip in a systemic fungicide",
				OpenTime: timestamppb.New(time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)), DoneTime: r.GetConfirmation().GetEndTime(),
			}},
		},
	}, nil
}

func (a *answers) ExportUseRecord(_ context.Context, r *recordsv1.ExportUseRecordRequest) (*recordsv1.ExportUseRecordResponse, error) {
	a.exported = r
	return &recordsv1.ExportUseRecordResponse{MediaType: "text/csv", Data: []byte("a,b\r\n1,2\r\n")}, nil
}

// client runs command lines against answers.
type client struct {
	*answers
	t           *testing.T
	conn        grpc.ClientConnInterface
	environment map[string]string
	in          string
}

func newClient(t *testing.T) *client {
	a := &answers{}
	conn := rpctest.Serve(t, func(server *rpc.Server) {
		identityv1.RegisterIdentityServiceServer(server, a)
		stockv1.RegisterStockServiceServer(server, a)
		treatmentv1.RegisterTreatmentServiceServer(server, a)
		recordsv1.RegisterRecordsServiceServer(server, a)
		diagnosisv1.RegisterDiagnosisServiceServer(server, a)
	})
	return &client{answers: a, t: t, conn: conn, environment: map[string]string{
		"VELAMEN_TOKEN": "mira", "VELAMEN_NURSERY": "test", "HOME": t.TempDir(),
	}}
}

func (c *client) run(args ...string) (out, errors string, code int) {
	c.t.Helper()
	var stdout, stderr bytes.Buffer
	code = cli.Run(c.t.Context(), cli.Options{
		Args: args, In: strings.NewReader(c.in), Out: &stdout, Err: &stderr,
		Environment: func(name string) string { return c.environment[name] },
		Version:     "v1.2.3",
		Connect:     func(string) (grpc.ClientConnInterface, error) { return c.conn, nil },
	})
	return stdout.String(), stderr.String(), code
}

// golden compares what was printed with a file.
func golden(t *testing.T, name, printed string) {
	t.Helper()
	file := filepath.Join("testdata", name)
	if *update {
		require.NoError(t, os.WriteFile(file, []byte(printed), 0o644))
	}
	want, err := os.ReadFile(file)
	require.NoError(t, err)
	require.Equal(t, string(want), printed)
}

func someLots() []*stockv1.Lot {
	return []*stockv1.Lot{
		{Name: "nurseries/test/lots/l-0001", BotanicalName: "Phalaenopsis amabilis", Container: "12 cm pot", Bench: "nurseries/test/houses/h1/benches/b03", Plants: 240,
			CreateTime: timestamppb.New(time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)), Etag: `"v1"`},
		{Name: "nurseries/test/lots/l-0002", BotanicalName: "Vanda coerulea", Bench: "nurseries/test/houses/h2/benches/q1", Plants: 60, HoldingCase: "nurseries/test/cases/c1"},
		{Name: "nurseries/test/lots/l-0003", BotanicalName: "Vanda coerulea", Cultivar: "Royal Blue", Bench: "nurseries/test/houses/h2/benches/b1", Plants: 5},
	}
}

func TestTablesAndFacts(t *testing.T) {
	c := newClient(t)
	c.lots = someLots()

	out, errors, code := c.run("stock", "lot", "list")
	require.Zero(t, code, errors)
	golden(t, "lot-list.txt", out)

	out, errors, code = c.run("stock", "lot", "get", "l-0001")
	require.Zero(t, code, errors)
	golden(t, "lot-get.txt", out)

	out, _, code = c.run("stock", "lot", "list", "--limit", "1")
	require.Zero(t, code)
	require.Contains(t, out, "There are more; --limit 0 shows all.")
	require.NotContains(t, out, "l-0002")
}

func TestJSONIsTheMessageOfTheContract(t *testing.T) {
	c := newClient(t)
	c.lots = someLots()

	out, errors, code := c.run("stock", "lot", "list", "--json")
	require.Zero(t, code, errors)
	golden(t, "lot-list.json", out)
	read := &stockv1.ListLotsResponse{}
	require.NoError(t, protojson.Unmarshal([]byte(out), read))
	require.True(t, proto.Equal(&stockv1.ListLotsResponse{Lots: c.lots}, read), "all pages are one response without a token")
}

func TestErrors(t *testing.T) {
	for _, test := range []struct {
		name string
		err  error
		code int
	}{
		{"field", fault.FieldReason(fault.Precondition, fault.PlantsInsufficient, "plants", "lot l-0001 has 240 plants on hand, 400 were asked for").
			With("on_hand", "240").With("asked", "400").With("lot", "l-0001"), 3},
		{"earliest", fault.New(fault.Precondition, fault.StepNotOpen, "the step is not open yet").
			With("earliest_time", "2026-03-14T08:00:00Z"), 3},
		{"stale", fault.Stale("nurseries/test/lots/l-0001", `"v1"`), 3},
		{"denied", fault.New(fault.Denied, fault.PermissionDenied, "a person with the role worker may not do this").With("role", "worker"), 4},
		{"store", fault.New(fault.Unavailable, fault.StoreUnavailable, "the database does not answer"), 5},
	} {
		t.Run(test.name, func(t *testing.T) {
			c := newClient(t)
			c.lotErr = test.err
			args := []string{"stock", "lot", "sell", "l-0001", "--plants", "400", "--request-id", "6f1b4c1e-8f0a-4a3e-9d2b-0c5d7e8f9a10"}
			out, errors, code := c.run(args...)
			require.Empty(t, out)
			require.Equal(t, test.code, code)
			golden(t, "error-"+test.name+".txt", errors)

			_, errors, code = c.run(append(args, "--json")...)
			require.Equal(t, test.code, code)
			golden(t, "error-"+test.name+".json", errors)
			require.True(t, json.Valid([]byte(errors)))
		})
	}
}

func TestErrorsThatNameSeveralFields(t *testing.T) {
	c := newClient(t)
	_, errors, code := c.run("diagnosis", "inspect", "--lot", "l-0001", "--sampled", "0", "--severity", "101")
	require.Equal(t, 3, code)
	golden(t, "error-fields.txt", errors)
}

func TestExitCodes(t *testing.T) {
	for _, test := range []struct {
		name        string
		args        []string
		environment map[string]string
		code        int
		says        string
	}{
		{"done", []string{"version"}, nil, 0, ""},
		{"unknown command", []string{"stok"}, nil, 2, `unknown command "stok"`},
		{"unknown command in a group", []string{"stock", "lots"}, nil, 2, `unknown command "lots"`},
		{"unknown flag", []string{"stock", "balance", "--fast"}, nil, 2, "unknown flag: --fast"},
		{"argument missing", []string{"stock", "lot", "get"}, nil, 2, "LOT is missing: velamen stock lot get LOT"},
		{"argument too many", []string{"stock", "lot", "get", "a", "b"}, nil, 2, `"b" is one argument too many`},
		{"flag missing", []string{"stock", "lot", "dispose", "l-0001"}, nil, 2, `required flag(s) "note", "plants" not set`},
		{"amount without unit", []string{"stock", "house", "create", "h1", "--display-name", "x", "--area", "3"}, nil, 2, "has no unit"},
		{"name that is none", []string{"stock", "lot", "get", "L 1"}, nil, 2, "give LOT, or the whole name"},
		{"time that is none", []string{"stock", "lot", "sell", "l-1", "--plants", "1", "--when", "noon"}, nil, 2, "--when \"noon\": it must be a time"},
		{"request id that is none", []string{"stock", "lot", "sell", "l-1", "--plants", "1", "--request-id", "1"}, nil, 2, "it must be a UUID"},
		{"environment that is wrong", []string{"stock", "balance"}, map[string]string{"VELAMEN_TIMEOUT": "soon"}, 2, `VELAMEN_TIMEOUT="soon"`},
		{"nothing to change", []string{"stock", "bench", "update", "h1/b03"}, nil, 2, "give at least one of --area, --display-name, --isolation"},
		{"file that is not there", []string{"stock", "import", "--lots", "/nowhere/lots.csv"}, nil, 2, "--lots: open /nowhere/lots.csv"},
		{"not found", []string{"stock", "lot", "get", "l-0009"}, nil, 3, `there is no lot "nurseries/test/lots/l-0009"`},
		{"another nursery", []string{"--nursery", "other", "nursery", "get"}, nil, 4, "is not in your nursery"},
		{"token unknown", []string{"nursery", "get"}, map[string]string{"VELAMEN_TOKEN": "nobody"}, 4, "not signed in: unknown token"},
		{"nobody signed in", []string{"nursery", "get"}, map[string]string{"VELAMEN_TOKEN": "", "VELAMEN_NURSERY": ""}, 4, "not signed in: nobody is signed in"},
		{"token without nursery", []string{"nursery", "get"}, map[string]string{"VELAMEN_NURSERY": ""}, 2, "--nursery is missing"},
		{"role", []string{"stock", "lot", "sell", "l-1", "--plants", "1"}, map[string]string{"VELAMEN_TOKEN": "wandile"}, 4, "the role worker may not do this"},
	} {
		t.Run(test.name, func(t *testing.T) {
			c := newClient(t)
			for name, value := range test.environment {
				c.environment[name] = value
			}
			_, errors, code := c.run(test.args...)
			require.Equal(t, test.code, code, errors)
			require.Contains(t, errors, test.says)
		})
	}
}

func TestServerThatDoesNotAnswer(t *testing.T) {
	var stderr bytes.Buffer
	code := cli.Run(t.Context(), cli.Options{
		Args: []string{"--server", "127.0.0.1:1", "nursery", "get"}, Out: io.Discard, Err: &stderr,
		Environment: func(name string) string {
			return map[string]string{"VELAMEN_TOKEN": "t", "VELAMEN_NURSERY": "test"}[name]
		},
	})
	require.Equal(t, 5, code)
	require.Contains(t, stderr.String(), "the server at 127.0.0.1:1 does not answer")
	require.Contains(t, stderr.String(), "velamen up starts one")
}

func TestAnAnswerThatDoesNotComeInTimeIsNotAServerThatIsNotThere(t *testing.T) {
	c := newClient(t)
	_, errors, code := c.run("nursery", "get") // the connection stands from here on
	require.Zero(t, code, errors)
	_, errors, code = c.run("nursery", "get", "--timeout", "1ns")
	require.Equal(t, 1, code)
	require.Contains(t, errors, "velamen: timed out: the server at 127.0.0.1:7843 did not answer within 1ns; --timeout gives it more time")
	require.NotContains(t, errors, "unreachable")

	_, errors, code = c.run("stock", "lot", "sell", "l-0001", "--plants", "1", "--timeout", "1ns", "--json")
	require.Equal(t, 1, code)
	var told struct {
		Error struct {
			Outcome   string `json:"outcome"`
			Code      string `json:"code"`
			RequestID string `json:"request_id"`
		} `json:"error"`
	}
	require.NoError(t, json.Unmarshal([]byte(errors), &told))
	require.Equal(t, "timed out", told.Error.Outcome)
	require.Equal(t, "DEADLINE_EXCEEDED", told.Error.Code)
	require.NotEmpty(t, told.Error.RequestID, "the plants may have been sold")
}

// What listens and never speaks is no server that was reached.
func TestAServerThatIsNotReachedInTimeIsUnreachable(t *testing.T) {
	mute, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, mute.Close()) })
	var stderr bytes.Buffer
	code := cli.Run(t.Context(), cli.Options{
		Args: []string{"--server", mute.Addr().String(), "--timeout", "10ms", "nursery", "get"}, Out: io.Discard, Err: &stderr,
		Environment: func(name string) string {
			return map[string]string{"VELAMEN_TOKEN": "t", "VELAMEN_NURSERY": "test"}[name]
		},
	})
	require.Equal(t, 5, code)
	require.Contains(t, stderr.String(), "velamen: unreachable: no connection to the server at "+mute.Addr().String()+" within 10ms")
}

func TestSignInKeepsTheTokenForItsOwnerAlone(t *testing.T) {
	c := newClient(t)
	c.environment["VELAMEN_TOKEN"], c.environment["VELAMEN_NURSERY"] = "", ""
	c.lots = someLots()

	c.in = "wrong\n"
	_, errors, code := c.run("sign-in", "--person", "nurseries/test/people/mira", "--password-file", "-")
	require.Equal(t, 4, code, errors)

	c.in = "correct horse\n"
	out, errors, code := c.run("sign-in", "--person", "mira", "--nursery", "test", "--password-file", "-", "--json")
	require.Zero(t, code, errors)
	require.NotContains(t, out, `"token": "mira"`, "the token is not printed")

	file := filepath.Join(c.environment["HOME"], ".config", "velamen", "token.json")
	info, err := os.Stat(file)
	require.NoError(t, err)
	require.Equal(t, os.FileMode(0o600), info.Mode().Perm())

	_, errors, code = c.run("stock", "lot", "get", "l-0001")
	require.Zero(t, code, errors)

	_, errors, code = c.run("sign-out")
	require.Zero(t, code, errors)
	require.True(t, c.signedOut)
	_, _, code = c.run("stock", "lot", "get", "l-0001")
	require.Equal(t, 4, code)
}

func TestImportPrintsEveryProblemWithItsPlace(t *testing.T) {
	c := newClient(t)
	c.imported = &stockv1.ImportStockResponse{ProblemCount: 2, Problems: []*stockv1.ImportProblem{
		{File: stockv1.StockFile_STOCK_FILE_HOUSES, Line: 3, Column: "area", Rule: "must be above 0"},
		{File: stockv1.StockFile_STOCK_FILE_LOTS, Line: 12, Rule: "has 4 cells, the header has 5"},
	}}
	houses, lots := filepath.Join(t.TempDir(), "houses.csv"), filepath.Join(t.TempDir(), "lots.csv")
	long := strings.Repeat("0123456789abcdef", 40_000) // more than one piece
	require.NoError(t, os.WriteFile(houses, []byte("house\n"), 0o600))
	require.NoError(t, os.WriteFile(lots, []byte(long), 0o600))

	out, errors, code := c.run("stock", "import", "--houses", houses, "--lots", lots, "--request-id", "6f1b4c1e-8f0a-4a3e-9d2b-0c5d7e8f9a10")
	require.Equal(t, 3, code)
	require.Equal(t, houses+":3: area: must be above 0\n"+lots+":12: has 4 cells, the header has 5\n", out)
	require.Contains(t, errors, "nothing was imported; rules broken: 2")
	require.Equal(t, "6f1b4c1e-8f0a-4a3e-9d2b-0c5d7e8f9a10", c.requestID)
	require.Equal(t, long, string(c.uploaded[stockv1.StockFile_STOCK_FILE_LOTS]))

	c.imported = &stockv1.ImportStockResponse{Houses: 1, Benches: 2, Lots: 3, Plants: 400}
	c.in = "house\n"
	out, errors, code = c.run("stock", "import", "--houses", "-")
	require.Zero(t, code, errors)
	require.Equal(t, "Imported 1 houses, 2 benches and 3 lots with 400 plants.\n", out)
}

func TestUpdateSendsWhatWasGiven(t *testing.T) {
	c := newClient(t)
	_, errors, code := c.run("stock", "house", "update", "h1", "--volume", "960m3", "--adjoining-houses", "h2,h3", "--etag", `"v1"`)
	require.Zero(t, code, errors)
	require.ElementsMatch(t, []string{"volume", "adjoining_houses"}, c.updated.GetUpdateMask().GetPaths())
	require.Equal(t, []string{"nurseries/test/houses/h2", "nurseries/test/houses/h3"}, c.updated.GetHouse().GetAdjoiningHouses())
	require.Equal(t, `"v1"`, c.updated.GetHouse().GetEtag())

	_, errors, code = c.run("stock", "house", "update", "h1", "--planted-area", "0.3acre", "--site-number", "7", "--legal-location", "")
	require.Zero(t, code, errors)
	require.ElementsMatch(t, []string{"planted_area", "site_number", "legal_location"}, c.updated.GetUpdateMask().GetPaths())
	require.Equal(t, "acre", c.updated.GetHouse().GetPlantedArea().GetUnit())
	require.Equal(t, "7", c.updated.GetHouse().GetSiteNumber())
	require.NotEmpty(t, c.updated.GetRequestId())
}

func TestInspect(t *testing.T) {
	c := newClient(t)
	_, errors, code := c.run("diagnosis", "inspect", "--bench", "h1/b03", "--sampled", "40", "--affected", "3",
		"--sign", "stem:ring-in-cut-face", "--sign", "leaf:spots=absent", "--when", "2026-03-01 10:00")
	require.Zero(t, code, errors)
	inspection := c.inspected.GetInspection()
	require.Equal(t, "nurseries/test/houses/h1/benches/b03", inspection.GetTarget())
	require.Len(t, inspection.GetObservations(), 2)
	require.Equal(t, diagnosisv1.Presence_PRESENCE_ABSENT, inspection.GetObservations()[1].GetPresence())
	require.Equal(t, "2026-03-01T08:00:00Z", inspection.GetInspectTime().AsTime().Format(time.RFC3339))
}

func TestConfirmInOneHouse(t *testing.T) {
	c := newClient(t)
	out, errors, code := c.run("treatment", "confirm", "p1/systemic-1", "--start", "2026-03-02 07:00", "--end", "2026-03-02T08:10:00+02:00",
		"--by", "wandile", "--house", "h1", "--area", "40m2", "--mix", "20L", "--product", "topspray=24g", "--product", "wetter=5mL",
		"--leftover", "0.5L", "--temperature", "22Cel", "--humidity", "80%", "--binned", "--cut-face", "clean", "--lab", "negative",
		"--photo", "i1/abc", "--bench", "h2/q1", "--disinfectant", "70 % alcohol, wiped", "--sampled", "240",
		"--request-id", "6f1b4c1e-8f0a-4a3e-9d2b-0c5d7e8f9a10")
	require.Zero(t, code, errors)
	golden(t, "confirm.txt", out)
	sent, err := protojson.MarshalOptions{Multiline: true}.Marshal(c.confirmed)
	require.NoError(t, err)
	want, err := os.ReadFile("testdata/confirm-request.json")
	require.NoError(t, err)
	require.JSONEq(t, string(want), string(sent))
}

func TestConfirmInManyHouses(t *testing.T) {
	c := newClient(t)
	c.in = `[{"house": "h1", "area": {"amount": "40", "unit": "m2"}, "mix_volume": {"amount": "20", "unit": "L"},
	          "products": [{"product": "topspray", "amount": {"amount": "24", "unit": "g"}}]},
	         {"house": "nurseries/test/houses/h2", "area": {"amount": "10", "unit": "m2"}, "mixVolume": {"amount": "5", "unit": "L"},
	          "products": [{"product": "nurseries/test/products/topspray", "amount": {"amount": "6", "unit": "g"}}]}]`
	args := []string{"treatment", "confirm", "p1/systemic-1", "--start", "2026-03-02 07:00", "--end", "2026-03-02 08:10"}
	_, errors, code := c.run(append(args, "--treatments-file", "-")...)
	require.Zero(t, code, errors)
	treatments := c.confirmed.GetConfirmation().GetTreatments()
	require.Len(t, treatments, 2)
	require.Equal(t, "nurseries/test/houses/h1", treatments[0].GetHouse())
	require.Equal(t, "nurseries/test/products/topspray", treatments[0].GetProducts()[0].GetProduct())
	require.Equal(t, "2026-03-02T05:00:00Z", c.confirmed.GetConfirmation().GetStartTime().AsTime().Format(time.RFC3339), "the file leaves the flags alone")
	require.Nil(t, c.confirmed.GetConfirmation().GetInspection())

	for _, wrong := range []struct{ in, says string }{
		{`[{"house": "h 1"}]`, "--house"},
		{`[{"hose": "h1"}]`, `unknown field "hose"`},
		{`{}`, "--treatments-file -"},
	} {
		c.in = wrong.in
		_, errors, code := c.run(append(args, "--treatments-file", "-")...)
		require.Equal(t, 2, code)
		require.Contains(t, errors, wrong.says)
	}

	_, errors, code = c.run(append(args, "--house", "h1", "--area", "40m2")...)
	require.Equal(t, 2, code)
	require.Contains(t, errors, "[house area mix product]")
}

func TestProgramStartReadsTheStepsDoneBefore(t *testing.T) {
	c := newClient(t)
	c.in = `[{"key": "isolate", "confirmation": {"start_time": "2026-03-01T08:00:00Z", "end_time": "2026-03-01T09:00:00Z", "bench": "h2/q1", "performer": "wandile"}}]`
	out, errors, code := c.run("treatment", "program", "start", "c1", "--template", "vascular-wilt", "--completed", "-")
	require.Zero(t, code, errors)
	require.Contains(t, out, cli.Caution)
	require.Equal(t, "nurseries/test/templates/vascular-wilt", c.created.GetTemplate())
	require.Equal(t, "nurseries/test/houses/h2/benches/q1", c.created.GetCompletedSteps()[0].GetConfirmation().GetBench())
	require.Equal(t, "nurseries/test/people/wandile", c.created.GetCompletedSteps()[0].GetConfirmation().GetPerformer())

	c.in = `[{"key": "isolate"}]`
	_, errors, code = c.run("treatment", "program", "start", "c1", "--template", "vascular-wilt", "--completed", "-")
	require.Equal(t, 2, code)
	require.Contains(t, errors, "--completed -, step 1 (isolate): confirmation is missing")
}

func TestUseRecordIsPrintedAsTheServerMadeIt(t *testing.T) {
	c := newClient(t)
	out, errors, code := c.run("records", "house", "h1", "--from", "2026-03-01", "--to", "2026-03-31", "--format", "csv")
	require.Zero(t, code, errors)
	require.Equal(t, "a,b\r\n1,2\r\n", out)
	require.Equal(t, recordsv1.ExportFormat_EXPORT_FORMAT_CSV, c.exported.GetFormat())
	require.Equal(t, "nurseries/test/houses/h1", c.exported.GetRecord().GetHouse())

	_, _, code = c.run("records", "house", "h1", "--from", "2026-03-01", "--to", "2026-03-31", "--json")
	require.Zero(t, code)
	require.Equal(t, recordsv1.ExportFormat_EXPORT_FORMAT_JSON, c.exported.GetFormat())

	_, errors, code = c.run("records", "house", "h1", "--from", "1 March", "--to", "2026-03-31")
	require.Equal(t, 2, code)
	require.Contains(t, errors, "--from")
}
