package treatment

import (
	"context"
	"slices"

	"github.com/jackc/pgx/v5"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/fault"
	"velamen/internal/postgres"
	"velamen/internal/resource"
	"velamen/internal/rpc"
	"velamen/services/identity"
	"velamen/services/products"
	"velamen/services/stock"
	"velamen/services/treatment/entry"
	sheets "velamen/services/treatment/notice"
)

// noticeSheets are the sheets of the contract.
var noticeSheets = map[treatmentv1.NoticeSheet]sheets.Sheet{
	treatmentv1.NoticeSheet_NOTICE_SHEET_ENTRANCE_SIGN:    sheets.EntranceSign,
	treatmentv1.NoticeSheet_NOTICE_SHEET_CENTRAL_DISPLAY:  sheets.CentralDisplay,
	treatmentv1.NoticeSheet_NOTICE_SHEET_SPOKEN_WORDS:     sheets.SpokenWords,
	treatmentv1.NoticeSheet_NOTICE_SHEET_WASHING_SUPPLIES: sheets.WashingSupplies,
	treatmentv1.NoticeSheet_NOTICE_SHEET_PHYSICIAN:        sheets.Physician,
}

// ExportNotice lays a notice out for printing.
func (s *Service) ExportNotice(ctx context.Context, request *treatmentv1.ExportNoticeRequest) (*treatmentv1.ExportNoticeResponse, error) {
	caller, err := rpc.Caller(ctx)
	if err != nil {
		return nil, err
	}
	if err := checkNoticeOf(request); err != nil {
		return nil, err
	}
	house := ""
	if request.GetHouse() != "" {
		named, err := resource.Parse("house", request.GetHouse(), "nurseries", "houses")
		if err != nil {
			return nil, err
		}
		house = named[1]
	}
	var told toldOf
	err = s.db.InSnapshot(ctx, func(tx pgx.Tx) (err error) {
		if request.GetPlanned() != nil {
			told, err = s.readPlannedToldOf(ctx, tx, request, caller.Person)
			return err
		}
		told, err = readRecordedToldOf(ctx, tx, request.GetApplication())
		return err
	})
	if err != nil {
		return nil, err
	}
	treated, err := told.treatments(house)
	if err != nil {
		return nil, err
	}
	if len(treated) == 0 {
		return nil, fault.Field("house", "%s treats nothing in house %s", told.called(), house).With("house", request.GetHouse())
	}
	laid, err := sheets.Lay(noticeSheets[request.GetSheet()], told.nursery, treated)
	if err != nil {
		return nil, err
	}
	return &treatmentv1.ExportNoticeResponse{MediaType: "application/pdf", Data: laid.PDF, Missing: laid.Missing, Caution: Caution}, nil
}

// toldOf is an application as people are told of it.
type toldOf struct {
	nursery     sheets.Nursery
	application *application
	// planned is true while it is not done.
	planned  bool
	premises Premises
	labels   labels
	// recorded is what was recorded of its products that day.
	recorded map[recordedOf]recordedProduct
	// crops are the botanical names of the lots treated.
	crops map[string]string
}

// recordedOf names a product in a house of an application.
type recordedOf struct{ house, product string }

type recordedProduct struct {
	name, registration string
	// actives are the identifiers of the active ingredients, in order.
	actives []string
}

// called names the application in a sentence.
func (t toldOf) called() string {
	if t.planned {
		return "the planned application"
	}
	return "application " + t.application.id
}

// readRecordedToldOf reads a recorded application by its name.
func readRecordedToldOf(ctx context.Context, r postgres.Reader, name string) (toldOf, error) {
	ids, err := resource.Parse("application", name, "nurseries", "applications")
	if err != nil {
		return toldOf{}, err
	}
	nursery, id := ids[0], ids[1]
	found, err := readApplications(ctx, r, `nursery = $1 AND id = $2`, nursery, id)
	if err != nil {
		return toldOf{}, postgres.Translate(err)
	}
	if len(found) == 0 {
		return toldOf{}, fault.Missing("application", resource.Of("nurseries", nursery, "applications", id))
	}
	told := toldOf{application: found[0]}
	lots, err := readTreatedLots(ctx, r, nursery, found[:1])
	if err != nil {
		return toldOf{}, err
	}
	if err := told.readPlaces(ctx, r, lots); err != nil {
		return toldOf{}, err
	}
	if told.recorded, err = readRecordedProducts(ctx, r, nursery, id); err != nil {
		return toldOf{}, err
	}
	treated, err := stock.ReadLots(ctx, r, nursery, told.application.lots)
	told.crops = map[string]string{}
	for _, lot := range treated {
		told.crops[lot.ID] = lot.BotanicalName
	}
	return told, err
}

// readPlaces reads the nursery, and what is treated in which of its houses. The
// application alone is looked at, however old it is.
func (t *toldOf) readPlaces(ctx context.Context, r postgres.Reader, lots treatedLots) error {
	nursery := t.application.nursery
	n, err := identity.ReadNursery(ctx, r, nursery)
	if err != nil {
		return err
	}
	houses, err := stock.ReadHouses(ctx, r, nursery)
	if err != nil {
		return err
	}
	t.premises.Nursery = entry.Nursery{Jurisdiction: n.Jurisdiction, Zone: n.Zone}
	for _, house := range houses {
		t.premises.Nursery.Houses = append(t.premises.Nursery.Houses, houseOfEntry(house))
	}
	t.nursery = sheets.Nursery{
		DisplayName: n.DisplayName, EmergencyPhone: n.EmergencyPhone, EmergencyCare: n.EmergencyCare, Law: t.premises.Nursery,
	}
	if t.labels, err = readLabels(ctx, r, nursery); err != nil {
		return err
	}
	of := []*application{t.application}
	if err := t.premises.readPlaces(ctx, r, nursery, of); err != nil {
		return err
	}
	return t.premises.add(t.application, t.labels, lots, nil, nil)
}

// readRecordedProducts returns what an application recorded of its products.
func readRecordedProducts(ctx context.Context, r postgres.Reader, nursery, application string) (map[recordedOf]recordedProduct, error) {
	rows, err := r.Query(ctx, `
		SELECT house, product, display_name, registration_number, active_ingredient FROM treatment.application_active
		WHERE nursery = $1 AND application = $2 ORDER BY house, product, active_ingredient COLLATE "C"`, nursery, application)
	if err != nil {
		return nil, postgres.Translate(err)
	}
	recorded := map[recordedOf]recordedProduct{}
	var of recordedOf
	var product recordedProduct
	var active string
	_, err = pgx.ForEachRow(rows, []any{&of.house, &of.product, &product.name, &product.registration, &active}, func() error {
		product.actives = append(slices.Clone(recorded[of].actives), active)
		recorded[of] = product
		return nil
	})
	return recorded, postgres.Translate(err)
}

// treatments returns what people are told of each house, or of one. Two mixes in one house
// are two applications to whoever is told.
func (t toldOf) treatments(house string) ([]sheets.Treatment, error) {
	var all []sheets.Treatment
	for i, treated := range t.application.treatments {
		made := t.premises.Applications[i]
		if house != "" && made.House != house {
			continue
		}
		told := sheets.Treatment{Entry: made, Planned: t.planned, Benches: t.premises.Treated[i].Benches, Crops: t.cropsOf(t.premises.Treated[i].Lots)}
		for _, use := range treated.GetProducts() {
			ids, err := resource.Parse("product", use.GetProduct(), "nurseries", "products")
			if err != nil {
				return nil, err
			}
			told.Products = append(told.Products, t.product(made.House, ids[1]))
		}
		all = append(all, told)
	}
	return all, nil
}

// cropsOf returns the botanical names of some lots, in order, each once.
func (t toldOf) cropsOf(lots []string) []string {
	var crops []string
	for _, lot := range lots {
		if crop := t.crops[lot]; crop != "" && !slices.Contains(crops, crop) {
			crops = append(crops, crop)
		}
	}
	slices.Sort(crops)
	return crops
}

// product returns a product as people are told of it: its name, number and active
// ingredients as they were recorded that day, where they were; the rest as it is entered
// now.
func (t toldOf) product(house, id string) sheets.Product {
	now := t.labels.byID[id]
	told := sheets.Product{
		Name: now.DisplayName, RegistrationNumber: now.RegistrationNumber, FirstAid: now.FirstAid, SafetyDataSheet: now.SafetyDataSheet,
	}
	recorded, known := t.recorded[recordedOf{house, id}]
	if !known {
		for _, content := range now.Contents {
			told.Actives = append(told.Actives, activeOf(now, content.ActiveIngredient))
		}
		return told
	}
	told.Name, told.RegistrationNumber, told.Recorded = recorded.name, recorded.registration, true
	for _, active := range recorded.actives {
		told.Actives = append(told.Actives, activeOf(now, active))
	}
	return told
}

// activeOf returns an active ingredient with what a product holds of it now.
func activeOf(product products.Product, id string) sheets.Active {
	told := sheets.Active{Name: id}
	if active, known := products.ActiveIngredientByID(id); known {
		told.Name = active.DisplayName
	}
	for _, content := range product.Contents {
		if content.ActiveIngredient == id {
			told.Content = content.Amount.String()
		}
	}
	return told
}
