package stock_test

import (
	"context"
	"errors"
	"io"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	stockv1 "velamen/gen/velamen/stock/v1"
	"velamen/internal/fault"
	"velamen/internal/rpc/rpctest"
)

const (
	housesFile  = stockv1.StockFile_STOCK_FILE_HOUSES
	benchesFile = stockv1.StockFile_STOCK_FILE_BENCHES
	lotsFile    = stockv1.StockFile_STOCK_FILE_LOTS
)

// file is one file of an import, sent in pieces of at most piece bytes; 0 means
// in one.
type file struct {
	kind  stockv1.StockFile
	text  string
	piece int
}

func (n *nursery) importFiles(requestID string, files ...file) (*stockv1.ImportStockResponse, error) {
	n.t.Helper()
	stream, err := n.client.ImportStock(n.as)
	require.NoError(n.t, err)
	first := &stockv1.ImportStockRequest{Parent: parent, RequestId: requestID}
	for _, f := range files {
		size := f.piece
		if size == 0 {
			size = 1 << 20
		}
		for rest := f.text; ; {
			cut := min(size, len(rest))
			first.File, first.Data = f.kind, []byte(rest[:cut])
			// A refusal ends the stream; CloseAndRecv says why.
			if err := stream.Send(first); err != nil {
				require.ErrorIs(n.t, err, io.EOF)
				break
			}
			first = &stockv1.ImportStockRequest{}
			if rest = rest[cut:]; rest == "" {
				break
			}
		}
	}
	return stream.CloseAndRecv()
}

func (n *nursery) export(kind stockv1.StockFile) string {
	n.t.Helper()
	stream, err := n.client.ExportStock(n.as, &stockv1.ExportStockRequest{Parent: parent, File: kind})
	require.NoError(n.t, err)
	var text strings.Builder
	for {
		piece, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			return text.String()
		}
		require.NoError(n.t, err)
		require.LessOrEqual(n.t, len(piece.GetData()), 256<<10)
		text.Write(piece.GetData())
	}
}

// crlf writes lines as an export does.
func crlf(lines ...string) string { return strings.Join(lines, "\r\n") + "\r\n" }

// Canonical files: what importing them leaves exports as the same bytes.
var (
	canonicalHouses = crlf(
		"house,display_name,area,area_unit,volume_m3,covering,fan_capacity_m3_per_h,passive_vents,adjoining_houses,site_number,facility_number,legal_location,planted_area,planted_area_unit",
		`n1,"North, ""old"" house",0.125,ha,3750.5,glass,42000,true,n2 n3,S-07,GH-0001,"Invented county, section 4",0.3,acre`,
		"n2,Nørd 温室,100,m2,,rigid_plastic,,false,n1,,,,100,m2",
		"n3,Tunnel,80.25,m2,,,,false,n1,,,,,",
	)
	canonicalBenches = crlf(
		"house,bench,display_name,area_m2,isolation,water_line,neighbour_benches,x_m,y_m,length_m,width_m",
		"n1,b1,Bench 1,12.5,false,ebb 1,n1/iso n2/b1,0,2.25,5,2.5",
		`n1,iso,Isolation,4,true,"drip, north",n1/b1,,,,`,
		"n2,b1,Bench 1,10,false,,n1/b1,,,,",
	)
	canonicalLots = crlf(
		"lot,botanical_name,eppo_code,cultivar,container,growth_stage_bbch,unit_value,currency_code,house,bench,plants,origin",
		"l1,Phalaenopsis amabilis,PHASS,,12 cm pot,61,310.50,ZAR,n1,b1,100,started",
		`l2,Vanda coerulea,,"Blue ""Sky"", clone 3",,,0,EUR,n1,iso,1,received`,
		"l3,Dendrobium × delicatum,,\"two\r\nlines\r\n\r\nand “quotes” 蘭\",tray,,,,n2,b1,10000000,started",
	)
)

func TestExportGivesBackWhatACanonicalImportRead(t *testing.T) {
	for name, piece := range map[string]int{"in one piece": 0, "byte by byte": 1} {
		t.Run(name, func(t *testing.T) {
			n := emptyNursery(t)
			response, err := n.importFiles(newID(), file{housesFile, canonicalHouses, piece},
				file{benchesFile, canonicalBenches, piece}, file{lotsFile, canonicalLots, piece})
			require.NoError(t, err)
			require.True(t, proto.Equal(&stockv1.ImportStockResponse{Houses: 3, Benches: 3, Lots: 3, Plants: 10000101}, response), response)

			require.Equal(t, canonicalHouses, n.export(housesFile))
			require.Equal(t, canonicalBenches, n.export(benchesFile))
			require.Equal(t, canonicalLots, n.export(lotsFile))
			require.Equal(t, "two\nlines\n\nand “quotes” 蘭", n.lot("l3").GetCultivar())
			require.True(t, proto.Equal(&stockv1.PlantBalance{Started: 10000100, Received: 1, OnHand: 10000101, Balanced: true}, n.balance()))
			require.Equal(t, []event{{"STARTED", 100, parent + "/houses/n1/benches/b1", ""}}, n.events("l1"))
		})
	}
}

func TestImportTakesColumnsInAnyOrderAndLeavesOptionalOnesOut(t *testing.T) {
	n := newNursery(t)
	response, err := n.importFiles(newID(), file{kind: lotsFile, text: "\ufeffplants,bench,house,lot,botanical_name\n\n7,b1,h1,x,Vanda\n"})
	require.NoError(t, err)
	require.Empty(t, response.GetProblems())
	lot := n.lot("x")
	require.Equal(t, int64(7), lot.GetPlants())
	require.Equal(t, bench1, lot.GetBench())
	require.Equal(t, "RECEIVED", n.events("x")[0].Kind)
}

func TestImportReadsBenchesOfFilesFromBeforePlacesWereKept(t *testing.T) {
	n := newNursery(t)
	response, err := n.importFiles(newID(), file{kind: benchesFile, text: "house,bench,display_name,area_m2,isolation\nh1,b9,B9,3,true\n"})
	require.NoError(t, err)
	require.Empty(t, response.GetProblems())
	bench := n.bench(parent + "/houses/h1/benches/b9")
	require.True(t, bench.GetIsolation())
	require.Empty(t, bench.GetWaterLine())
	require.Nil(t, bench.GetPlace())
}

func TestImportOfABenchBesideOneOfTheNursery(t *testing.T) {
	n := newNursery(t)
	response, err := n.importFiles(newID(), file{kind: benchesFile, text: "house,bench,display_name,area_m2,neighbour_benches\nh1,b9,B9,3,h1/b1\n"})
	require.NoError(t, err)
	require.Empty(t, response.GetProblems())
	require.Equal(t, []string{parent + "/houses/h1/benches/b9"}, n.bench(bench1).GetNeighbourBenches())
	require.Equal(t, `"v2"`, n.bench(bench1).GetEtag())
}

func TestImportOfAHouseThatAdjoinsOneOfTheNursery(t *testing.T) {
	n := newNursery(t)
	response, err := n.importFiles(newID(), file{kind: housesFile, text: "house,display_name,area,area_unit,adjoining_houses\nh3,H3,1,m2,h1\n"})
	require.NoError(t, err)
	require.Empty(t, response.GetProblems())
	house, err := n.client.GetHouse(n.as, &stockv1.GetHouseRequest{Name: parent + "/houses/h1"})
	require.NoError(t, err)
	require.Equal(t, []string{parent + "/houses/h3"}, house.GetAdjoiningHouses())
	require.Equal(t, `"v2"`, house.GetEtag())
}

// problem is an ImportProblem without its file.
type problem struct {
	line   int64
	column string
	rule   string
}

func TestImportReportsEveryBrokenRuleAndStoresNothing(t *testing.T) {
	const (
		houses  = "house,display_name,area,area_unit,volume_m3,covering,passive_vents,adjoining_houses\n"
		benches = "house,bench,display_name,area_m2,isolation\n"
		lots    = "lot,botanical_name,eppo_code,cultivar,growth_stage_bbch,unit_value,currency_code,house,bench,plants,origin\n"
		idRule  = "must be 1 to 40 lower-case letters, digits and hyphens, with no hyphen at either end"
	)
	for _, test := range []struct {
		name string
		kind stockv1.StockFile
		text string
		want []problem
	}{
		{"empty file", lotsFile, "", []problem{{1, "", "the file is empty; it must begin with a header line"}}},
		{"unknown, missing and repeated columns", benchesFile, "house,colour,house,bench\nnot,judged,at,all\n", []problem{
			{1, "colour", "is not a column of this file"},
			{1, "house", "stands in the header more than once"},
			{1, "display_name", "is missing from the header"},
			{1, "area_m2", "is missing from the header"},
		}},
		{"ragged rows", benchesFile, benches + "h1,b8\nh1,b9,B9,1,false,more\n", []problem{
			{2, "", "has 2 cells where the header has 5 columns"},
			{3, "", "has 6 cells where the header has 5 columns"},
		}},
		{"quotes", benchesFile, benches + "h1,b7,a \"bare\" quote,1,\nh1,b8,\"closed\" early,1,\nh1,b9,\"never\nclosed,1,\n", []problem{
			{2, "", "a cell with a double quote must be quoted as a whole, its quotes doubled (line 2, byte 9)"},
			{3, "", "a quoted cell must end with a double quote before the next comma or line, its own quotes doubled (line 3, byte 14)"},
			{4, "", "a quoted cell must end with a double quote before the next comma or line, its own quotes doubled (line 5, byte 11)"},
		}},
		{"lines are counted through quoted line breaks", benchesFile, benches + "h1,b8,\"three\n\nlines\",1,\n\nh1,b9,B9,0,\n", []problem{
			{6, "area_m2", "must be above 0"},
		}},
		{"houses", housesFile, houses + "H9,,x,acre,-1,wood,yes,h9 h9 none\nh1,H,1.5,m2,,,,h1\nh8,H,1e3,ha,,,,\nh8,H,1,ha,,,,\n", []problem{
			{2, "house", `"H9": ` + idRule},
			{2, "display_name", "must not be empty"},
			{2, "volume_m3", "must be above 0"},
			{2, "covering", `"wood": must be one of glass, rigid_plastic, film, net`},
			{2, "passive_vents", `"yes": must be true or false`},
			{2, "area_unit", `"acre": must be one of m2, ha`},
			{2, "area", `"x" is not a plain decimal such as 12.5, with at most 12 digits before and 6 after the point`},
			{2, "adjoining_houses", "there is no house h9 in the houses file or the nursery"},
			{2, "adjoining_houses", "names h9 more than once"},
			{2, "adjoining_houses", "there is no house none in the houses file or the nursery"},
			{3, "house", "there is a house with this id in the nursery already"},
			{3, "adjoining_houses", "a house does not adjoin itself"},
			{4, "area", `"1e3" is not a plain decimal such as 12.5, with at most 12 digits before and 6 after the point`},
			{5, "house", "stands on line 4 already"},
		}},
		{"what reports ask of houses", housesFile, "house,display_name,area,area_unit,site_number,legal_location,planted_area,planted_area_unit\n" +
			"h7,H,100,m2," + strings.Repeat("7", 61) + ",a\tb,100.5,m2\nh8,H,1,ha,,,2,\nh9,H,1,ha,,,,acre\nh10,H,1,ha,,,1,m3\n", []problem{
			{2, "site_number", "has 61 characters, at most 60 fit"},
			{2, "legal_location", "must not contain the control character U+0009"},
			{2, "planted_area", "must not be more than its area, 100 m2"},
			{3, "planted_area_unit", "must not be empty when planted_area is filled"},
			{4, "planted_area", "must not be empty when planted_area_unit is filled"},
			{5, "planted_area_unit", `"m3": must be one of m2, ha, ft2, acre`},
		}},
		{"benches", benchesFile, benches + "none,b9,B9,1,\nh1,b1,B1,1,maybe\nh1,b9,B9,1,\nh1,b9,B9,1,\n", []problem{
			{2, "house", "there is no house none in the houses file or the nursery"},
			{3, "bench", "there is a bench with this id in the nursery already"},
			{3, "isolation", `"maybe": must be true or false`},
			{5, "bench", "stands on line 4 already"},
		}},
		{"places of benches", benchesFile, "house,bench,display_name,area_m2,water_line,neighbour_benches,x_m,y_m,length_m,width_m\n" +
			"h1,b7,B7,1,a\tb,h1/b7 h1/b1 h1/b1 h1/b99 b1 h1/b8,-1,0,0,3 m\n" +
			"h1,b8,B8,1,,,1,,2,2\n", []problem{
			{2, "water_line", "must not contain the control character U+0009"},
			{2, "x_m", "must be 0 or more"},
			{2, "length_m", "must be above 0"},
			{2, "width_m", `"3 m" is not a plain decimal such as 12.5, with at most 12 digits before and 6 after the point`},
			{2, "neighbour_benches", "a bench does not stand beside itself"},
			{2, "neighbour_benches", "names h1/b1 more than once"},
			{2, "neighbour_benches", "there is no bench b99 of house h1 in the benches file or the nursery"},
			{2, "neighbour_benches", `"b1": must be the ids of a house and a bench parted by a slash, such as h1/b2`},
			{3, "y_m", "must be filled when x_m is: a place is measured as a whole or not at all"},
		}},
		{"lots", lotsFile, lots +
			"a,V,abc,,1,1.23456,Rand,h1,none,0,sown\n" +
			"old,V,,,,1,,none,b1,-5,\n" +
			"a,V,,tab\there,,,ZAR,h1,b1,1.5,\n" +
			"b, V,,,,,,h1,,10000001,\n" +
			"c,\xff\xfe,,,,,,h1,b1,1,\n", []problem{
			{2, "eppo_code", `"abc": must be 5 or 6 upper-case letters and digits`},
			{2, "growth_stage_bbch", `"1": must be 2 or 3 digits`},
			{2, "unit_value", `"1.23456": must be a plain decimal such as 12.50, with at most 4 digits after the point`},
			{2, "currency_code", `"Rand": must be 3 upper-case letters (ISO 4217)`},
			{2, "origin", `"sown": must be one of started, received`},
			{2, "bench", "there is no bench none of house h1 in the benches file or the nursery"},
			{2, "plants", `"0": must be a whole number from 1 to 10000000`},
			{3, "lot", "there is a lot with this id in the nursery already"},
			{3, "currency_code", "must be filled when unit_value is"},
			{3, "house", "there is no house none in the houses file or the nursery"},
			{3, "plants", `"-5": must be a whole number from 1 to 10000000`},
			{4, "lot", "stands on line 2 already"},
			{4, "cultivar", "must not contain the control character U+0009"},
			{4, "unit_value", "must be filled when currency_code is"},
			{4, "plants", `"1.5": must be a whole number from 1 to 10000000`},
			{5, "botanical_name", "must not begin or end with a space or an empty line"},
			{5, "bench", "must not be empty"},
			{5, "plants", `"10000001": must be a whole number from 1 to 10000000`},
			{6, "botanical_name", "must be UTF-8"},
		}},
	} {
		t.Run(test.name, func(t *testing.T) {
			n := newNursery(t)
			n.addLot("old", 3)
			before := n.export(housesFile) + n.export(benchesFile) + n.export(lotsFile)
			response, err := n.importFiles(newID(), file{kind: test.kind, text: test.text})
			require.NoError(t, err)
			var got []problem
			for _, p := range response.GetProblems() {
				require.Equal(t, test.kind, p.GetFile())
				got = append(got, problem{p.GetLine(), p.GetColumn(), p.GetRule()})
			}
			require.Equal(t, test.want, got)
			require.Equal(t, int64(len(test.want)), response.GetProblemCount())
			require.Zero(t, response.GetHouses()+response.GetBenches()+response.GetLots()+response.GetPlants())
			require.Equal(t, before, n.export(housesFile)+n.export(benchesFile)+n.export(lotsFile))
		})
	}
}

func TestImportStoresNothingWhenOneOfTheFilesIsWrong(t *testing.T) {
	n := emptyNursery(t)
	response, err := n.importFiles(newID(), file{kind: housesFile, text: canonicalHouses},
		file{kind: benchesFile, text: canonicalBenches}, file{kind: lotsFile, text: strings.Replace(canonicalLots, ",100,", ",-100,", 1)})
	require.NoError(t, err)
	require.Len(t, response.GetProblems(), 1)
	require.Equal(t, 1, strings.Count(n.export(housesFile), "\r\n"), "only the header")
}

func TestImportKeepsAThousandProblemsAndCountsAll(t *testing.T) {
	n := newNursery(t)
	response, err := n.importFiles(newID(), file{kind: lotsFile, text: "lot,botanical_name,house,bench,plants\n" + strings.Repeat("X,V,h1,b1,0\n", 2500)})
	require.NoError(t, err)
	require.Len(t, response.GetProblems(), 1000)
	require.Equal(t, int64(5000), response.GetProblemCount())
}

func TestRetriedImportReturnsTheFirstAnswerHoweverItIsCut(t *testing.T) {
	n := emptyNursery(t)
	id := newID()
	first, err := n.importFiles(id, file{kind: housesFile, text: canonicalHouses})
	require.NoError(t, err)
	again, err := n.importFiles(id, file{kind: housesFile, text: canonicalHouses, piece: 50})
	require.NoError(t, err)
	require.True(t, proto.Equal(first, again))
	require.Equal(t, int64(3), again.GetHouses())

	_, err = n.importFiles(id, file{kind: housesFile, text: canonicalHouses}, file{kind: benchesFile, text: canonicalBenches})
	rpctest.Refused(t, err, codes.InvalidArgument, fault.RequestIDReused)
}

func TestImportStreamRules(t *testing.T) {
	n := newNursery(t)
	send := func(as context.Context, pieces ...*stockv1.ImportStockRequest) error {
		stream, err := n.client.ImportStock(as)
		require.NoError(t, err)
		for _, piece := range pieces {
			if stream.Send(piece) != nil {
				break
			}
		}
		_, err = stream.CloseAndRecv()
		return err
	}
	head := func() *stockv1.ImportStockRequest {
		return &stockv1.ImportStockRequest{Parent: parent, RequestId: newID(), File: lotsFile}
	}
	rpctest.RefusedField(t, send(n.as), "parent")
	rpctest.RefusedField(t, send(n.as, &stockv1.ImportStockRequest{RequestId: newID(), File: lotsFile}), "parent")
	rpctest.RefusedField(t, send(n.as, &stockv1.ImportStockRequest{Parent: parent, RequestId: "once", File: lotsFile}), "request_id")
	rpctest.RefusedField(t, send(n.as, head(), head()), "parent")
	rpctest.RefusedField(t, send(n.as, head(), &stockv1.ImportStockRequest{File: housesFile}), "file")
	rpctest.RefusedField(t, send(n.as, head(), &stockv1.ImportStockRequest{}), "file")
	rpctest.Refused(t, send(n.as, &stockv1.ImportStockRequest{Parent: "nurseries/other", RequestId: newID(), File: lotsFile}),
		codes.PermissionDenied, fault.PermissionDenied)
	rpctest.Refused(t, send(rpctest.As(context.Background(), rpctest.Worker), head()), codes.PermissionDenied, fault.PermissionDenied)

	tooMuch := []*stockv1.ImportStockRequest{head()}
	for range 65 {
		tooMuch = append(tooMuch, &stockv1.ImportStockRequest{File: lotsFile, Data: make([]byte, 1<<20)})
	}
	rpctest.RefusedField(t, send(n.as, tooMuch...), "data")
}

func TestExportLeavesOutEmptyLotsAndReadsManyPages(t *testing.T) {
	n := newNursery(t)
	var text strings.Builder
	text.WriteString(strings.SplitAfter(canonicalLots, "\r\n")[0])
	for _, id := range manyIDs(4500) {
		text.WriteString(id + ",Vanda,,,,,,,h1,b1,1,received\r\n")
	}
	response, err := n.importFiles(newID(), file{kind: lotsFile, text: text.String()})
	require.NoError(t, err)
	require.Empty(t, response.GetProblems())
	n.addLot("gone", 1)
	_, err = n.client.SellPlants(n.as, &stockv1.SellPlantsRequest{Name: lotNamed("gone"), Plants: 1, RequestId: newID()})
	require.NoError(t, err)
	require.Equal(t, text.String(), n.export(lotsFile))
}
