package stock

import (
	"cmp"
	"maps"
	"slices"
	"strings"

	stockv1 "velamen/gen/velamen/stock/v1"
	"velamen/internal/quantity"
)

// Words of the files.
var (
	coveringWords = []word[stockv1.Covering]{
		{"glass", stockv1.Covering_COVERING_GLASS},
		{"rigid_plastic", stockv1.Covering_COVERING_RIGID_PLASTIC},
		{"film", stockv1.Covering_COVERING_FILM},
		{"net", stockv1.Covering_COVERING_NET},
	}
	originWords = []word[Origin]{{"started", Started}, {"received", Received}}
	areaUnits   = wordsFor([]quantity.Unit{quantity.SquareMetre, quantity.Hectare})

	plantedAreaWords = wordsFor(plantedUnits)
)

// wordsFor returns units as a file writes them: as the contract does.
func wordsFor(units []quantity.Unit) []word[quantity.Unit] {
	words := make([]word[quantity.Unit], len(units))
	for i, unit := range units {
		words[i] = word[quantity.Unit]{string(unit), unit}
	}
	return words
}

// maxLotPlants is how many plants a lot may begin with, as in the contract.
const maxLotPlants = 10_000_000

// stand is what stands in the database already and what an import may clash with
// or refer to.
type stand struct {
	houses  map[string]bool
	benches map[place]bool
	lots    map[string]bool
}

// intake is what an import adds: everything in its files, when no rule is broken.
type intake struct {
	houses  []House
	pairs   []adjoiningPair
	benches []Bench
	// neighbours are the benches that stand beside each other, each pair once.
	neighbours []benchPair
	lots       []Lot
	plants     int64
}

// tables are the files of an import.
type tables struct{ houses, benches, lots table }

// lotIDs returns the ids in the lots file, to be looked up before it is judged.
func (t tables) lotIDs() []string {
	i := slices.Index(t.lots.header.cells, "lot")
	if i < 0 {
		return nil
	}
	var ids []string
	for _, record := range t.lots.records {
		if record.broken == "" && idForm.MatchString(record.cells[i]) {
			ids = append(ids, record.cells[i])
		}
	}
	return ids
}

// judge holds the files of an import against the rules and against what stands
// already. The intake is whole only when there are no problems.
func judge(files tables, standing stand) (intake, *problemList) {
	j := &judgement{standing: standing, problems: &problemList{}}
	j.readHouses(files.houses)
	j.readBenches(files.benches)
	j.readLots(files.lots)
	return j.intake, j.problems
}

// judgement is the work of judge. houses and benches say on which line of its
// file an id stands; references to a file whose header cannot be read are not
// judged, because each would only repeat that.
type judgement struct {
	standing         stand
	problems         *problemList
	intake           intake
	houses           map[string]int64
	benches          map[place]int64
	housesUnreadable bool
	benchUnreadable  bool
}

// rows calls visit for each readable record of a file, and reports whether the
// file has a good header.
func (j *judgement) rows(t table, visit func(r *row)) bool {
	if !t.given {
		return true
	}
	j.problems.file = t.file
	at, ok := locate(t.header, columnsOf(t.file), j.problems)
	if !ok {
		return false
	}
	for _, record := range t.records {
		if record.broken != "" {
			j.problems.add(record.line, "", record.broken)
			continue
		}
		visit(&row{record: record, at: at, problems: j.problems})
	}
	return true
}

func (j *judgement) readHouses(t table) {
	j.houses = idLines(t, "house")
	firstLines := map[string]int64{}
	pairs := map[adjoiningPair]bool{}
	ok := j.rows(t, func(r *row) {
		id, named := r.id("house")
		if named {
			once(r, "house", id, firstLines, j.standing.houses[id])
		}
		house := House{
			ID: id, DisplayName: r.neededText("display_name", 100),
			Volume: r.amount("volume_m3", quantity.CubicMetre), Covering: oneOf(r, "covering", coveringWords),
			FanCapacity:  r.amount("fan_capacity_m3_per_h", quantity.CubicMetrePerH),
			PassiveVents: r.flag("passive_vents"),
			SiteNumber:   r.text("site_number", maxSiteNumber), FacilityNumber: r.text("facility_number", maxFacilityNumber),
			LegalLocation: r.text("legal_location", maxLegalLocation),
		}
		house.Area = j.houseArea(r)
		house.PlantedArea = plantedArea(r)
		if err := house.checkPlanted(); err != nil {
			r.refuse("planted_area", "%s", err)
		}
		house.Adjoining = j.adjoining(r, id)
		for _, other := range house.Adjoining {
			pairs[pairOf(id, other)] = true
		}
		j.intake.houses = append(j.intake.houses, house)
	})
	j.housesUnreadable = !ok
	for pair := range pairs {
		j.intake.pairs = append(j.intake.pairs, pair)
	}
	slices.SortFunc(j.intake.pairs, func(x, y adjoiningPair) int {
		return strings.Compare(x.a+" "+x.b, y.a+" "+y.b)
	})
}

func (j *judgement) houseArea(r *row) quantity.Quantity {
	unit := quantity.SquareMetre
	if _, filled := r.needed("area_unit"); filled {
		if given := oneOf(r, "area_unit", areaUnits); given != "" {
			unit = given
		}
	}
	return r.neededAmount("area", unit)
}

// plantedArea reads an area with its unit; both or neither.
func plantedArea(r *row) quantity.Quantity {
	unit := oneOf(r, "planted_area_unit", plantedAreaWords)
	switch {
	case r.filled("planted_area") && !r.filled("planted_area_unit"):
		r.refuse("planted_area_unit", "must not be empty when planted_area is filled")
	case r.filled("planted_area_unit") && !r.filled("planted_area"):
		r.refuse("planted_area", "must not be empty when planted_area_unit is filled")
	case unit != "":
		return r.amount("planted_area", unit)
	}
	return quantity.Quantity{}
}

// adjoining reads the houses that share air with one: ids parted by spaces.
func (j *judgement) adjoining(r *row, house string) []string {
	const column = "adjoining_houses"
	others := strings.Fields(r.cell(column))
	if len(others) > maxAdjoining {
		r.refuse(column, "names %d houses, at most %d may adjoin one", len(others), maxAdjoining)
		return nil
	}
	for i, other := range others {
		switch {
		case !idForm.MatchString(other):
			r.refuse(column, "%q: %s", shown(other), idRule)
		case other == house:
			r.refuse(column, "a house does not adjoin itself")
		case slices.Contains(others[:i], other):
			r.refuse(column, "names %s more than once", other)
		case j.houses[other] == 0 && !j.standing.houses[other]:
			r.refuse(column, "there is no house %s in the houses file or the nursery", other)
		}
	}
	return others
}

func (j *judgement) readBenches(t table) {
	j.benches = benchLines(t)
	firstLines := map[place]int64{}
	pairs := map[benchPair]bool{}
	ok := j.rows(t, func(r *row) {
		house, housed := r.id("house")
		id, named := r.id("bench")
		if housed {
			j.knownHouse(r, house)
		}
		at := place{house: house, bench: id}
		if housed && named {
			once(r, "bench", at, firstLines, j.standing.benches[at])
		}
		bench := Bench{
			House: house, ID: id, DisplayName: r.neededText("display_name", 100),
			Area: r.neededAmount("area_m2", quantity.SquareMetre), Isolation: r.flag("isolation"),
			WaterLine: r.text("water_line", maxWaterLine), Place: benchPlaceIn(r),
		}
		bench.Neighbours = j.neighbours(r, at)
		for _, other := range bench.Neighbours {
			pairs[benchPairOf(BenchID{House: house, Bench: id}, other)] = true
		}
		j.intake.benches = append(j.intake.benches, bench)
	})
	j.benchUnreadable = !ok
	j.intake.neighbours = slices.SortedFunc(maps.Keys(pairs), func(x, y benchPair) int {
		return cmp.Or(x.a.compare(y.a), x.b.compare(y.b))
	})
}

// benchPlaceIn reads where a bench stands: all four cells or none.
func benchPlaceIn(r *row) BenchPlace {
	columns := []string{"x_m", "y_m", "length_m", "width_m"}
	var filled, empty []string
	for _, column := range columns {
		if !r.filled(column) {
			empty = append(empty, column)
			continue
		}
		filled = append(filled, column)
	}
	if len(filled) > 0 && len(empty) > 0 {
		r.refuse(empty[0], "must be filled when %s is: a place is measured as a whole or not at all", filled[0])
		return BenchPlace{}
	}
	return BenchPlace{
		X: r.coordinate("x_m"), Y: r.coordinate("y_m"),
		Length: r.amount("length_m", quantity.Metre), Width: r.amount("width_m", quantity.Metre),
	}
}

// neighbours reads the benches beside one, as house/bench parted by spaces.
func (j *judgement) neighbours(r *row, bench place) []BenchID {
	const column = "neighbour_benches"
	words := strings.Fields(r.cell(column))
	if len(words) > maxNeighbours {
		r.refuse(column, "names %d benches, at most %d may stand beside one", len(words), maxNeighbours)
		return nil
	}
	var others []BenchID
	for _, word := range words {
		house, id, parted := strings.Cut(word, "/")
		other := place{house: house, bench: id}
		switch {
		case !parted || !idForm.MatchString(house) || !idForm.MatchString(id):
			r.refuse(column, "%q: must be the ids of a house and a bench parted by a slash, such as h1/b2", shown(word))
			continue
		case other == bench:
			r.refuse(column, "a bench does not stand beside itself")
		case slices.Contains(others, BenchID{House: house, Bench: id}):
			r.refuse(column, "names %s more than once", word)
		case j.benches[other] == 0 && !j.standing.benches[other]:
			r.refuse(column, "there is no bench %s of house %s in the benches file or the nursery", id, house)
		}
		others = append(others, BenchID{House: house, Bench: id})
	}
	return others
}

func (j *judgement) readLots(t table) {
	lines := map[string]int64{}
	j.rows(t, func(r *row) {
		id, named := r.id("lot")
		if named {
			once(r, "lot", id, lines, j.standing.lots[id])
		}
		lot := Lot{
			ID: id, BotanicalName: r.neededText("botanical_name", 120),
			EPPOCode: r.formed("eppo_code", eppoForm, "must be 5 or 6 upper-case letters and digits"),
			Cultivar: r.text("cultivar", 120), Container: r.text("container", 60),
			GrowthStage: r.formed("growth_stage_bbch", growthStageForm, "must be 2 or 3 digits"),
			UnitValue:   unitValue(r), Origin: oneOf(r, "origin", originWords),
		}
		if lot.Origin == "" {
			// What a nursery brings along when it starts with a file came from elsewhere.
			lot.Origin = Received
		}
		lot.House, lot.Bench = j.lotPlace(r)
		lot.Plants = r.whole("plants", 1, maxLotPlants)
		j.intake.plants += lot.Plants
		j.intake.lots = append(j.intake.lots, lot)
	})
}

// unitValue reads what a plant is worth: both cells or neither.
func unitValue(r *row) Money {
	m := Money{
		Amount:   r.formed("unit_value", moneyForm, "must be a plain decimal such as 12.50, with at most 4 digits after the point"),
		Currency: r.formed("currency_code", currencyForm, "must be 3 upper-case letters (ISO 4217)"),
	}
	if m.Amount != "" && m.Currency == "" {
		r.refuse("currency_code", "must be filled when unit_value is")
	}
	if m.Amount == "" && m.Currency != "" {
		r.refuse("unit_value", "must be filled when currency_code is")
	}
	return m
}

func (j *judgement) lotPlace(r *row) (house, bench string) {
	house, housed := r.id("house")
	bench, benched := r.id("bench")
	if !housed || !benched || j.benchUnreadable {
		return house, bench
	}
	at := place{house: house, bench: bench}
	if j.benches[at] != 0 || j.standing.benches[at] {
		return house, bench
	}
	if j.knownHouse(r, house) {
		r.refuse("bench", "there is no bench %s of house %s in the benches file or the nursery", bench, house)
	}
	return house, bench
}

// knownHouse reports a house that is neither in the houses file nor in the nursery.
func (j *judgement) knownHouse(r *row, house string) bool {
	if j.housesUnreadable || j.houses[house] != 0 || j.standing.houses[house] {
		return true
	}
	r.refuse("house", "there is no house %s in the houses file or the nursery", house)
	return false
}

// once notes on which line an id stands and reports one that stood there before
// or exists already.
func once[K comparable](r *row, kind string, id K, lines map[K]int64, standing bool) {
	if line := lines[id]; line != 0 {
		r.refuse(kind, "stands on line %d already", line)
		return
	}
	lines[id] = r.line
	if standing {
		r.refuse(kind, "there is a %s with this id in the nursery already", kind)
	}
}

// benchLines is idLines for benches, which are named by two columns.
func benchLines(t table) map[place]int64 {
	lines := map[place]int64{}
	house, bench := slices.Index(t.header.cells, "house"), slices.Index(t.header.cells, "bench")
	if house < 0 || bench < 0 {
		return lines
	}
	for _, record := range t.records {
		if record.broken == "" {
			lines[place{house: record.cells[house], bench: record.cells[bench]}] = record.line
		}
	}
	return lines
}

// idLines says on which line of a file each id of a column stands, so that a row
// can refer to one further down.
func idLines(t table, column string) map[string]int64 {
	lines := map[string]int64{}
	i := slices.Index(t.header.cells, column)
	if i < 0 {
		return lines
	}
	for _, record := range t.records {
		if record.broken == "" {
			lines[record.cells[i]] = record.line
		}
	}
	return lines
}
