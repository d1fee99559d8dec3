package records

import (
	"context"
	"strconv"
	"time"

	"github.com/jackc/pgx/v5"

	recordsv1 "velamen/gen/velamen/records/v1"
	"velamen/internal/fault"
	"velamen/internal/postgres"
	"velamen/internal/resource"
	"velamen/internal/rpc"
	"velamen/services/identity"
	"velamen/services/stock"
)

// Service is the RecordsService of the contract.
type Service struct {
	recordsv1.UnimplementedRecordsServiceServer
	db *postgres.DB
	// key signs the closes of months; nil where none is in place.
	key *SigningKey
}

var _ recordsv1.RecordsServiceServer = (*Service)(nil)

// New returns the service on a database, without a key: it closes no month. Consumer
// fills its ledger.
func New(db *postgres.DB) *Service { return &Service{db: db} }

// NewSigning returns the service with the key that signs the closes of months.
func NewSigning(db *postgres.DB, key *SigningKey) *Service { return &Service{db: db, key: key} }

// GetEntry returns one ledger entry.
func (s *Service) GetEntry(ctx context.Context, request *recordsv1.GetEntryRequest) (*recordsv1.Entry, error) {
	nursery, sequence, err := parseEntryName(request.GetName())
	if err != nil {
		return nil, err
	}
	entry, err := readEntry(ctx, s.db, nursery, sequence)
	if err != nil {
		return nil, err
	}
	message, err := entry.contract()
	if err != nil {
		return nil, err
	}
	return message, markLate(ctx, s.db, nursery, message)
}

// markLate names on entries the closes that they came too late for.
func markLate(ctx context.Context, r postgres.Reader, nursery string, entries ...*recordsv1.Entry) error {
	sequences := make([]int64, len(entries))
	for i, entry := range entries {
		sequences[i] = entry.GetSequence()
	}
	late, err := lateAmong(ctx, r, nursery, sequences)
	if err != nil {
		return err
	}
	for _, entry := range entries {
		if month, found := late[entry.GetSequence()]; found {
			entry.LateFor = closeName(nursery, month)
		}
	}
	return nil
}

// parseEntryName reads nurseries/{nursery}/entries/{sequence}.
func parseEntryName(name string) (nursery string, sequence int64, err error) {
	ids, err := resource.Parse("name", name, "nurseries", "entries")
	if err != nil {
		return "", 0, err
	}
	sequence, err = strconv.ParseInt(ids[1], 10, 64)
	if err != nil || sequence < 1 || strconv.FormatInt(sequence, 10) != ids[1] {
		return "", 0, fault.Field("name", "%q does not end in the number of an entry, from 1", name).With("name", name)
	}
	return ids[0], sequence, nil
}

// ListEntries returns ledger entries in ledger order.
func (s *Service) ListEntries(ctx context.Context, request *recordsv1.ListEntriesRequest) (*recordsv1.ListEntriesResponse, error) {
	ids, err := resource.Parse("parent", request.GetParent(), "nurseries")
	if err != nil {
		return nil, err
	}
	page, err := rpc.PageOf(request, 1)
	if err != nil {
		return nil, err
	}
	after, err := page.Number(0)
	if err != nil {
		return nil, err
	}
	entries, err := listEntries(ctx, s.db, ids[0], after, page.Size+1)
	if err != nil {
		return nil, err
	}
	entries, next := rpc.Cut(page, entries, func(k kept) []string { return []string{strconv.FormatInt(k.Sequence, 10)} })
	response := &recordsv1.ListEntriesResponse{NextPageToken: next}
	for _, entry := range entries {
		message, err := entry.contract()
		if err != nil {
			return nil, err
		}
		response.Entries = append(response.Entries, message)
	}
	return response, markLate(ctx, s.db, ids[0], response.GetEntries()...)
}

// CorrectEntry appends an entry that takes the place of an earlier one.
func (s *Service) CorrectEntry(ctx context.Context, request *recordsv1.CorrectEntryRequest) (*recordsv1.Entry, error) {
	nursery, sequence, err := parseEntryName(request.GetName())
	if err != nil {
		return nil, err
	}
	return rpc.Once(ctx, s.db, request, func(ctx context.Context, tx pgx.Tx, caller rpc.Principal) (*recordsv1.Entry, error) {
		last, err := lockHead(ctx, tx, nursery)
		if err != nil {
			return nil, err
		}
		old, err := readEntry(ctx, tx, nursery, sequence)
		if err != nil {
			return nil, err
		}
		if old.correctedBy != nil {
			return nil, alreadyCorrected(ctx, tx, old)
		}
		supervisor, err := readSupervisor(ctx, tx, old.entry, request.GetSupervisor())
		if err != nil {
			return nil, err
		}
		after, err := corrected(old.entry, request, caller.Name(), supervisor, s.db.Clock())
		if err != nil {
			return nil, err
		}
		added, _, err := appendEntry(ctx, tx, last, after, s.db.Now())
		if err != nil {
			return nil, err
		}
		return added.contract()
	})
}

// alreadyCorrected names the entry that stands, so that it can be corrected.
func alreadyCorrected(ctx context.Context, tx pgx.Tx, old kept) error {
	newest, err := newestAfter(ctx, tx, old.Nursery, old.Sequence)
	if err != nil {
		return err
	}
	name := entryName(old.Nursery, newest)
	return fault.New(fault.Precondition, fault.EntryAlreadyCorrected,
		"entry %d was corrected before; %s is the one that stands, correct that", old.Sequence, name).
		With("entry", entryName(old.Nursery, old.Sequence)).With("newest", name)
}

// GetUseRecord returns the pesticide-use record of a house.
func (s *Service) GetUseRecord(ctx context.Context, request *recordsv1.GetUseRecordRequest) (*recordsv1.UseRecord, error) {
	record, _, err := s.useRecord(ctx, "", request)
	return record, err
}

// ExportUseRecord writes the use record of a house as text, CSV or JSON.
func (s *Service) ExportUseRecord(ctx context.Context, request *recordsv1.ExportUseRecordRequest) (*recordsv1.ExportUseRecordResponse, error) {
	record, zone, err := s.useRecord(ctx, "record.", request.GetRecord())
	if err != nil {
		return nil, err
	}
	return export(record, request.GetFormat(), zone)
}

func (s *Service) useRecord(ctx context.Context, prefix string, request *recordsv1.GetUseRecordRequest) (*recordsv1.UseRecord, *time.Location, error) {
	ids, err := resource.Parse(prefix+"house", request.GetHouse(), "nurseries", "houses")
	if err != nil {
		return nil, nil, err
	}
	var (
		record *recordsv1.UseRecord
		zone   *time.Location
	)
	err = s.db.InSnapshot(ctx, func(tx pgx.Tx) error {
		nursery, err := identity.ReadNursery(ctx, tx, ids[0])
		if err != nil {
			return err
		}
		zone = nursery.Zone
		house, err := stock.ReadHouse(ctx, tx, ids[0], ids[1])
		if err != nil {
			return err
		}
		period, err := readPeriod(prefix, request, zone)
		if err != nil {
			return err
		}
		entries, err := standing(ctx, tx, ids[0], request.GetHouse(), period.begin, period.end)
		if err != nil {
			return err
		}
		if record, err = useRecord(nursery, house, period, entries); err != nil {
			return err
		}
		purges, err := purgesSince(ctx, tx, ids[0], period.begin)
		if err != nil {
			return err
		}
		for _, p := range purges {
			record.Caution += " " + p.said(ids[0])
		}
		return markLate(ctx, tx, ids[0], record.GetEntries()...)
	})
	return record, zone, err
}
