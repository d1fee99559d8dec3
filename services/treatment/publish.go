package treatment

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"
	"google.golang.org/protobuf/proto"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/fault"
	"velamen/internal/resource"
	"velamen/internal/rpc"
)

// publish makes a new version of a template. Programs that run keep theirs.
func publish(ctx context.Context, tx pgx.Tx, template *treatmentv1.Template, caller rpc.Principal, now time.Time) (*treatmentv1.Template, error) {
	ids, err := resource.Parse("template.name", template.GetName(), "nurseries", "templates")
	if err != nil {
		return nil, err
	}
	if err := CheckTemplate(template); err != nil {
		return nil, err
	}
	version := int32(1)
	newest, err := readTemplate(ctx, tx, ids[0], ids[1])
	if err != nil && !fault.Is(err, fault.NotFoundReason) {
		return nil, err
	}
	if newest != nil {
		version = newest.GetVersion() + 1
	}
	published := proto.CloneOf(template)
	published.Version, published.Shipped = version, false
	return published, insertTemplate(ctx, tx, ids[0], ids[1], caller.Person, published, now)
}
