package records

import (
	"context"
	"slices"
	"strings"

	"github.com/jackc/pgx/v5"

	recordsv1 "velamen/gen/velamen/records/v1"
	"velamen/internal/clock"
	"velamen/internal/fault"
	"velamen/internal/resource"
	"velamen/internal/rpc"
	"velamen/internal/trail"
	"velamen/services/diagnosis"
	"velamen/services/identity"
	"velamen/services/products"
	"velamen/services/records/history"
	"velamen/services/schedule"
	"velamen/services/stock"
	"velamen/services/treatment"
)

// mostRecords is how many records a history may have: what is more is asked for by fewer
// days. Design value: a record in JSON takes about 1 kB, and the command line takes an
// answer of 64 MB.
const mostRecords = 30_000

// accounts are what is kept about subjects, by who keeps it.
func accounts() []trail.Account {
	return []trail.Account{
		rpc.History(), identity.History(), stock.History(), diagnosis.History(), products.History(),
		treatment.History(), schedule.History(), ownHistory(),
	}
}

// subjects are the resources that have a history, and the table that says whether one is
// there.
var subjects = []struct {
	kind        trail.Kind
	collections []string
	table       string
}{
	{trail.Person, []string{"nurseries", "people"}, "identity.person"},
	{trail.House, []string{"nurseries", "houses"}, "stock.house"},
	{trail.Lot, []string{"nurseries", "lots"}, "stock.lot"},
	{trail.Container, []string{"nurseries", "products", "containers"}, "products.container"},
}

// ExportHistory writes everything on record about one subject.
func (s *Service) ExportHistory(ctx context.Context, request *recordsv1.ExportHistoryRequest) (*recordsv1.ExportHistoryResponse, error) {
	of, table, err := subjectOf(request.GetName())
	if err != nil {
		return nil, err
	}
	var document history.Document
	err = s.db.InSnapshot(ctx, func(tx pgx.Tx) (err error) {
		document, err = s.historyOf(ctx, tx, of, table, request)
		return err
	})
	if err != nil {
		return nil, err
	}
	response := &recordsv1.ExportHistoryResponse{
		Records: int64(len(document.Records)), LeftOut: document.LeftOut, Caution: document.Caution,
	}
	switch request.GetFormat() {
	case recordsv1.HistoryFormat_HISTORY_FORMAT_JSON:
		response.MediaType = "application/json"
		response.Data, err = history.WriteJSON(document)
	case recordsv1.HistoryFormat_HISTORY_FORMAT_CSV:
		response.MediaType = "text/csv; charset=utf-8"
		response.Data, err = history.WriteCSV(document)
	default:
		return nil, fault.Field("format", "must be JSON or CSV")
	}
	return response, err
}

// subjectOf reads the name of a subject and returns it with the table that it stands in.
func subjectOf(name string) (trail.Subject, string, error) {
	for _, subject := range subjects {
		if ids, err := resource.Parse("name", name, subject.collections...); err == nil {
			of := trail.Subject{Kind: subject.kind, Name: name, Nursery: ids[0], ID: ids[len(ids)-1]}
			if subject.kind == trail.Container {
				of.Product = ids[1]
			}
			return of, subject.table, nil
		}
	}
	return trail.Subject{}, "", fault.Field("name", "%q is not the name of a person, house, lot or container", name).With("name", name)
}

// historyOf reads and lays out a history.
func (s *Service) historyOf(ctx context.Context, tx pgx.Tx, of trail.Subject, table string, request *recordsv1.ExportHistoryRequest) (history.Document, error) {
	nursery, err := identity.ReadNursery(ctx, tx, of.Nursery)
	if err != nil {
		return history.Document{}, err
	}
	document := history.Document{
		Kind: string(of.Kind), Subject: of.Name, Nursery: resource.Of("nurseries", nursery.ID), NurseryName: nursery.DisplayName,
		FromDate: request.GetFromDate().GetValue(), ToDate: request.GetToDate().GetValue(), LeftOut: leftOut(of.Kind),
	}
	if err := boundDays(&of, document.FromDate, document.ToDate, nursery); err != nil {
		return history.Document{}, err
	}
	rows, err := readTrail(ctx, tx, of)
	if err != nil {
		return history.Document{}, err
	}
	at := slices.IndexFunc(rows, func(row trail.Row) bool { return row.Table == table && row.Name == of.Name })
	if at < 0 {
		return history.Document{}, fault.Missing(string(of.Kind), of.Name)
	}
	document.SubjectName = rows[at].What
	people, err := identity.ReadPeople(ctx, tx, of.Nursery)
	if err != nil {
		return history.Document{}, err
	}
	names := map[string]string{}
	for _, person := range people {
		names[resource.Of("nurseries", of.Nursery, "people", person.ID)] = person.DisplayName
	}
	for _, row := range rows {
		document.Records = append(document.Records, recordOf(row, of.Nursery, names))
	}
	return history.Build(document, nursery.Zone, s.db.Now()), nil
}

// boundDays sets the time of a subject's history from days in the nursery's zone.
func boundDays(of *trail.Subject, from, to string, nursery identity.Nursery) error {
	var err error
	if from != "" {
		if of.Begin, _, err = clock.Day(from, nursery.Zone); err != nil {
			return fault.Field("from_date", "%s", err).With("from_date", from)
		}
	}
	if to != "" {
		if _, of.End, err = clock.Day(to, nursery.Zone); err != nil {
			return fault.Field("to_date", "%s", err).With("to_date", to)
		}
	}
	if from != "" && to != "" && !of.Begin.Before(of.End) {
		return fault.Field("to_date", "%s is before the first day, %s", to, from).With("from_date", from).With("to_date", to)
	}
	return nil
}

// readTrail reads all that is kept about a subject, from the left to the right: what one
// service knows of applications or lots the next ones are asked about.
func readTrail(ctx context.Context, tx pgx.Tx, of trail.Subject) ([]trail.Row, error) {
	if of.Kind == trail.Lot {
		kin, err := kinOf(ctx, tx, of)
		if err != nil {
			return nil, err
		}
		of.Lots = kin
	}
	var found []trail.Row
	for _, account := range accounts() {
		rows, err := account.Read(ctx, tx, of, mostRecords+1-len(found))
		if err != nil {
			return nil, err
		}
		found = append(found, rows...)
		if len(found) > mostRecords {
			return nil, fault.Field("from_date", "there are more than %d records about %s; ask for fewer days", mostRecords, of.Name).With("name", of.Name)
		}
		of.Applications = append(of.Applications, applicationsIn(rows)...)
	}
	return found, nil
}

// kinOf returns the lots that plants of a lot came from or went to, itself among them.
func kinOf(ctx context.Context, tx pgx.Tx, of trail.Subject) ([]string, error) {
	lines, err := stock.ReadLineage(ctx, tx, of.Nursery, []string{of.ID})
	if err != nil {
		return nil, err
	}
	kin, err := stock.ReadOffspring(ctx, tx, of.Nursery, []string{of.ID}, of.Begin)
	if err != nil {
		return nil, err
	}
	for _, line := range lines {
		kin = append(kin, line.Ancestor)
	}
	slices.Sort(kin)
	return slices.Compact(kin), nil
}

// applicationsIn returns the names of applications that rows are or belong to.
func applicationsIn(rows []trail.Row) []string {
	var names []string
	for _, row := range rows {
		switch row.Table {
		case "products.used":
			names = append(names, row.Fact("application"))
		case "treatment.application":
			names = append(names, row.Name)
		}
	}
	return names
}

// recordOf returns a row as a history shows it; names are what people are called, by
// resource name.
func recordOf(row trail.Row, nursery string, names map[string]string) history.Record {
	record := history.Record{
		At: row.Time, Kind: row.Kind, Source: row.Table, What: strings.TrimSpace(row.What), Who: row.Who, Resource: row.Name,
	}
	if record.Who != "" && !strings.Contains(record.Who, "/") {
		record.Who = resource.Of("nurseries", nursery, "people", record.Who)
	}
	record.WhoName = names[record.Who]
	for _, fact := range row.Facts {
		record.Facts = append(record.Facts, history.Fact{Name: fact.Name, Text: fact.Text, JSON: fact.JSON})
	}
	return record
}

// leftOut returns the sentences about what is kept and not in a history.
func leftOut(of trail.Kind) []string {
	var sentences []string
	for _, account := range accounts() {
		for _, left := range account.LeftOut {
			if slices.Contains(left.About, of) {
				sentences = append(sentences, left.Reason)
			}
		}
	}
	return sentences
}
