package diagnosis

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"velamen/internal/resource"
)

// TopicClimateImported is the outbox topic of every logger's file that was kept. Its
// subject is the house's name.
const TopicClimateImported = "diagnosis.climate_imported"

// ClimateImported says that a house has new climate readings.
type ClimateImported struct {
	// House is the house's id.
	House string `json:"house"`
	// At is when they were kept, UTC.
	At time.Time `json:"at"`
}

func (s *Service) climateImported(ctx context.Context, tx pgx.Tx, row importRow) error {
	return s.outbox.Write(ctx, tx, TopicClimateImported, row.nursery, resource.Of("nurseries", row.nursery, "houses", row.house),
		ClimateImported{House: row.house, At: row.createTime})
}
