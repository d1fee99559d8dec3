package records

import (
	"context"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	productsv1 "velamen/gen/velamen/products/v1"
	"velamen/internal/quantity"
	"velamen/internal/resource"
	"velamen/services/identity"
	"velamen/services/products"
	"velamen/services/records/report"
	"velamen/services/stock"
	"velamen/services/treatment"
)

// useSource is what a report says beside the ledger, as it is entered now; houses,
// products and people by resource name. It stands in for what an entry lacks.
type useSource struct {
	zone     *time.Location
	houses   map[string]stock.House
	products map[string]products.Product
	people   map[string]identity.Person
	// crops are the plants in stock by botanical name.
	crops map[string]cropNow
	// settings are what was said of the nursery.
	settings dutySettings
}

// cropNow is what the stock says of a plant: its EPPO code, where the lots agree on one,
// and the name of the first lot without a code.
type cropNow struct {
	code    string
	differs bool
	lot     string
}

func readUseSource(ctx context.Context, tx pgx.Tx, nursery identity.Nursery) (useSource, error) {
	source := useSource{
		zone: nursery.Zone, houses: map[string]stock.House{}, products: map[string]products.Product{},
		people: map[string]identity.Person{}, crops: map[string]cropNow{},
	}
	var err error
	if source.settings, err = readDutySettings(ctx, tx, nursery.ID); err != nil {
		return source, err
	}
	houses, err := stock.ReadHouses(ctx, tx, nursery.ID)
	if err != nil {
		return source, err
	}
	for _, house := range houses {
		source.houses[resource.Of("nurseries", nursery.ID, "houses", house.ID)] = house
	}
	kept, err := products.ReadProducts(ctx, tx, nursery.ID)
	if err != nil {
		return source, err
	}
	for _, product := range kept {
		source.products[resource.Of("nurseries", nursery.ID, "products", product.ID)] = product
	}
	lots, err := stock.ReadStocked(ctx, tx, nursery.ID)
	if err != nil {
		return source, err
	}
	for _, lot := range lots {
		source.crops[lot.BotanicalName] = source.crops[lot.BotanicalName].with(lot, nursery.ID)
	}
	people, err := identity.ReadPeople(ctx, tx, nursery.ID)
	for _, person := range people {
		source.people[resource.Of("nurseries", nursery.ID, "people", person.ID)] = person
	}
	return source, err
}

func (c cropNow) with(lot stock.Lot, nursery string) cropNow {
	switch {
	case lot.EPPOCode == "" && c.lot == "":
		c.lot = resource.Of("nurseries", nursery, "lots", lot.ID)
	case lot.EPPOCode == "":
	case c.code == "":
		c.code = lot.EPPOCode
	case c.code != lot.EPPOCode:
		c.differs = true
	}
	return c
}

// useOf returns an entry as a report reads it. What the ledger does not hold is taken from
// what is entered now where that holds for the day too, and the report says which; what
// only the day could tell stays empty, and the report says that it is missing.
func (s useSource) useOf(e kept) report.Use {
	house := s.houses[e.House]
	use := report.Use{
		Entry: entryName(e.Nursery, e.Sequence), Application: e.Application, House: e.House, Product: e.Product,
		HouseName: e.HouseDisplayName, Start: e.StartTime, End: e.EndTime,
		Place: placeOf(e), Method: methodOf(e), Treated: e.Area, MixVolume: e.MixVolume,
		ProductName: e.ProductDisplayName, RegistrationNumber: e.RegistrationNumber, RestrictedUse: e.RestrictedUse, Amount: e.ProductAmount,
		RestrictedEntryInterval: e.RestrictedEntryInterval, BBCH: e.GrowthStage, Target: e.Target,
		Breach: e.Breach, BreachRules: slices.Clone(e.BreachRules),
	}
	if use.HouseName == "" {
		use.HouseName = house.DisplayName
	}
	if e.Plants > 0 {
		use.Plants = quantity.Must(strconv.FormatInt(e.Plants, 10), quantity.Plant)
	}
	for _, active := range e.Actives {
		use.Actives = append(use.Actives, report.Active{Name: active.ActiveIngredient, FRAC: active.FRACCode, Content: active.Content, Amount: active.Amount})
	}
	for _, o := range e.Overrides {
		use.Overrides = append(use.Overrides, report.Override{Rule: o.Rule, Person: o.Person, Note: o.Note})
	}
	if e.Correction != nil {
		use.Corrects, use.CorrectionNote = entryName(e.Nursery, e.Correction.Corrects), e.Correction.Note
	}
	if e.correctedBy != nil {
		use.CorrectedBy = entryName(e.Nursery, *e.correctedBy)
	}
	s.addHouse(&use, e, house)
	s.addProduct(&use, e)
	s.addCrops(&use, e)
	s.addPeople(&use, e)
	// The ledger does not hold for whom the work was done.
	if use.ForHire = s.settings.forHire(); use.ForHire != report.Unknown && s.settings.at.After(e.EndTime) {
		use.Later = append(use.Later, "for-hire")
	}
	return use
}

// later returns the fact of the day, else the one of now, which it notes in the use. of
// is what kinds of report call the fact, or the condition that it answers.
func later(use *report.Use, of, onTheDay, now string) string {
	if onTheDay != "" || now == "" {
		return onTheDay
	}
	use.Later = append(use.Later, of)
	return now
}

func (s useSource) addHouse(use *report.Use, e kept, house stock.House) {
	use.SiteID = later(use, "site-id", e.SiteNumber, house.SiteNumber)
	use.FacilityID = later(use, "facility-id", e.FacilityNumber, house.FacilityNumber)
	use.LegalLocation = later(use, "legal-location", e.LegalLocation, house.LegalLocation)
	use.Setting = settings[later(use, "setting", e.Setting, settingNow(house))]
	use.Planted = e.PlantedArea
	if use.Planted.IsZero() && !house.PlantedArea.IsZero() {
		use.Planted = house.PlantedArea
		use.Later = append(use.Later, "planted")
	}
}

func (s useSource) addProduct(use *report.Use, e kept) {
	product := s.products[e.Product]
	use.SafetyDataSheet = later(use, "safety-data-sheet", e.SafetyDataSheet, product.SafetyDataSheet)
	use.TimeLimited = answers[later(use, "time-limited", e.TimeLimited, answer(product.TimeLimited))]
	use.StageLimited = answers[later(use, "stage-limited", e.StageLimited, answer(product.StageLimited))]
}

// addCrops gives each crop its EPPO code. A crop of which lots have several stands once
// with each.
func (s useSource) addCrops(use *report.Use, e kept) {
	for _, crop := range e.Crops {
		codes := e.codesOf(crop)
		for _, code := range codes {
			use.Crops = append(use.Crops, report.Crop{Name: crop, EPPO: code})
		}
		if len(codes) > 0 {
			continue
		}
		now := s.crops[crop]
		if now.differs {
			now.code = ""
		}
		use.Crops = append(use.Crops, report.Crop{Name: crop, EPPO: later(use, "crop-eppo", "", now.code), Lot: now.lot})
	}
}

func (s useSource) addPeople(use *report.Use, e kept) {
	now := certificateOn(s.people[e.Applicator], e.StartTime.In(s.zone).Format(time.DateOnly))
	use.Applicator = report.Person{
		Resource: e.Applicator, Name: e.ApplicatorDisplayName,
		Certificate: later(use, "certified-number", e.ApplicatorCertificate, now),
	}
	if e.Supervisor != nil {
		use.Supervisor = report.Person{Resource: e.Supervisor.Person, Name: e.Supervisor.DisplayName, Certificate: e.Supervisor.Certificate}
	}
}

// placeOf describes the treated area: as a correction gave it, else the house with its
// benches; empty where they are not known.
func placeOf(e kept) string {
	if e.Place != "" || len(e.Benches) == 0 {
		return e.Place
	}
	word := ": bench "
	if len(e.Benches) > 1 {
		word = ": benches "
	}
	return e.HouseDisplayName + word + strings.Join(e.Benches, ", ")
}

// methodOf is how it was applied, with what is known of a spray.
func methodOf(e kept) string {
	method := strings.ToLower(e.Method)
	var how []string
	if e.Form != "" && e.Form != method {
		how = append(how, e.Form)
	}
	if e.Droplets != "" {
		how = append(how, "droplets "+e.Droplets)
	}
	if len(how) == 0 {
		return method
	}
	return method + " (" + strings.Join(how, ", ") + ")"
}

// settings are the words of a report for what a house was: "closed space" is the type of
// use of Implementing Regulation (EU) 2023/564 for one that is covered (from memory).
var settings = map[string]string{"GREENHOUSE": "closed space", "OUTDOOR": "outdoor"}

// settingNow is what a house is by its covering, as entries write it.
func settingNow(house stock.House) string {
	if site := treatment.SiteOf(house); site != productsv1.Site_SITE_UNSPECIFIED {
		return siteWord(site)
	}
	return ""
}

func siteWord(site productsv1.Site) string { return strings.TrimPrefix(site.String(), sitePrefix) }

var answers = map[string]report.Answer{"YES": report.Yes, "NO": report.No}
