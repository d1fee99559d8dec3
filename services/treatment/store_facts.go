package treatment

import (
	"context"
	"fmt"
	"math/big"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	productsv1 "velamen/gen/velamen/products/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/fault"
	"velamen/internal/postgres"
	"velamen/internal/quantity"
	"velamen/internal/resource"
	"velamen/services/diagnosis"
	"velamen/services/identity"
	"velamen/services/products"
	"velamen/services/stock"
	"velamen/services/treatment/rules"
)

// readFacts reads all that the rules look at. It refuses names that do not exist
// and amounts that are none, naming the field.
func readFacts(ctx context.Context, r postgres.Reader, w work) (rules.Application, rules.History, error) {
	application, err := readPlace(ctx, r, w)
	if err != nil {
		return rules.Application{}, nil, err
	}
	for i, treated := range w.treatments {
		treatment, err := readTreatment(ctx, r, fmt.Sprintf("%s.treatments[%d]", w.path, i), w.nursery, treated)
		if err != nil {
			return rules.Application{}, nil, err
		}
		application.Treatments = append(application.Treatments, treatment)
	}
	if err := fillStore(ctx, r, w.nursery, &application); err != nil {
		return rules.Application{}, nil, err
	}
	history, err := readHistory(ctx, r, w.nursery, lotIDs(application.Lots))
	return application, history, err
}

func lotIDs(lots []rules.Lot) []string {
	ids := make([]string, len(lots))
	for i, lot := range lots {
		ids[i] = lot.ID
	}
	return ids
}

// standing leaves out lots that had no plants when the work began: what is gone is
// neither treated nor does it stand against a label. When none has any, nothing is
// left out.
func standing(ctx context.Context, r postgres.Reader, nursery string, lots []stock.Lot, start time.Time) ([]stock.Lot, error) {
	var without []string
	for _, lot := range lots {
		if lot.Plants == 0 {
			without = append(without, lot.ID)
		}
	}
	if len(without) == 0 {
		return lots, nil
	}
	gone, err := stock.ReadGone(ctx, r, nursery, without, start)
	if err != nil || len(gone) == len(lots) {
		return lots, err
	}
	return slices.DeleteFunc(lots, func(lot stock.Lot) bool { return slices.Contains(gone, lot.ID) }), nil
}

// readPlace reads who applies it to which lots under which law.
func readPlace(ctx context.Context, r postgres.Reader, w work) (rules.Application, error) {
	n, err := identity.ReadNursery(ctx, r, w.nursery)
	if err != nil {
		return rules.Application{}, err
	}
	lots, err := stock.ReadLots(ctx, r, w.nursery, w.lots)
	if err != nil {
		return rules.Application{}, err
	}
	if lots, err = standing(ctx, r, w.nursery, lots, w.start); err != nil {
		return rules.Application{}, err
	}
	conditions, err := conditionsOf(w.path+".conditions", w.conditions)
	if err != nil {
		return rules.Application{}, err
	}
	application := rules.Application{
		Start: w.start, End: w.end, Done: !w.end.IsZero(), Zone: n.Zone, Jurisdiction: n.Jurisdiction, Method: w.method, Disorder: w.disorder, Class: w.class,
		Conditions: conditions, Candidates: w.candidates, RoundBefore: w.roundBefore,
		Applicator: rules.ApplicatorOf(w.performer),
	}
	application.Applicator.Field = w.performerField
	held, err := maskingHolds(ctx, r, w, lots)
	if err != nil {
		return rules.Application{}, err
	}
	for _, lot := range lots {
		application.Lots = append(application.Lots, rules.Lot{
			ID: lot.ID, BotanicalName: lot.BotanicalName, House: w.houseOf(lot), Plants: lot.Plants, OfficialHolds: held[lot.ID],
		})
	}
	return application, nil
}

// maskingHolds returns, by lot, the holds of authorities that lasted during the work
// and under which nothing may hide signs.
func maskingHolds(ctx context.Context, r postgres.Reader, w work, lots []stock.Lot) (map[string][]rules.OfficialHold, error) {
	ids := make([]string, len(lots))
	for i, lot := range lots {
		ids[i] = lot.ID
	}
	restrictions, err := stock.ReadRestrictions(ctx, r, w.nursery, ids)
	if err != nil {
		return nil, err
	}
	end := w.start
	if !w.end.IsZero() {
		end = w.end
	}
	return maskingOf(restrictions, w.start, end), nil
}

// maskingOf returns, by lot, those of some holds that lasted between two moments and
// under which nothing may hide signs.
func maskingOf(restrictions []stock.Restriction, start, end time.Time) map[string][]rules.OfficialHold {
	held := map[string][]rules.OfficialHold{}
	for _, restriction := range restrictions {
		over := !restriction.End.IsZero() && !restriction.End.After(start)
		if !restriction.NoMasking || over || restriction.Start.After(end) {
			continue
		}
		hold := rules.OfficialHold{Duty: restriction.Duty, Disorder: restriction.Disorder}
		if disorder, known := diagnosis.DisorderByID(restriction.Disorder); known {
			hold.Class = disorder.Class
		}
		held[restriction.Lot] = append(held[restriction.Lot], hold)
	}
	return held
}

func readTreatment(ctx context.Context, r postgres.Reader, field, nursery string, treated *treatmentv1.HouseTreatment) (rules.Treatment, error) {
	ids, err := resource.Parse(field+".house", treated.GetHouse(), "nurseries", "houses")
	if err != nil {
		return rules.Treatment{}, err
	}
	house, err := stock.ReadHouse(ctx, r, nursery, ids[1])
	if err != nil {
		return rules.Treatment{}, err
	}
	treatment := rules.Treatment{
		Field: field, House: house.ID, Site: SiteOf(house), Plants: treated.GetPlants(), Chemigation: treated.GetChemigation(),
		HouseArea: house.Area,
	}
	if treatment.Area, err = positive(field+".area", treated.GetArea(), AreaUnits()...); err != nil {
		return rules.Treatment{}, err
	}
	if treatment.MixVolume, err = positive(field+".mix_volume", treated.GetMixVolume(), MixUnits()...); err != nil {
		return rules.Treatment{}, err
	}
	for j, use := range treated.GetProducts() {
		line, err := readLine(ctx, r, fmt.Sprintf("%s.products[%d]", field, j), nursery, use)
		if err != nil {
			return rules.Treatment{}, err
		}
		treatment.Lines = append(treatment.Lines, line)
	}
	return treatment, nil
}

func readLine(ctx context.Context, r postgres.Reader, field, nursery string, use *treatmentv1.ProductUse) (rules.Line, error) {
	ids, err := resource.Parse(field+".product", use.GetProduct(), "nurseries", "products")
	if err != nil {
		return rules.Line{}, err
	}
	line := rules.Line{Field: field}
	if line.Product, err = products.ReadProduct(ctx, r, nursery, ids[1]); err != nil {
		return rules.Line{}, err
	}
	if use.GetContainer() != "" {
		named, err := resource.Parse(field+".container", use.GetContainer(), "nurseries", "products", "containers")
		if err != nil {
			return rules.Line{}, err
		}
		if named[1] != ids[1] {
			return rules.Line{}, fault.Field(field+".container", "container %s is of the product %s", named[2], named[1]).
				With("container", use.GetContainer()).With("product", use.GetProduct())
		}
		line.Store.Named = named[2]
	}
	line.Amount, err = positive(field+".amount", use.GetAmount(), products.AmountUnits(line.Product.Form)...)
	return line, err
}

// fillStore adds what the chemical store holds of each product.
func fillStore(ctx context.Context, r postgres.Reader, nursery string, application *rules.Application) error {
	var ids []string
	for _, treatment := range application.Treatments {
		for _, line := range treatment.Lines {
			ids = append(ids, line.Product.ID)
		}
	}
	held, err := products.ReadStore(ctx, r, nursery, ids)
	if err != nil {
		return err
	}
	day := application.Start.In(application.Zone).Format(time.DateOnly)
	for i := range application.Treatments {
		lines := application.Treatments[i].Lines
		for j := range lines {
			named := lines[j].Store.Named
			lines[j].Store = storeOf(held[lines[j].Product.ID], day)
			lines[j].Store.Named = named
			if err := addNamed(ctx, r, nursery, &lines[j], day); err != nil {
				return err
			}
		}
	}
	return nil
}

// storeOf returns what the store holds that had come by a day.
func storeOf(held products.StoreOf, day string) rules.Store {
	store := rules.Store{Counted: held.Counted}
	for _, container := range held.Containers {
		if container.ReceiveDate <= day {
			store.Containers = append(store.Containers, containerOf(container))
		}
	}
	return store
}

func containerOf(container products.Container) rules.Container {
	return rules.Container{ID: container.ID, Remaining: container.Remaining, ExpireDate: container.ExpireDate}
}

// addNamed adds a container that is named and by the books empty: the books may be
// wrong, which is another thing than a container that does not exist, or had not
// come by that day.
func addNamed(ctx context.Context, r postgres.Reader, nursery string, line *rules.Line, day string) error {
	named := line.Store.Named
	if named == "" || slices.ContainsFunc(line.Store.Containers, func(c rules.Container) bool { return c.ID == named }) {
		return nil
	}
	container, err := products.ReadContainer(ctx, r, nursery, line.Product.ID, named)
	if fault.Is(err, fault.NotFoundReason) {
		return nil
	}
	if err != nil {
		return err
	}
	if !container.Discarded && container.ReceiveDate <= day {
		line.Store.Containers = append(line.Store.Containers, containerOf(container))
	}
	return nil
}

// pastRow is one active ingredient of one application that a lot got.
type pastRow struct {
	lot, application   string
	start, end         time.Time
	method, disorder   string
	product            rules.PastProduct
	formulation        string
	active, group      string
	grams, squareMetre string
}

// readHistory returns what lots were treated with, wherever they stood, the lots
// that they were split from or joined with included. Plants that went from one lot
// to another while the work went on may have got it, so they did. A lot that stood
// in none of the houses treated, because it moved on the same day, counts as
// treated with everything.
func readHistory(ctx context.Context, r postgres.Reader, nursery string, lots []string) (rules.History, error) {
	lineage, err := stock.ReadLineage(ctx, r, nursery, lots)
	if err != nil {
		return nil, err
	}
	var of, ancestors []string
	var until []time.Time
	for _, line := range lineage {
		of, ancestors, until = append(of, line.Lot), append(ancestors, line.Ancestor), append(until, line.Until)
	}
	rows, err := r.Query(ctx, `
		SELECT DISTINCT line.lot, a.id, a.start_time, a.end_time, a.method, a.disorder,
			p.product, p.display_name, p.registration_number, p.formulation, p.active_ingredient, p.frac_code,
			p.grams::text, p.area_m2::text
		FROM unnest(@lots::text[], @ancestors::text[], @until::timestamptz[]) AS line (lot, ancestor, until)
		JOIN treatment.application_lot t ON t.nursery = @nursery AND t.lot = line.ancestor
		JOIN treatment.application a ON a.nursery = t.nursery AND a.id = t.application AND a.start_time <= line.until
		JOIN treatment.application_active p ON p.nursery = a.nursery AND p.application = a.id
			AND (p.house = t.house OR NOT EXISTS (
				SELECT FROM treatment.application_active other
				WHERE other.nursery = a.nursery AND other.application = a.id AND other.house = t.house))
		ORDER BY line.lot, a.end_time, a.id, p.product, p.active_ingredient`,
		pgx.NamedArgs{"nursery": nursery, "lots": of, "ancestors": ancestors, "until": until})
	if err != nil {
		return nil, postgres.Translate(err)
	}
	past, err := pgx.CollectRows(rows, scanPast)
	if err != nil {
		return nil, postgres.Translate(err)
	}
	return historyOf(past)
}

func scanPast(row pgx.CollectableRow) (pastRow, error) {
	var p pastRow
	err := row.Scan(&p.lot, &p.application, &p.start, &p.end, &p.method, &p.disorder, &p.product.ID, &p.product.DisplayName,
		&p.product.RegistrationNumber, &p.formulation, &p.active, &p.group, &p.grams, &p.squareMetre)
	return p, err
}

// historyOf gathers rows, which come in order, into applications.
func historyOf(rows []pastRow) (rules.History, error) {
	history := rules.History{}
	for _, row := range rows {
		past := history[row.lot]
		if len(past) == 0 || past[len(past)-1].ID != row.application {
			application, err := row.begin()
			if err != nil {
				return nil, err
			}
			past = append(past, application)
		}
		if err := row.addTo(&past[len(past)-1]); err != nil {
			return nil, err
		}
		history[row.lot] = past
	}
	return history, nil
}

// begin returns the application of a row without its products.
func (p pastRow) begin() (rules.Past, error) {
	method, err := products.ParseMethod(p.method)
	if err != nil {
		return rules.Past{}, fmt.Errorf("application %s: %w", p.application, err)
	}
	class := diagnosisv1.DisorderClass_DISORDER_CLASS_UNSPECIFIED
	if disorder, known := diagnosis.DisorderByID(p.disorder); known {
		class = disorder.Class
	}
	return rules.Past{ID: p.application, Start: p.start, End: p.end, Method: method, Disorder: p.disorder, Class: class}, nil
}

// addTo adds the active ingredient of a row to its application.
func (p pastRow) addTo(application *rules.Past) error {
	grams, ok := new(big.Rat).SetString(p.grams)
	area, known := new(big.Rat).SetString(p.squareMetre)
	if !ok || !known || area.Sign() <= 0 {
		return fmt.Errorf("application %s: %q g on %q m2", p.application, p.grams, p.squareMetre)
	}
	active := rules.PastActive{ID: p.active, Group: p.group}
	if application.Method != productsv1.Method_METHOD_BATH {
		// Most of a bath stays in the bath: what went on the plants is not known.
		active.PerArea = grams.Quo(grams, area)
	}
	if active.Group == "" {
		if known, ok := products.ActiveIngredientByID(p.active); ok {
			active.Group = known.FRACCode
		}
	}
	// Rows of several houses are what the lot may have got: it stood in one of them.
	if before := lastActive(application, p.product.ID, p.active); before != nil {
		if active.PerArea != nil && (before.PerArea == nil || active.PerArea.Cmp(before.PerArea) > 0) {
			before.PerArea = active.PerArea
		}
		return nil
	}
	last := len(application.Products) - 1
	if last < 0 || application.Products[last].ID != p.product.ID {
		product := p.product
		product.Formulation = productsv1.Formulation(productsv1.Formulation_value[formulationPrefix+p.formulation])
		application.Products = append(application.Products, product)
		last++
	}
	application.Products[last].Actives = append(application.Products[last].Actives, active)
	return nil
}

// lastActive returns the last active ingredient of an application when it is the
// one of a product, or nil.
func lastActive(application *rules.Past, product, active string) *rules.PastActive {
	if len(application.Products) == 0 {
		return nil
	}
	last := &application.Products[len(application.Products)-1]
	if last.ID != product || len(last.Actives) == 0 || last.Actives[len(last.Actives)-1].ID != active {
		return nil
	}
	return &last.Actives[len(last.Actives)-1]
}

// insertFacts writes what the rules will count of an application.
func insertFacts(ctx context.Context, tx pgx.Tx, a *application, facts rules.Application) error {
	if err := insertLots(ctx, tx, a, facts.Lots); err != nil {
		return err
	}
	for _, treatment := range facts.Treatments {
		area, err := treatment.Area.Exact().In(quantity.SquareMetre)
		if err != nil {
			return err
		}
		for _, line := range treatment.Lines {
			if err := insertActives(ctx, tx, a, treatment.House, area, line); err != nil {
				return err
			}
		}
	}
	return nil
}

func insertLots(ctx context.Context, tx pgx.Tx, a *application, lots []rules.Lot) error {
	var ids, houses []string
	for _, lot := range lots {
		ids, houses = append(ids, lot.ID), append(houses, lot.House)
	}
	_, err := tx.Exec(ctx, `
		INSERT INTO treatment.application_lot (nursery, lot, application, house)
		SELECT @nursery, lot, @application, house FROM unnest(@lots::text[], @houses::text[]) AS l (lot, house)`,
		pgx.NamedArgs{"nursery": a.nursery, "application": a.id, "lots": ids, "houses": houses})
	return err
}

// formulationPrefix begins the contract's names of formulations; rows leave it off.
const formulationPrefix = "FORMULATION_"

// areaPlaces keep an area in m2 exactly where the metric and US units allow it.
const areaPlaces = 12

// insertActives writes the active ingredients of a product. A product stands once
// for each house in an application: checkTreatments holds that.
func insertActives(ctx context.Context, tx pgx.Tx, a *application, house string, area quantity.Exact, line rules.Line) error {
	actives, err := line.Product.ActivesIn(line.Amount)
	if err != nil {
		return fault.Field(line.Field+".amount", "%s", err)
	}
	for _, active := range actives {
		_, err := tx.Exec(ctx, `
			INSERT INTO treatment.application_active (nursery, application, house, product, display_name, registration_number,
				formulation, active_ingredient, frac_code, grams, area_m2)
			VALUES (@nursery, @application, @house, @product, @name, @registration, @formulation, @active, @group,
				@grams::text::numeric, @area::text::numeric)`,
			pgx.NamedArgs{
				"nursery": a.nursery, "application": a.id, "house": house, "product": line.Product.ID,
				"name": line.Product.DisplayName, "registration": line.Product.RegistrationNumber,
				"formulation": strings.TrimPrefix(line.Product.Formulation.String(), formulationPrefix), "active": active.ActiveIngredient.ID,
				"group": active.ActiveIngredient.FRACCode, "grams": active.Amount.Plain(), "area": area.Amount().FloatString(areaPlaces),
			})
		if err != nil {
			return err
		}
	}
	return nil
}
