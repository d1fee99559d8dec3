package treatment

import (
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	identityv1 "velamen/gen/velamen/identity/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/clock"
	"velamen/internal/fault"
	"velamen/internal/quantity"
	"velamen/internal/resource"
	"velamen/services/identity"
	"velamen/services/products"
	"velamen/services/stock"
)

// apply records the application of a confirmation and sends it to the ledger.
// It returns the application's name.
func (s *Service) apply(ctx context.Context, tx pgx.Tx, p *program, lots []string, step Step, performer identity.Person, c confirming) (string, error) {
	lines, err := readMix(ctx, tx, p.nursery, c)
	if err != nil {
		return "", err
	}
	used, err := readGroups(ctx, tx, p.nursery, []string{p.id})
	if err != nil {
		return "", err
	}
	before := used.before(p.id, step)
	facts, err := CheckMix(lines, MixUse{
		Method: methodOf(step.Kind), Class: p.disorderClass, UsedBefore: before,
		Candidates: OpenCandidates(p.templateStep(step.Key).GetCandidateActiveIngredients(), before),
	})
	if err != nil {
		return "", err
	}
	if facts.RestrictedUse {
		if err := s.checkCertificate(ctx, tx, p.nursery, performer, c); err != nil {
			return "", err
		}
	}
	a := &application{
		nursery: p.nursery, id: fmt.Sprintf("%s-%s-%d", p.id, step.ID(), step.Attempts+1), program: p.id, step: step.ID(),
		method: methodOf(step.Kind), disorder: p.disorder, treatments: c.confirmation.GetTreatments(), lots: lots,
		start: clock.Stored(c.confirmation.GetStartTime().AsTime()), end: clock.Stored(c.confirmation.GetEndTime().AsTime()),
		applicator: performer.ID, reiHours: facts.RestrictedEntryInterval.Plain(), created: s.db.Now(),
	}
	if err := insertApplication(ctx, tx, a, step.Key, step.Round, facts.Groups); err != nil {
		return "", err
	}
	name := resource.Of("nurseries", a.nursery, "applications", a.id)
	return name, s.sendToLedger(ctx, tx, a, name, facts, performer, lines)
}

// readMix reads the products of a confirmation, house by house.
func readMix(ctx context.Context, tx pgx.Tx, nursery string, c confirming) ([]MixLine, error) {
	var lines []MixLine
	for i, treated := range c.confirmation.GetTreatments() {
		at := fmt.Sprintf("%s.treatments[%d]", c.path, i)
		if err := checkHouse(ctx, tx, at+".house", nursery, treated); err != nil {
			return nil, err
		}
		volume, err := positive(at+".mix_volume", treated.GetMixVolume(), quantity.Litre)
		if err != nil {
			return nil, err
		}
		for j, use := range treated.GetProducts() {
			field := fmt.Sprintf("%s.products[%d]", at, j)
			line, err := readLine(ctx, tx, field, nursery, use)
			if err != nil {
				return nil, err
			}
			line.Volume = volume
			lines = append(lines, line)
		}
	}
	return lines, nil
}

func readLine(ctx context.Context, tx pgx.Tx, field, nursery string, use *treatmentv1.ProductUse) (MixLine, error) {
	ids, err := resource.Parse(field+".product", use.GetProduct(), "nurseries", "products")
	if err != nil {
		return MixLine{}, err
	}
	product, err := products.ReadProduct(ctx, tx, nursery, ids[1])
	if err != nil {
		return MixLine{}, err
	}
	amount, err := positive(field+".amount", use.GetAmount(), products.AmountUnits(product.Form)...)
	return MixLine{Field: field, Product: product, Amount: amount}, err
}

// checkHouse refuses a house that the nursery does not have.
func checkHouse(ctx context.Context, tx pgx.Tx, field, nursery string, treated *treatmentv1.HouseTreatment) error {
	ids, err := resource.Parse(field, treated.GetHouse(), "nurseries", "houses")
	if err != nil {
		return err
	}
	_, err = stock.ReadHouse(ctx, tx, nursery, ids[1])
	return err
}

// checkCertificate refuses a restricted-use product from a person without a
// certificate that is valid on the day on which the work ended, in the nursery's
// zone, and a worker who confirms one in another's name.
func (s *Service) checkCertificate(ctx context.Context, tx pgx.Tx, nursery string, performer identity.Person, c confirming) error {
	if c.caller.Role == identityv1.Role_ROLE_WORKER && c.caller.Person != performer.ID {
		return fault.New(fault.Denied, fault.PermissionDenied,
			"the mix has a restricted-use product: %s, who applied it, or a manager confirms it", performer.DisplayName).With("person", performer.ID)
	}
	n, err := identity.ReadNursery(ctx, tx, nursery)
	if err != nil {
		return err
	}
	day := c.confirmation.GetEndTime().AsTime().In(n.Zone).Format(time.DateOnly)
	valid := slices.ContainsFunc(performer.Certificates, func(held identity.Certificate) bool { return held.ExpireDate >= day })
	if valid {
		return nil
	}
	return fault.FieldReason(fault.Precondition, fault.CertificateMissing, c.path+".performer",
		"%s holds no certificate that is valid on %s, and the mix has a restricted-use product", performer.DisplayName, day).
		With("person", performer.ID).With("day", day)
}

// sendToLedger writes the application with all the facts of the day to the
// outbox. The nursery is the subject, so that its ledger keeps the order.
func (s *Service) sendToLedger(ctx context.Context, tx pgx.Tx, a *application, name string, facts MixFacts, performer identity.Person, lines []MixLine) error {
	event := ApplicationConfirmed{
		Application: name, Step: stepName(a.nursery, a.program, a.step), Disorder: a.disorder,
		Method: products.MethodText(a.method), Start: a.start, End: a.end,
		Applicator:              resource.Of("nurseries", a.nursery, "people", performer.ID),
		ApplicatorDisplayName:   performer.DisplayName,
		RestrictedEntryInterval: facts.RestrictedEntryInterval,
	}
	lots, err := stock.ReadLots(ctx, tx, a.nursery, a.lots)
	if err != nil {
		return err
	}
	for _, treated := range a.treatments {
		applied, err := houseApplied(a.nursery, treated, lots, lines)
		if err != nil {
			return err
		}
		lines = lines[len(treated.GetProducts()):]
		event.Houses = append(event.Houses, applied)
	}
	return s.outbox.Write(ctx, tx, TopicApplicationConfirmed, a.nursery, resource.Of("nurseries", a.nursery), event)
}

func houseApplied(nursery string, treated *treatmentv1.HouseTreatment, lots []stock.Lot, lines []MixLine) (HouseApplied, error) {
	area, err := quantity.FromContract(treated.GetArea())
	if err != nil {
		return HouseApplied{}, err
	}
	applied := HouseApplied{House: treated.GetHouse(), Area: area, MixVolume: lines[0].Volume, Crops: crops(nursery, treated.GetHouse(), lots)}
	for _, line := range lines[:len(treated.GetProducts())] {
		product, err := productApplied(nursery, line)
		if err != nil {
			return HouseApplied{}, err
		}
		applied.Products = append(applied.Products, product)
	}
	return applied, nil
}

// crops returns the botanical names of the lots in a house. Lots that moved to
// the isolation bench a moment ago may still be listed elsewhere; then all the
// program's lots are named rather than none.
func crops(nursery, house string, lots []stock.Lot) []string {
	var here, all []string
	for _, lot := range lots {
		all = append(all, lot.BotanicalName)
		if resource.Of("nurseries", nursery, "houses", lot.House) == house {
			here = append(here, lot.BotanicalName)
		}
	}
	if len(here) == 0 {
		here = all
	}
	slices.Sort(here)
	return slices.Compact(here)
}

func productApplied(nursery string, line MixLine) (ProductApplied, error) {
	applied := ProductApplied{
		Product:     resource.Of("nurseries", nursery, "products", line.Product.ID),
		DisplayName: line.Product.DisplayName, RegistrationNumber: line.Product.RegistrationNumber,
		RestrictedUse: line.Product.RestrictedUse, Amount: line.Amount,
	}
	actives, err := line.Product.ActivesIn(line.Amount)
	if err != nil {
		return ProductApplied{}, fault.Field(line.Field+".amount", "%s", err)
	}
	for _, active := range actives {
		applied.Actives = append(applied.Actives, ActiveApplied{
			ActiveIngredient: active.ActiveIngredient.ID, FRACCode: active.ActiveIngredient.FRACCode,
			Content: active.Content, Amount: active.Amount,
		})
	}
	return applied, nil
}
