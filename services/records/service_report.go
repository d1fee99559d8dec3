package records

import (
	"context"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	recordsv1 "velamen/gen/velamen/records/v1"
	"velamen/internal/fault"
	"velamen/internal/resource"
	"velamen/services/identity"
	"velamen/services/records/report"
	"velamen/services/stock"
)

// reportFormats are the formats of the contract.
var reportFormats = map[recordsv1.UseReportFormat]report.Format{
	recordsv1.UseReportFormat_USE_REPORT_FORMAT_PDF: report.PDF, recordsv1.UseReportFormat_USE_REPORT_FORMAT_CSV: report.CSV,
	recordsv1.UseReportFormat_USE_REPORT_FORMAT_JSON: report.JSON, recordsv1.UseReportFormat_USE_REPORT_FORMAT_XLSX: report.XLSX,
}

// ExportUseReport lays out what a law asks for about the uses of some days.
func (s *Service) ExportUseReport(ctx context.Context, request *recordsv1.ExportUseReportRequest) (*recordsv1.ExportUseReportResponse, error) {
	ids, err := resource.Parse("parent", request.GetParent(), "nurseries")
	if err != nil {
		return nil, err
	}
	kind, err := report.Find(request.GetKind())
	if err != nil {
		return nil, fault.Field("kind", "%s", err).With("kind", request.GetKind())
	}
	if request.GetHouse() != "" {
		if _, err := resource.Parse("house", request.GetHouse(), "nurseries", "houses"); err != nil {
			return nil, err
		}
	}
	var document report.Document
	err = s.db.InSnapshot(ctx, func(tx pgx.Tx) (err error) {
		document, err = layOut(ctx, tx, ids[0], kind, request)
		return err
	})
	if err != nil {
		return nil, err
	}
	format := reportFormats[request.GetFormat()]
	data, err := report.Write(document, format)
	if err != nil {
		return nil, err
	}
	response := &recordsv1.ExportUseReportResponse{MediaType: format.MediaType(), Data: data, Caution: document.Caution}
	for _, gap := range document.Gaps {
		response.Gaps = append(response.Gaps, &recordsv1.ReportGap{
			Entry: gap.Use, Title: gap.Title, Doubtful: gap.Problem == report.IsDoubtful, Reason: gap.Reason,
			Section: gap.Section, Source: gap.Source, Fix: gap.Fix,
		})
	}
	return response, nil
}

// layOut reads what a report is about and lays it out.
func layOut(ctx context.Context, tx pgx.Tx, id string, kind report.Kind, request *recordsv1.ExportUseReportRequest) (report.Document, error) {
	nursery, err := identity.ReadNursery(ctx, tx, id)
	if err != nil {
		return report.Document{}, err
	}
	if err := kind.Applies(nursery.Jurisdiction); err != nil {
		return report.Document{}, fault.FieldReason(fault.Precondition, fault.InvalidField, "kind", "%s", err).With("kind", kind.ID)
	}
	days, err := readPeriod("", &recordsv1.GetUseRecordRequest{FromDate: request.GetFromDate(), ToDate: request.GetToDate()}, nursery.Zone)
	if err != nil {
		return report.Document{}, err
	}
	period, err := report.Days(days.from, days.to, nursery.Zone)
	if err != nil {
		return report.Document{}, err
	}
	source, err := readUseSource(ctx, tx, nursery)
	if err != nil {
		return report.Document{}, err
	}
	if house := request.GetHouse(); house != "" && source.houses[house] == "" {
		return report.Document{}, fault.Missing("house", house)
	}
	entries, err := standingIn(ctx, tx, id, request.GetHouse(), days.begin, days.end)
	if err != nil {
		return report.Document{}, err
	}
	uses := make([]report.Use, len(entries))
	for i, entry := range entries {
		uses[i] = source.useOf(entry)
	}
	document, err := report.Build(kind, report.Nursery{
		Name: resource.Of("nurseries", id), DisplayName: nursery.DisplayName, Address: nursery.Address,
		Jurisdiction: nursery.Jurisdiction, Zone: nursery.Zone,
	}, period, uses)
	if err != nil {
		// The nursery and the entries are sound by now: what is left is the period.
		return report.Document{}, fault.Field("to_date", "%s", err).With("from_date", days.from).With("to_date", days.to)
	}
	return document, nil
}

// useSource is what a report says beside the ledger, by resource name.
type useSource struct {
	zone   *time.Location
	houses map[string]string
	people map[string]identity.Person
}

func readUseSource(ctx context.Context, tx pgx.Tx, nursery identity.Nursery) (useSource, error) {
	source := useSource{zone: nursery.Zone, houses: map[string]string{}, people: map[string]identity.Person{}}
	houses, err := stock.ReadHouses(ctx, tx, nursery.ID)
	if err != nil {
		return source, err
	}
	for _, house := range houses {
		source.houses[resource.Of("nurseries", nursery.ID, "houses", house.ID)] = house.DisplayName
	}
	people, err := identity.ReadPeople(ctx, tx, nursery.ID)
	for _, person := range people {
		source.people[resource.Of("nurseries", nursery.ID, "people", person.ID)] = person
	}
	return source, err
}

// useOf returns an entry as a report reads it. What the ledger does not hold stays empty,
// and the report says that it is missing.
func (s useSource) useOf(e kept) report.Use {
	use := report.Use{
		Entry: entryName(e.Nursery, e.Sequence), Application: e.Application, House: e.House, HouseName: s.houses[e.House], Product: e.Product,
		Start: e.StartTime, End: e.EndTime, Method: e.Method, Treated: e.Area, MixVolume: e.MixVolume,
		ProductName: e.ProductDisplayName, RegistrationNumber: e.RegistrationNumber, RestrictedUse: e.RestrictedUse, Amount: e.ProductAmount,
		RestrictedEntryInterval: e.RestrictedEntryInterval, Target: e.Target, Breach: e.Breach, BreachRules: slices.Clone(e.BreachRules),
		Applicator: report.Person{Resource: e.Applicator, Name: e.ApplicatorDisplayName, Certificate: s.certificate(e)},
	}
	for _, active := range e.Actives {
		use.Actives = append(use.Actives, report.Active{Name: active.ActiveIngredient, FRAC: active.FRACCode, Content: active.Content, Amount: active.Amount})
	}
	for _, crop := range e.Crops {
		use.Crops = append(use.Crops, report.Crop{Name: crop})
	}
	for _, o := range e.Overrides {
		use.Overrides = append(use.Overrides, report.Override{Rule: o.Rule, Person: o.Person, Note: o.Note})
	}
	if e.Correction != nil {
		use.Corrects, use.CorrectionNote = entryName(e.Nursery, e.Correction.Corrects), e.Correction.Note
	}
	return use
}

// certificate returns the number of a certificate of the applicator that was valid on the
// day on which the work ended, by what is on record now; empty when there is none.
func (s useSource) certificate(e kept) string {
	day := e.EndTime.In(s.zone).Format(time.DateOnly)
	for _, certificate := range s.people[e.Applicator].Certificates {
		if certificate.ExpireDate >= day {
			return certificate.Number
		}
	}
	return ""
}
