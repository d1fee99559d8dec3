package identity

import (
	"context"

	"github.com/jackc/pgx/v5"

	identityv1 "velamen/gen/velamen/identity/v1"
	"velamen/internal/resource"
	"velamen/internal/rpc"
)

// UpdateNursery changes a nursery.
func (s *Service) UpdateNursery(ctx context.Context, request *identityv1.UpdateNurseryRequest) (*identityv1.Nursery, error) {
	changed := request.GetNursery()
	ids, err := resource.Parse("nursery.name", changed.GetName(), "nurseries")
	if err != nil {
		return nil, err
	}
	return rpc.Once(ctx, s.db, request, func(ctx context.Context, tx pgx.Tx, _ rpc.Principal) (*identityv1.Nursery, error) {
		row, err := readNursery(ctx, tx, ids[0], forUpdate)
		if err != nil {
			return nil, err
		}
		if err := rpc.CheckETag(changed.GetName(), changed.GetEtag(), row.version); err != nil {
			return nil, err
		}
		merged := row.contract()
		if err := rpc.Merge(merged, changed, request.GetUpdateMask()); err != nil {
			return nil, err
		}
		if row.Nursery, err = nurseryFrom(row.ID, merged); err != nil {
			return nil, err
		}
		row.version++
		return row.contract(), updateNursery(ctx, tx, row)
	})
}
