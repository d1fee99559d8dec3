package treatment

import (
	"cmp"
	"context"
	"slices"
	"strings"
	"time"

	identityv1 "velamen/gen/velamen/identity/v1"
	productsv1 "velamen/gen/velamen/products/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/fault"
	"velamen/internal/postgres"
	"velamen/internal/resource"
	"velamen/services/identity"
	"velamen/services/stock"
	"velamen/services/treatment/rules"
)

// treatedPlaces is what the records say of where an application was made, as it was
// while the work went on.
type treatedPlaces struct {
	houses map[string]stock.House
	// lots are those treated, stays where they stood during the work.
	lots  []stock.Lot
	stays []stock.Stay
	// benches are all of the nursery, by house and id.
	benches []stock.Bench
	// apart is the isolation bench that the lots were set apart on, as confirmed; the books
	// may not have them there yet.
	apart stock.BenchID
}

func readTreatedPlaces(ctx context.Context, r postgres.Reader, a *application, w work) (treatedPlaces, error) {
	where := treatedPlaces{houses: map[string]stock.House{}, apart: stock.BenchID{House: w.isolatedIn, Bench: w.isolatedOn}}
	houses, err := stock.ReadHouses(ctx, r, a.nursery)
	if err != nil {
		return where, err
	}
	for _, house := range houses {
		where.houses[house.ID] = house
	}
	if where.lots, err = stock.ReadLots(ctx, r, a.nursery, a.lots); err != nil {
		return where, err
	}
	if where.benches, err = stock.ReadBenches(ctx, r, a.nursery); err != nil {
		return where, err
	}
	stays, err := stock.ReadStays(ctx, r, a.nursery, a.start)
	for _, stay := range stays {
		if slices.Contains(a.lots, stay.Lot) && stay.Until.After(a.start) && !stay.From.After(a.end) {
			where.stays = append(where.stays, stay)
		}
	}
	return where, err
}

// lotsIn returns the lots treated that are in a house. Lots that moved to the isolation
// bench a moment ago may still be listed elsewhere; then all lots are returned rather
// than none.
func (w treatedPlaces) lotsIn(house string) []stock.Lot {
	var here []stock.Lot
	for _, lot := range w.lots {
		if lot.House == house {
			here = append(here, lot)
		}
	}
	if len(here) == 0 {
		return w.lots
	}
	return here
}

// benchesIn returns what the benches of a house are called on which lots treated stood
// during the work. Where the books have no such lot there, it is the bench that the lots
// were set apart on, if that is in the house; else none.
func (w treatedPlaces) benchesIn(house string) []string {
	var stood, apart []string
	for _, bench := range w.benches {
		if bench.House != house {
			continue
		}
		at, called := stock.BenchID{House: bench.House, Bench: bench.ID}, cmp.Or(bench.DisplayName, bench.ID)
		if at == w.apart {
			apart = []string{called}
		}
		if slices.ContainsFunc(w.stays, func(stay stock.Stay) bool { return stay.Bench == at }) {
			stood = append(stood, called)
		}
	}
	if len(stood) == 0 {
		return apart
	}
	return stood
}

// describe adds what the house was on the day.
func (h *HouseApplied) describe(house stock.House) {
	h.DisplayName, h.Setting = house.DisplayName, siteWord(SiteOf(house))
	h.SiteNumber, h.FacilityNumber, h.LegalLocation = house.SiteNumber, house.FacilityNumber, house.LegalLocation
	h.PlantedArea = house.PlantedArea
}

// crops returns the botanical names of lots, by name.
func crops(lots []stock.Lot) []string {
	names := make([]string, len(lots))
	for i, lot := range lots {
		names[i] = lot.BotanicalName
	}
	slices.Sort(names)
	return slices.Compact(names)
}

// cropCodes returns the EPPO codes of lots that have one, by name and code. A code is
// one of the taxon, so one lot that has it tells it of all.
func cropCodes(lots []stock.Lot) []CropCodeApplied {
	var codes []CropCodeApplied
	for _, lot := range lots {
		if lot.EPPOCode != "" {
			codes = append(codes, CropCodeApplied{Crop: lot.BotanicalName, EPPOCode: lot.EPPOCode})
		}
	}
	slices.SortFunc(codes, func(a, b CropCodeApplied) int {
		return cmp.Or(strings.Compare(a.Crop, b.Crop), strings.Compare(a.EPPOCode, b.EPPOCode))
	})
	return slices.Compact(codes)
}

// validCertificate returns the number of a certificate of a person that was valid on a
// day, YYYY-MM-DD: the first, which is the one that the rule of certified applicators
// takes. Empty for none.
func validCertificate(person identity.Person, day string) string {
	for _, certificate := range person.Certificates {
		if certificate.ExpireDate >= day {
			return certificate.Number
		}
	}
	return ""
}

// supervisor reads who supervised an application; nil where nobody is named. It must be
// somebody else who works in the nursery.
func supervisor(ctx context.Context, r postgres.Reader, nursery, field, name string, performer identity.Person) (*identity.Person, error) {
	if name == "" {
		return nil, nil
	}
	ids, err := resource.Parse(field, name, "nurseries", "people")
	if err != nil {
		return nil, err
	}
	person, err := identity.ReadPerson(ctx, r, nursery, ids[1])
	switch {
	case err != nil:
		return nil, err
	case person.Disabled:
		return nil, fault.Field(field, "%s no longer works in the nursery", person.DisplayName).With("person", person.ID)
	case person.Role == identityv1.Role_ROLE_AUDITOR:
		return nil, fault.Field(field, "%s audits and does no work in the nursery", person.DisplayName).With("person", person.ID)
	case person.ID == performer.ID:
		return nil, fault.Field(field, "%s applied it: name somebody else, or nobody", person.DisplayName).With("person", person.ID)
	}
	return &person, nil
}

// checkSupervisor refuses a supervisor without a certificate that is valid on the last
// day of the work. Whoever applies a restricted-use product is held to a certificate of
// their own all the same.
func checkSupervisor(facts rules.Application, w work) error {
	if w.supervisor == nil {
		return nil
	}
	day := w.end.In(facts.Zone).Format(time.DateOnly)
	if validCertificate(*w.supervisor, day) != "" {
		return nil
	}
	return fault.FieldReason(fault.Precondition, fault.CertificateMissing, w.path+".supervisor",
		"%s holds no certificate that is valid on %s, and supervises nobody without one", w.supervisor.DisplayName, day).
		With("person", w.supervisor.ID).With("day", day)
}

// siteWord is how a site stands in the records; empty where it is not known.
func siteWord(site productsv1.Site) string {
	if site == productsv1.Site_SITE_UNSPECIFIED {
		return ""
	}
	return strings.TrimPrefix(site.String(), "SITE_")
}

// answerWord is YES or NO; empty where nobody answered.
func answerWord(answer productsv1.LabelAnswer) string {
	if answer == productsv1.LabelAnswer_LABEL_ANSWER_UNSPECIFIED {
		return ""
	}
	return strings.TrimPrefix(answer.String(), "LABEL_ANSWER_")
}

// formWord and dropletsWord are how a spray stands in the records, in words.
func formWord(form treatmentv1.ApplicationForm) string {
	if form == treatmentv1.ApplicationForm_APPLICATION_FORM_UNSPECIFIED {
		return ""
	}
	return plainWord(form.String(), "APPLICATION_FORM_")
}

func dropletsWord(droplets treatmentv1.DropletClass) string {
	if droplets == treatmentv1.DropletClass_DROPLET_CLASS_UNSPECIFIED {
		return ""
	}
	return plainWord(droplets.String(), "DROPLET_CLASS_")
}

func plainWord(name, prefix string) string {
	return strings.ReplaceAll(strings.ToLower(strings.TrimPrefix(name, prefix)), "_", " ")
}
