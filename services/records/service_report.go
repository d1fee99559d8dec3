package records

import (
	"context"

	"github.com/jackc/pgx/v5"

	recordsv1 "velamen/gen/velamen/records/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/fault"
	"velamen/internal/resource"
	"velamen/services/identity"
	"velamen/services/records/report"
)

// reportFormats are the formats of the contract.
var reportFormats = map[recordsv1.UseReportFormat]report.Format{
	recordsv1.UseReportFormat_USE_REPORT_FORMAT_PDF: report.PDF, recordsv1.UseReportFormat_USE_REPORT_FORMAT_CSV: report.CSV,
	recordsv1.UseReportFormat_USE_REPORT_FORMAT_JSON: report.JSON, recordsv1.UseReportFormat_USE_REPORT_FORMAT_XLSX: report.XLSX,
}

// ExportUseReport lays out what a law asks for about the uses of some days.
func (s *Service) ExportUseReport(ctx context.Context, request *recordsv1.ExportUseReportRequest) (*recordsv1.ExportUseReportResponse, error) {
	document, err := s.document(ctx, asked{
		parent: request.GetParent(), kind: request.GetKind(), house: request.GetHouse(), from: request.GetFromDate(), to: request.GetToDate(),
	})
	if err != nil {
		return nil, err
	}
	format := reportFormats[request.GetFormat()]
	data, err := report.Write(document, format)
	if err != nil {
		return nil, err
	}
	return &recordsv1.ExportUseReportResponse{
		MediaType: format.MediaType(), Data: data, Caution: document.Caution, Gaps: gapsContract(document.Gaps),
	}, nil
}

// CheckUseReport lists what a use report lacks, without writing it.
func (s *Service) CheckUseReport(ctx context.Context, request *recordsv1.CheckUseReportRequest) (*recordsv1.CheckUseReportResponse, error) {
	document, err := s.document(ctx, asked{
		parent: request.GetParent(), kind: request.GetKind(), house: request.GetHouse(), from: request.GetFromDate(), to: request.GetToDate(),
	})
	if err != nil {
		return nil, err
	}
	return &recordsv1.CheckUseReportResponse{
		Uses: int32(len(document.Uses.Rows)), Caution: document.Caution, Gaps: gapsContract(document.Gaps), //nolint:gosec // far below the limit
	}, nil
}

func gapsContract(gaps []report.Gap) []*recordsv1.ReportGap {
	var messages []*recordsv1.ReportGap
	for _, gap := range gaps {
		messages = append(messages, &recordsv1.ReportGap{
			Entry: gap.Use, Title: gap.Title, Doubtful: gap.Problem == report.IsDoubtful, Reason: gap.Reason,
			Section: gap.Section, Source: gap.Source, Fix: gap.Fix, FixField: gap.FixField, FixCommand: gap.FixCommand,
		})
	}
	return messages
}

// asked is which report a request wants.
type asked struct {
	parent, kind, house string
	from, to            *typev1.Date
}

// document reads and lays out a report.
func (s *Service) document(ctx context.Context, a asked) (report.Document, error) {
	ids, err := resource.Parse("parent", a.parent, "nurseries")
	if err != nil {
		return report.Document{}, err
	}
	kind, err := report.Find(a.kind)
	if err != nil {
		return report.Document{}, fault.Field("kind", "%s", err).With("kind", a.kind)
	}
	if a.house != "" {
		if _, err := resource.Parse("house", a.house, "nurseries", "houses"); err != nil {
			return report.Document{}, err
		}
	}
	var document report.Document
	err = s.db.InSnapshot(ctx, func(tx pgx.Tx) (err error) {
		document, err = layOut(ctx, tx, ids[0], kind, a)
		return err
	})
	return document, err
}

// layOut reads what a report is about and lays it out.
func layOut(ctx context.Context, tx pgx.Tx, id string, kind report.Kind, a asked) (report.Document, error) {
	nursery, err := identity.ReadNursery(ctx, tx, id)
	if err != nil {
		return report.Document{}, err
	}
	if err := kind.Applies(nursery.Jurisdiction); err != nil {
		return report.Document{}, fault.FieldReason(fault.Precondition, fault.InvalidField, "kind", "%s", err).With("kind", kind.ID)
	}
	days, err := readPeriod("", &recordsv1.GetUseRecordRequest{FromDate: a.from, ToDate: a.to}, nursery.Zone)
	if err != nil {
		return report.Document{}, err
	}
	period, err := report.Days(days.from, days.to, nursery.Zone)
	if err != nil {
		return report.Document{}, err
	}
	purged, err := purgesSince(ctx, tx, id, days.begin)
	if err != nil {
		return report.Document{}, err
	}
	var purges []report.Purge
	for _, p := range purged {
		purges = append(purges, report.Purge{Name: purgeName(id, p.number), First: p.first, Last: p.through, Time: p.at})
	}
	period = period.After(purges)
	source, err := readUseSource(ctx, tx, nursery)
	if err != nil {
		return report.Document{}, err
	}
	if _, found := source.houses[a.house]; a.house != "" && !found {
		return report.Document{}, fault.Missing("house", a.house)
	}
	entries, err := aroundDays(ctx, tx, id, a.house, days.begin, days.end)
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
		OperatorID: nursery.OperatorID, County: nursery.County,
	}, period, uses)
	if err != nil {
		// The nursery and the entries are sound by now: what is left is the period.
		return report.Document{}, fault.Field("to_date", "%s", err).With("from_date", days.from).With("to_date", days.to)
	}
	return document, nil
}
