package treatment

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	productsv1 "velamen/gen/velamen/products/v1"
	stockv1 "velamen/gen/velamen/stock/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/postgres"
	"velamen/internal/quantity"
	"velamen/internal/resource"
	"velamen/services/diagnosis"
	"velamen/services/identity"
	"velamen/services/products"
	"velamen/services/stock"
	"velamen/services/treatment/entry"
)

// ReadPremises returns what decides which houses are open at a moment and after it.
// Applications that closed something only before it are left out; those that stay closed
// until a fact is entered are there however old they are.
func ReadPremises(ctx context.Context, r postgres.Reader, nursery string, now time.Time) (Premises, error) {
	n, err := identity.ReadNursery(ctx, r, nursery)
	if err != nil {
		return Premises{}, err
	}
	houses, err := stock.ReadHouses(ctx, r, nursery)
	if err != nil {
		return Premises{}, err
	}
	p := Premises{Nursery: entry.Nursery{Jurisdiction: n.Jurisdiction, Zone: n.Zone}}
	var covered []string
	for _, house := range houses {
		known := houseOfEntry(house)
		p.Nursery.Houses = append(p.Nursery.Houses, known)
		if known.Enclosed != entry.No {
			covered = append(covered, house.ID)
		}
	}
	return p, p.readApplied(ctx, r, nursery, covered, now)
}

// houseOfEntry returns a house as the rules of entry see it. A covering that is not
// entered leaves open whether it is enclosed.
func houseOfEntry(house stock.House) entry.House {
	known := entry.House{
		ID: house.ID, Name: house.DisplayName, Volume: house.Volume,
		Fans: entry.FactOf(house.FanCapacity.Positive()), FanFlow: house.FanCapacity, Vents: entry.FactOf(house.PassiveVents),
		AdjoiningEntered: len(house.Adjoining) > 0, Unsealed: house.Adjoining,
	}
	switch house.Covering {
	case stockv1.Covering_COVERING_GLASS, stockv1.Covering_COVERING_RIGID_PLASTIC, stockv1.Covering_COVERING_FILM:
		known.Enclosed = entry.Yes
	case stockv1.Covering_COVERING_NET:
		known.Enclosed = entry.No
	}
	return known
}

// readApplied adds what was applied, where, and how it was aired. Covered are the ids of
// the houses that are not known to be outdoors.
func (p *Premises) readApplied(ctx context.Context, r postgres.Reader, nursery string, covered []string, now time.Time) error {
	labels, err := readLabels(ctx, r, nursery)
	if err != nil {
		return err
	}
	signs, err := readSigns(ctx, r, nursery, now)
	if err != nil {
		return err
	}
	applied, err := readMattering(ctx, r, nursery, labels, covered, signs, now)
	if err != nil || len(applied) == 0 {
		return err
	}
	if err := p.readPlaces(ctx, r, nursery, applied); err != nil {
		return err
	}
	air, err := readAir(ctx, r, nursery, applied, labels)
	if err != nil {
		return err
	}
	lots, err := readTreatedLots(ctx, r, nursery, applied)
	if err != nil {
		return err
	}
	for _, a := range applied {
		if err := p.add(a, labels, lots, signs, air); err != nil {
			return fmt.Errorf("application %s: %w", a.id, err)
		}
	}
	if p.Airings, err = readAirings(ctx, r, nursery, applied[0].start, p.Nursery.Houses); err != nil {
		return err
	}
	p.endForgotten()
	return nil
}

// readMattering returns the applications that can close something at a moment or after
// it, by start: their interval or the longest that any label says now, the time that airs
// a house that stays shut, or their signs last longer, or what would end it is not entered.
func readMattering(ctx context.Context, r postgres.Reader, nursery string, labels labels, covered []string, signs map[signed]entry.Signs, now time.Time) ([]*application, error) {
	var withSigns []string
	for of := range signs {
		withSigns = append(withSigns, of.application)
	}
	// A minute is allowed for the rounding of hours; an application that is read too many
	// closes nothing.
	least := max(entry.LongestAiring(), labels.longestInterval())
	found, err := readApplications(ctx, r, `
		nursery = @nursery AND (
			rei_hours IS NULL
			OR end_time + greatest(rei_hours * interval '1 hour', @least::interval) > @now::timestamptz - interval '1 minute'
			OR id = ANY(@signs::text[])
			OR id IN (
				SELECT t.application FROM treatment.application_active t
				WHERE t.nursery = @nursery AND t.product = ANY(@products::text[]) AND t.house = ANY(@covered::text[])))
		ORDER BY start_time, id`,
		pgx.NamedArgs{
			"nursery": nursery, "least": least, "now": now, "signs": withSigns, "products": labels.neverAiredByTime(), "covered": covered,
		})
	return found, postgres.Translate(err)
}

// readPlaces adds where lots stood since the first of some applications began.
func (p *Premises) readPlaces(ctx context.Context, r postgres.Reader, nursery string, applied []*application) error {
	benches, err := stock.ReadBenches(ctx, r, nursery)
	if err != nil {
		return err
	}
	p.benches = map[stock.BenchID]stock.Bench{}
	for _, bench := range benches {
		p.benches[stock.BenchID{House: bench.House, Bench: bench.ID}] = bench
	}
	stays, err := stock.ReadStays(ctx, r, nursery, applied[0].start)
	if err != nil {
		return err
	}
	p.lots = map[string][]stock.Stay{}
	for _, stay := range stays {
		p.lots[stay.Lot] = append(p.lots[stay.Lot], stay)
	}
	transfers, err := stock.ReadTransfers(ctx, r, nursery, applied[0].start)
	if err != nil {
		return err
	}
	p.transfers = map[string][]stock.Transfer{}
	for _, transfer := range transfers {
		p.transfers[transfer.From] = append(p.transfers[transfer.From], transfer)
	}
	var treated []string
	for _, a := range applied {
		treated = append(treated, a.lots...)
	}
	slices.Sort(treated)
	lots, err := stock.ReadLots(ctx, r, nursery, slices.Compact(treated))
	if err != nil {
		return err
	}
	p.crops = map[string]string{}
	for _, lot := range lots {
		p.crops[lot.ID] = lot.BotanicalName
	}
	return nil
}

// carriers returns the lots into which plants of some lots went from a moment on, also
// through others, in order; those lots themselves are left out.
func (p *Premises) carriers(lots []string, from time.Time) []string {
	since := map[string]time.Time{}
	for _, lot := range lots {
		since[lot] = from
	}
	var carriers []string
	for queue := slices.Clone(lots); len(queue) > 0; queue = queue[1:] {
		for _, transfer := range p.transfers[queue[0]] {
			earlier, known := since[transfer.Into]
			if transfer.Time.Before(since[queue[0]]) || (known && !transfer.Time.Before(earlier)) {
				continue
			}
			since[transfer.Into] = transfer.Time
			queue = append(queue, transfer.Into)
			if !known {
				carriers = append(carriers, transfer.Into)
			}
		}
	}
	slices.Sort(carriers)
	return carriers
}

// treatedLots are the lots of applications with the house in which each stood; empty in
// applications that were entered before that was kept.
type treatedLots map[string]map[string]string

func readTreatedLots(ctx context.Context, r postgres.Reader, nursery string, applied []*application) (treatedLots, error) {
	rows, err := r.Query(ctx, `
		SELECT application, lot, house FROM treatment.application_lot
		WHERE nursery = $1 AND application = ANY($2::text[])`, nursery, applicationIDs(applied))
	if err != nil {
		return nil, postgres.Translate(err)
	}
	lots := treatedLots{}
	var application, lot, house string
	_, err = pgx.ForEachRow(rows, []any{&application, &lot, &house}, func() error {
		if lots[application] == nil {
			lots[application] = map[string]string{}
		}
		lots[application][lot] = house
		return nil
	})
	return lots, postgres.Translate(err)
}

func applicationIDs(applied []*application) []string {
	ids := make([]string, len(applied))
	for i, a := range applied {
		ids[i] = a.id
	}
	return ids
}

// in returns the lots that an application treated in a house, in order. A lot that stood
// in none of the houses treated, or of which that is not known, counts in each.
func (l treatedLots) in(a *application, house string) []string {
	var lots []string
	for _, lot := range a.lots {
		stood, listed := l[a.id][lot]
		elsewhere := listed && stood != "" && stood != house && slices.ContainsFunc(a.treatments, func(t *treatmentv1.HouseTreatment) bool {
			return t.GetHouse() == resource.Of("nurseries", a.nursery, "houses", stood)
		})
		if !elsewhere {
			lots = append(lots, lot)
		}
	}
	slices.Sort(lots)
	return lots
}

// benchesOf returns the benches of a house on which lots stood while something was
// applied to them, in order; none when that is not known of one of them, or when more was
// treated than these benches.
func (p *Premises) benchesOf(house string, lots []string, area quantity.Quantity, start, end time.Time) []string {
	var benches []string
	for _, lot := range lots {
		known := false
		for _, stay := range p.lots[lot] {
			if stay.From.After(end) || !stay.Until.After(start) || stay.Bench.House != house {
				continue
			}
			known = known || !stay.From.After(start)
			if !slices.Contains(benches, stay.Bench.Bench) {
				benches = append(benches, stay.Bench.Bench)
			}
		}
		if !known {
			return nil
		}
	}
	slices.Sort(benches)
	room := quantity.Must("0", quantity.SquareMetre).Exact()
	for _, id := range benches {
		wider, err := room.Add(p.benches[stock.BenchID{House: house, Bench: id}].Area.Exact())
		if err != nil {
			return nil
		}
		room = wider
	}
	if more, err := area.Exact().Compare(room); err != nil || more > 0 {
		return nil
	}
	return benches
}

// add turns one application into what it closes, house by house.
func (p *Premises) add(a *application, labels labels, lots treatedLots, signs map[signed]entry.Signs, air map[signed][]entry.Measurement) error {
	var interval quantity.Quantity
	var err error
	if a.reiHours != "" {
		if interval, err = quantity.New(a.reiHours, quantity.Hour); err != nil {
			return err
		}
	}
	for _, treated := range a.treatments {
		ids, err := resource.Parse("house", treated.GetHouse(), "nurseries", "houses")
		if err != nil {
			return err
		}
		house := ids[1]
		area, err := quantity.FromContract(treated.GetArea())
		if err != nil {
			return err
		}
		of := Treated{Lots: lots.in(a, house)}
		of.Benches, of.Carriers = p.benchesOf(house, of.Lots, area, a.start, a.end), p.carriers(of.Lots, a.start)
		height, err := quantity.FromContract(treated.GetHeight())
		if err != nil {
			return err
		}
		made := entry.Application{
			ID: a.id, House: house, Where: inBenches(of.Benches), Start: a.start.UTC(), End: a.end.UTC(),
			Form: formOf(a.method, treated), Droplets: dropletsOf(treated.GetDroplets()), Height: height,
			Signs: signs[signed{a.id, house}], Air: air[signed{a.id, house}],
		}
		for _, use := range treated.GetProducts() {
			product, err := labels.product(use.GetProduct(), p.useIn(a, house, of.Lots), interval)
			if err != nil {
				return err
			}
			made.Products = append(made.Products, product)
		}
		p.Applications, p.Treated = append(p.Applications, made), append(p.Treated, of)
	}
	return nil
}

// useIn returns what the products of an application were used for on some lots of a house.
func (p *Premises) useIn(a *application, house string, lots []string) products.Use {
	use := products.Use{Method: a.method, Disorder: a.disorder}
	if disorder, known := diagnosis.DisorderByID(a.disorder); known {
		use.Class = disorder.Class
	}
	for _, known := range p.Nursery.Houses {
		if known.ID == house {
			use.Site = sites[known.Enclosed]
		}
	}
	for _, lot := range lots {
		if !slices.Contains(use.Crops, p.crops[lot]) {
			use.Crops = append(use.Crops, p.crops[lot])
		}
	}
	return use
}

// sites are the places that labels tell apart, by whether a house is enclosed (SiteOf).
var sites = map[entry.Fact]productsv1.Site{
	entry.Yes: productsv1.Site_SITE_GREENHOUSE, entry.No: productsv1.Site_SITE_OUTDOOR,
}

// inBenches is what was treated in words; empty where it is not known.
func inBenches(benches []string) string {
	switch len(benches) {
	case 0:
		return ""
	case 1:
		return "bench " + benches[0]
	default:
		return "benches " + strings.Join(benches, ", ")
	}
}

// endForgotten ends an airing of which nobody wrote the end when the next application in
// its house begins. Whether it went on is not known then: whoever airs after that
// application says so anew. Design value, on the side of caution.
func (p *Premises) endForgotten() {
	for i := range p.Airings {
		airing := &p.Airings[i]
		for _, a := range p.Applications {
			if a.House == airing.House && airing.End.IsZero() && a.Start.After(airing.Start) {
				airing.End = a.Start
			}
		}
	}
}

// labels are what the labels of a nursery's products say now.
type labels struct {
	byID map[string]products.Product
	// twice are the display names that more than one product has.
	twice map[string]bool
}

func readLabels(ctx context.Context, r postgres.Reader, nursery string) (labels, error) {
	all, err := products.ReadProducts(ctx, r, nursery)
	if err != nil {
		return labels{}, err
	}
	known := labels{byID: map[string]products.Product{}, twice: map[string]bool{}}
	names := map[string]bool{}
	for _, product := range all {
		known.byID[product.ID] = product
		known.twice[product.DisplayName] = known.twice[product.DisplayName] || names[product.DisplayName]
		names[product.DisplayName] = true
	}
	return known, nil
}

// longestInterval returns the longest restricted-entry interval that a label says.
func (l labels) longestInterval() time.Duration {
	var all entry.Application
	for _, product := range l.byID {
		for _, direction := range product.Directions {
			all.Products = append(all.Products, entry.Product{Name: product.ID, Interval: direction.RestrictedEntryInterval})
		}
	}
	return entry.Nursery{}.IntervalOf(all).Length
}

// neverAiredByTime returns the ids of the products after which time alone airs no house:
// their labels have the air measured, or nobody entered whether they do.
func (l labels) neverAiredByTime() []string {
	var ids []string
	for id, product := range l.byID {
		if entryFacts(product).Inhalation != entry.No {
			ids = append(ids, id)
		}
	}
	slices.Sort(ids)
	return ids
}

// nameOf is what a product is called in sentences and in measurements of the air.
func (l labels) nameOf(product products.Product) string {
	if l.twice[product.DisplayName] || product.DisplayName == "" {
		return fmt.Sprintf("%s (%s)", product.DisplayName, product.ID)
	}
	return product.DisplayName
}
