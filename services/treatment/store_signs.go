package treatment

import (
	"context"
	"time"

	"velamen/internal/postgres"
	"velamen/services/treatment/entry"
)

// signed names the warning signs of one application in one house.
type signed struct{ application, house string }

// readSigns returns the warning signs that stand at or after a moment, by the
// application and house that they are for.
func readSigns(_ context.Context, _ postgres.Reader, _ string, _ time.Time) (map[signed]entry.Signs, error) {
	return nil, nil
}
