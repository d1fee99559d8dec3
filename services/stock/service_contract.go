package stock

import (
	"slices"
	"strconv"

	"google.golang.org/protobuf/types/known/timestamppb"

	stockv1 "velamen/gen/velamen/stock/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/fault"
	"velamen/internal/quantity"
	"velamen/internal/resource"
	"velamen/internal/rpc"
)

func (h House) contract(nursery string) *stockv1.House {
	adjoining := make([]string, len(h.Adjoining))
	for i, id := range h.Adjoining {
		adjoining[i] = houseName(nursery, id)
	}
	return &stockv1.House{
		Name: houseName(nursery, h.ID), DisplayName: h.DisplayName, Area: h.Area.Contract(), Volume: h.Volume.Contract(),
		Covering: h.Covering, FanCapacity: h.FanCapacity.Contract(), PassiveVents: h.PassiveVents, AdjoiningHouses: adjoining,
		SiteNumber: h.SiteNumber, FacilityNumber: h.FacilityNumber, LegalLocation: h.LegalLocation,
		PlantedArea: h.PlantedArea.Contract(),
		Etag:        rpc.ETag(h.Version), CreateTime: timestamppb.New(h.CreateTime),
	}
}

// houseOf reads a house of a request. Faults name its fields under "house".
func houseOf(nursery, id string, message *stockv1.House) (House, error) {
	h := House{
		ID: id, DisplayName: message.GetDisplayName(), Covering: message.GetCovering(), PassiveVents: message.GetPassiveVents(),
		SiteNumber: message.GetSiteNumber(), FacilityNumber: message.GetFacilityNumber(), LegalLocation: message.GetLegalLocation(),
	}
	if err := checkTexts("house.display_name", h.DisplayName, "house.site_number", h.SiteNumber,
		"house.facility_number", h.FacilityNumber, "house.legal_location", h.LegalLocation); err != nil {
		return h, err
	}
	var err error
	if h.Area, err = measure("house.area", message.GetArea(), quantity.SquareMetre, quantity.Hectare); err != nil {
		return h, err
	}
	if h.Volume, err = measure("house.volume", message.GetVolume(), quantity.CubicMetre); err != nil {
		return h, err
	}
	if h.FanCapacity, err = measure("house.fan_capacity", message.GetFanCapacity(), quantity.CubicMetrePerH); err != nil {
		return h, err
	}
	if h.PlantedArea, err = measure("house.planted_area", message.GetPlantedArea(), plantedUnits...); err != nil {
		return h, err
	}
	if err := h.checkPlanted(); err != nil {
		return h, fault.Field("house.planted_area", "%s", err).
			With("planted_area", h.PlantedArea.String()).With("area", h.Area.String())
	}
	h.Adjoining, err = adjoiningOf(nursery, id, message.GetAdjoiningHouses())
	return h, err
}

func adjoiningOf(nursery, house string, names []string) ([]string, error) {
	var adjoining []string
	for i, name := range names {
		field := "house.adjoining_houses[" + strconv.Itoa(i) + "]"
		ids, err := resource.Parse(field, name, "nurseries", "houses")
		if err != nil {
			return nil, err
		}
		if ids[0] != nursery {
			return nil, fault.Field(field, "%q is not in the nursery of the house", name).With("name", name)
		}
		if ids[1] == house {
			return nil, fault.Field(field, "a house does not adjoin itself").With("name", name)
		}
		adjoining = append(adjoining, ids[1])
	}
	slices.Sort(adjoining)
	return adjoining, nil
}

func (b Bench) contract(nursery string) *stockv1.Bench {
	message := &stockv1.Bench{
		Name: benchName(nursery, b.House, b.ID), DisplayName: b.DisplayName, Area: b.Area.Contract(), Isolation: b.Isolation,
		WaterLine: b.WaterLine, Etag: rpc.ETag(b.Version), CreateTime: timestamppb.New(b.CreateTime),
	}
	for _, neighbour := range b.Neighbours {
		message.NeighbourBenches = append(message.NeighbourBenches, benchName(nursery, neighbour.House, neighbour.Bench))
	}
	if b.Place.Measured() {
		message.Place = &stockv1.BenchPlace{
			X: b.Place.X.Contract(), Y: b.Place.Y.Contract(), Length: b.Place.Length.Contract(), Width: b.Place.Width.Contract(),
		}
	}
	return message
}

// benchOf reads a bench of a request. Faults name its fields under "bench".
func benchOf(nursery string, at place, message *stockv1.Bench) (Bench, error) {
	b := Bench{
		House: at.house, ID: at.bench, DisplayName: message.GetDisplayName(), Isolation: message.GetIsolation(),
		WaterLine: message.GetWaterLine(),
	}
	if err := checkTexts("bench.display_name", b.DisplayName, "bench.water_line", b.WaterLine); err != nil {
		return b, err
	}
	var err error
	if b.Area, err = measure("bench.area", message.GetArea(), quantity.SquareMetre); err != nil {
		return b, err
	}
	if b.Place, err = benchPlaceOf(message.GetPlace()); err != nil {
		return b, err
	}
	b.Neighbours, err = neighboursOf(nursery, BenchID{House: b.House, Bench: b.ID}, message.GetNeighbourBenches())
	return b, err
}

func benchPlaceOf(message *stockv1.BenchPlace) (BenchPlace, error) {
	var p BenchPlace
	if message == nil {
		return p, nil
	}
	var err error
	if p.X, err = coordinate("bench.place.x", message.GetX()); err != nil {
		return p, err
	}
	if p.Y, err = coordinate("bench.place.y", message.GetY()); err != nil {
		return p, err
	}
	if p.Length, err = measure("bench.place.length", message.GetLength(), quantity.Metre); err != nil {
		return p, err
	}
	p.Width, err = measure("bench.place.width", message.GetWidth(), quantity.Metre)
	return p, err
}

func neighboursOf(nursery string, bench BenchID, names []string) ([]BenchID, error) {
	var neighbours []BenchID
	for i, name := range names {
		field := "bench.neighbour_benches[" + strconv.Itoa(i) + "]"
		ids, err := resource.Parse(field, name, "nurseries", "houses", "benches")
		if err != nil {
			return nil, err
		}
		if ids[0] != nursery {
			return nil, fault.Field(field, "%q is not in the nursery of the bench", name).With("name", name)
		}
		other := BenchID{House: ids[1], Bench: ids[2]}
		if other == bench {
			return nil, fault.Field(field, "a bench does not stand beside itself").With("name", name)
		}
		neighbours = append(neighbours, other)
	}
	slices.SortFunc(neighbours, BenchID.compare)
	return neighbours, nil
}

func (l Lot) contract(nursery string) *stockv1.Lot {
	message := &stockv1.Lot{
		Name: lotName(nursery, l.ID), BotanicalName: l.BotanicalName, EppoCode: l.EPPOCode, Cultivar: l.Cultivar,
		Container: l.Container, GrowthStageBbch: l.GrowthStage, Bench: benchName(nursery, l.House, l.Bench),
		Plants: l.Plants, HoldingCase: l.HoldingCase, Etag: rpc.ETag(l.Version), CreateTime: timestamppb.New(l.CreateTime),
		OfficialHolds: l.OfficialHolds,
	}
	if l.UnitValue != (Money{}) {
		message.UnitValue = &typev1.Money{CurrencyCode: l.UnitValue.Currency, Amount: l.UnitValue.Amount}
	}
	return message
}

// lotOf reads a lot of a request. Faults name its fields under "lot".
func lotOf(id string, at place, message *stockv1.Lot) (Lot, error) {
	l := Lot{
		ID: id, BotanicalName: message.GetBotanicalName(), EPPOCode: message.GetEppoCode(), Cultivar: message.GetCultivar(),
		Container: message.GetContainer(), GrowthStage: message.GetGrowthStageBbch(), House: at.house, Bench: at.bench,
	}
	if value := message.GetUnitValue(); value != nil {
		l.UnitValue = Money{Amount: value.GetAmount(), Currency: value.GetCurrencyCode()}
	}
	return l, checkTexts("lot.botanical_name", l.BotanicalName, "lot.cultivar", l.Cultivar, "lot.container", l.Container)
}

func (e lotEvent) contract(nursery string) *stockv1.LotEvent {
	message := &stockv1.LotEvent{
		Kind:   stockv1.LotEventKind(stockv1.LotEventKind_value[kindPrefix+e.kind]),
		Plants: e.plants, Bench: benchName(nursery, e.place.house, e.place.bench), Note: e.note,
		Person: resource.Of("nurseries", nursery, "people", e.person), EventTime: timestamppb.New(e.time),
	}
	if e.otherLot != "" {
		message.OtherLot = lotName(nursery, e.otherLot)
	}
	return message
}
