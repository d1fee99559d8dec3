package stock_test

import (
	"context"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	stockv1 "velamen/gen/velamen/stock/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/fault"
	"velamen/internal/rpc/rpctest"
)

func TestHouseIsStoredAsItWasGiven(t *testing.T) {
	n := newNursery(t)
	house := &stockv1.House{
		DisplayName: "Mother plants", Area: &typev1.Quantity{Amount: "0.125", Unit: "ha"},
		Volume: &typev1.Quantity{Amount: "3750.5", Unit: "m3"}, Covering: stockv1.Covering_COVERING_RIGID_PLASTIC,
		FanCapacity: &typev1.Quantity{Amount: "42000", Unit: "m3/h"}, PassiveVents: true,
		AdjoiningHouses: []string{parent + "/houses/h1"},
		SiteNumber:      "S-07", FacilityNumber: "GH-0001", LegalLocation: "Invented county, section 4",
		PlantedArea: &typev1.Quantity{Amount: "0.3", Unit: "acre"},
	}
	created, err := n.client.CreateHouse(n.as, &stockv1.CreateHouseRequest{Parent: parent, HouseId: "h3", House: house, RequestId: newID()})
	require.NoError(t, err)
	read, err := n.client.GetHouse(n.as, &stockv1.GetHouseRequest{Name: parent + "/houses/h3"})
	require.NoError(t, err)
	require.True(t, proto.Equal(created, read))

	house.Name, house.Etag, house.CreateTime = parent+"/houses/h3", created.GetEtag(), created.GetCreateTime()
	require.True(t, proto.Equal(house, read), "%v\n%v", house, read)
}

func TestHouseRules(t *testing.T) {
	n := newNursery(t)
	for _, test := range []struct {
		name   string
		change func(h *stockv1.House)
		field  string
	}{
		{"area of a volume", func(h *stockv1.House) { h.Area.Unit = "m3" }, "house.area"},
		{"no area at all", func(h *stockv1.House) { h.Area.Amount = "0" }, "house.area"},
		{"negative area", func(h *stockv1.House) { h.Area.Amount = "-1" }, "house.area"},
		{"volume in litres", func(h *stockv1.House) { h.Volume = &typev1.Quantity{Amount: "1", Unit: "L"} }, "house.volume"},
		{"fans in m3", func(h *stockv1.House) { h.FanCapacity = &typev1.Quantity{Amount: "1", Unit: "m3"} }, "house.fan_capacity"},
		{"planted volume", func(h *stockv1.House) { h.PlantedArea = &typev1.Quantity{Amount: "1", Unit: "m3"} }, "house.planted_area"},
		{"nothing planted", func(h *stockv1.House) { h.PlantedArea = square("0") }, "house.planted_area"},
		{"more planted than there is", func(h *stockv1.House) { h.PlantedArea = square("5.000001") }, "house.planted_area"},
		{"more planted than there is, in ft2", func(h *stockv1.House) { h.PlantedArea = &typev1.Quantity{Amount: "53.82", Unit: "ft2"} }, "house.planted_area"},
		{"site of two lines", func(h *stockv1.House) { h.SiteNumber = "7\t8" }, "house.site_number"},
		{"facility that is a space", func(h *stockv1.House) { h.FacilityNumber = " " }, "house.facility_number"},
		{"location that ends in a space", func(h *stockv1.House) { h.LegalLocation = "section 4 " }, "house.legal_location"},
		{"control character", func(h *stockv1.House) { h.DisplayName = "a\x00b" }, "house.display_name"},
		{"adjoins itself", func(h *stockv1.House) { h.AdjoiningHouses = []string{parent + "/houses/h9"} }, "house.adjoining_houses[0]"},
		{"adjoins a bench", func(h *stockv1.House) { h.AdjoiningHouses = []string{bench1} }, "house.adjoining_houses[0]"},
	} {
		t.Run(test.name, func(t *testing.T) {
			house := &stockv1.House{DisplayName: "h9", Area: square("5")}
			test.change(house)
			_, err := n.client.CreateHouse(n.as, &stockv1.CreateHouseRequest{Parent: parent, HouseId: "h9", House: house, RequestId: newID()})
			rpctest.RefusedField(t, err, test.field)
		})
	}

	_, err := n.client.CreateHouse(n.as, &stockv1.CreateHouseRequest{
		Parent: parent, HouseId: "h9", RequestId: newID(),
		House: &stockv1.House{DisplayName: "h9", Area: square("5"), AdjoiningHouses: []string{parent + "/houses/none"}},
	})
	rpctest.Refused(t, err, codes.NotFound, fault.NotFoundReason)
	_, err = n.client.CreateHouse(n.as, &stockv1.CreateHouseRequest{
		Parent: parent, HouseId: "h1", RequestId: newID(), House: &stockv1.House{DisplayName: "again", Area: square("5")},
	})
	rpctest.Refused(t, err, codes.AlreadyExists, fault.AlreadyExists)
}

func TestAdjoiningCountsInBothDirections(t *testing.T) {
	n := newNursery(t)
	get := func(id string) *stockv1.House {
		house, err := n.client.GetHouse(n.as, &stockv1.GetHouseRequest{Name: parent + "/houses/" + id})
		require.NoError(t, err)
		return house
	}
	set := func(id string, others ...string) {
		_, err := n.client.UpdateHouse(n.as, &stockv1.UpdateHouseRequest{
			House:      &stockv1.House{Name: parent + "/houses/" + id, AdjoiningHouses: others},
			UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"adjoining_houses"}}, RequestId: newID(),
		})
		require.NoError(t, err)
	}
	before := get("h1")
	set("h2", parent+"/houses/h1")
	after := get("h1")
	require.Equal(t, []string{parent + "/houses/h2"}, after.GetAdjoiningHouses())
	require.NotEqual(t, before.GetEtag(), after.GetEtag(), "the other house changed with it")

	set("h1", parent+"/houses/h2")
	require.Equal(t, []string{parent + "/houses/h1"}, get("h2").GetAdjoiningHouses(), "a pair stands once")
	var pairs int
	require.NoError(t, n.db.QueryRow(context.Background(), `SELECT count(*) FROM stock.adjoining`).Scan(&pairs))
	require.Equal(t, 1, pairs)

	set("h1")
	require.Empty(t, get("h2").GetAdjoiningHouses())
}

func TestUpdateHouseWritesTheFieldsOfTheMask(t *testing.T) {
	n := newNursery(t)
	name := parent + "/houses/h1"
	update := func(house *stockv1.House, paths ...string) (*stockv1.House, error) {
		house.Name = name
		return n.client.UpdateHouse(n.as, &stockv1.UpdateHouseRequest{House: house, UpdateMask: &fieldmaskpb.FieldMask{Paths: paths}, RequestId: newID()})
	}
	first, err := update(&stockv1.House{DisplayName: "North", Area: square("1")}, "display_name")
	require.NoError(t, err)
	require.Equal(t, "North", first.GetDisplayName())
	require.Equal(t, "100", first.GetArea().GetAmount())

	_, err = update(&stockv1.House{DisplayName: "South", Etag: `"v1"`}, "display_name")
	rpctest.Refused(t, err, codes.Aborted, fault.StaleETag)
	_, err = update(&stockv1.House{Area: &typev1.Quantity{Amount: "1", Unit: "L"}}, "area")
	rpctest.RefusedField(t, err, "house.area")
	_, err = update(&stockv1.House{}, "colour")
	rpctest.RefusedField(t, err, "update_mask")

	planted, err := update(&stockv1.House{SiteNumber: "7", PlantedArea: square("80"), LegalLocation: "not in the mask"}, "site_number", "planted_area")
	require.NoError(t, err)
	require.Equal(t, "7", planted.GetSiteNumber())
	require.Equal(t, "80", planted.GetPlantedArea().GetAmount())
	require.Empty(t, planted.GetLegalLocation())
	_, err = update(&stockv1.House{Area: square("79")}, "area")
	rpctest.RefusedField(t, err, "house.planted_area")
	for unit, tooMuch := range map[string]string{"m2": "100.000001", "ha": "0.010001", "ft2": "1076.391042", "acre": "0.024711"} {
		err := commit(n.db.AppURL, `UPDATE stock.house SET planted_area = `+tooMuch+`, planted_area_unit = '`+unit+`' WHERE id = 'h1'`)
		require.ErrorContains(t, err, "house_planted_area_fits", unit)
	}
	first, err = update(&stockv1.House{}, "planted_area", "site_number")
	require.NoError(t, err)
	require.Nil(t, first.GetPlantedArea())

	second, err := update(&stockv1.House{DisplayName: "South", Etag: first.GetEtag()}, "display_name")
	require.NoError(t, err)
	require.Equal(t, "South", second.GetDisplayName())

	_, err = n.client.UpdateHouse(n.as, &stockv1.UpdateHouseRequest{House: &stockv1.House{Name: parent + "/houses/none"}, RequestId: newID()})
	rpctest.Refused(t, err, codes.NotFound, fault.NotFoundReason)
}

func TestBenchRules(t *testing.T) {
	n := newNursery(t)
	create := func(house, id string, bench *stockv1.Bench) error {
		_, err := n.client.CreateBench(n.as, &stockv1.CreateBenchRequest{Parent: parent + "/houses/" + house, BenchId: id, Bench: bench, RequestId: newID()})
		return err
	}
	rpctest.RefusedField(t, create("h1", "b9", &stockv1.Bench{DisplayName: "b9", Area: &typev1.Quantity{Amount: "1", Unit: "ha"}}), "bench.area")
	rpctest.RefusedField(t, create("h1", "b9", &stockv1.Bench{DisplayName: "b9", Area: square("0")}), "bench.area")
	rpctest.Refused(t, create("none", "b9", &stockv1.Bench{DisplayName: "b9", Area: square("1")}), codes.NotFound, fault.NotFoundReason)
	rpctest.Refused(t, create("h1", "b1", &stockv1.Bench{DisplayName: "b1", Area: square("1")}), codes.AlreadyExists, fault.AlreadyExists)
	require.NoError(t, create("h2", "b2", &stockv1.Bench{DisplayName: "b2", Area: square("1")}), "another house may use the id")

	changed, err := n.client.UpdateBench(n.as, &stockv1.UpdateBenchRequest{
		Bench: &stockv1.Bench{Name: bench1, Isolation: true}, RequestId: newID(),
	})
	require.NoError(t, err)
	require.True(t, changed.GetIsolation())
	require.Equal(t, "b1", changed.GetDisplayName())
	_, err = n.client.UpdateBench(n.as, &stockv1.UpdateBenchRequest{
		Bench: &stockv1.Bench{Name: bench1, DisplayName: "x", Etag: `"v1"`}, RequestId: newID(),
	})
	rpctest.Refused(t, err, codes.Aborted, fault.StaleETag)
	_, err = n.client.GetBench(n.as, &stockv1.GetBenchRequest{Name: parent + "/houses/h1/benches/none"})
	rpctest.Refused(t, err, codes.NotFound, fault.NotFoundReason)
}

func TestPlacesAreListedPageByPage(t *testing.T) {
	n := newNursery(t)
	var benches []string
	request := &stockv1.ListBenchesRequest{Parent: parent + "/houses/-", PageSize: 3}
	for {
		response, err := n.client.ListBenches(n.as, request)
		require.NoError(t, err)
		for _, bench := range response.GetBenches() {
			benches = append(benches, bench.GetName())
		}
		request.PageToken = response.GetNextPageToken()
		if request.GetPageToken() == "" {
			break
		}
	}
	require.Equal(t, []string{bench1, bench2, isolation, parent + "/houses/h2/benches/b1"}, benches)

	houses, err := n.client.ListHouses(n.as, &stockv1.ListHousesRequest{Parent: parent, PageSize: 1})
	require.NoError(t, err)
	require.Len(t, houses.GetHouses(), 1)
	_, err = n.client.ListBenches(n.as, &stockv1.ListBenchesRequest{Parent: parent + "/houses/-", PageToken: houses.GetNextPageToken()})
	rpctest.Refused(t, err, codes.InvalidArgument, fault.InvalidPageToken)
	_, err = n.client.ListBenches(n.as, &stockv1.ListBenchesRequest{Parent: parent + "/houses/none"})
	rpctest.Refused(t, err, codes.NotFound, fault.NotFoundReason)
}
