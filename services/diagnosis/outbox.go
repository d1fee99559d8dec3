package diagnosis

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"velamen/internal/resource"
	"velamen/services/stock"
)

// Topics of what later services learn of the houses. The subject of both is the
// house's name.
const (
	// TopicClimateImported is the topic of every logger's file that was kept.
	TopicClimateImported = "diagnosis.climate_imported"
	// TopicInspected is the topic of every inspection that was recorded.
	TopicInspected = "diagnosis.inspected"
)

// ClimateImported says that a house has new climate readings.
type ClimateImported struct {
	// House is the house's id.
	House string `json:"house"`
	// At is when they were kept, UTC.
	At time.Time `json:"at"`
}

// Inspected says that a lot or a bench of a house was looked at.
type Inspected struct {
	// House is the house's id: that of the bench, or the one in which the lot stands
	// when the inspection is recorded.
	House string `json:"house"`
	// At is when it was looked at, UTC.
	At time.Time `json:"at"`
}

func (s *Service) climateImported(ctx context.Context, tx pgx.Tx, row importRow) error {
	return s.outbox.Write(ctx, tx, TopicClimateImported, row.nursery, houseName(row.nursery, row.house),
		ClimateImported{House: row.house, At: row.createTime})
}

func (s *Service) inspected(ctx context.Context, tx pgx.Tx, row inspectionRow) error {
	house := row.target.house
	if row.target.lot != "" {
		lots, err := stock.ReadLots(ctx, tx, row.nursery, []string{row.target.lot})
		if err != nil {
			return err
		}
		house = lots[0].House
	}
	if house == "" {
		return nil // a lot without plants stands nowhere
	}
	return s.outbox.Write(ctx, tx, TopicInspected, row.nursery, houseName(row.nursery, house), Inspected{House: house, At: row.inspectTime})
}

func houseName(nursery, house string) string {
	return resource.Of("nurseries", nursery, "houses", house)
}
