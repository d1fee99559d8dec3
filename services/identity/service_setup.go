package identity

import (
	"context"
	"crypto/sha256"
	"crypto/subtle"

	"github.com/jackc/pgx/v5"
	"google.golang.org/protobuf/proto"

	identityv1 "velamen/gen/velamen/identity/v1"
	"velamen/internal/fault"
	"velamen/internal/rpc"
)

// setup stands for the caller of SetUpNursery, who is nobody yet, in the memory
// of answered requests.
const setup = "setup"

// SetUpNursery creates a nursery and its first owner.
func (s *Service) SetUpNursery(ctx context.Context, request *identityv1.SetUpNurseryRequest) (*identityv1.Nursery, error) {
	if err := s.checkSetupKey(request.GetSetupKey()); err != nil {
		return nil, err
	}
	nursery, err := nurseryFrom(request.GetNurseryId(), request.GetNursery())
	if err != nil {
		return nil, err
	}
	bare := proto.CloneOf(request)
	bare.SetupKey, bare.OwnerPassword = "", ""
	content, err := s.passwords.content(ctx, bare, request.GetRequestId(), request.GetOwnerPassword())
	if err != nil {
		return nil, err
	}
	hash, err := s.passwords.hash(ctx, request.GetOwnerPassword())
	if err != nil {
		return nil, err
	}
	owner := Person{ID: request.GetOwnerId(), DisplayName: request.GetOwnerDisplayName(), Role: identityv1.Role_ROLE_OWNER}
	ctx = rpc.WithPrincipal(ctx, rpc.Principal{Nursery: nursery.ID, Person: setup})
	return rpc.OnceContent(ctx, s.db, request.GetRequestId(), content,
		func(ctx context.Context, tx pgx.Tx, _ rpc.Principal) (*identityv1.Nursery, error) {
			now := s.db.Now()
			if err := insertNursery(ctx, tx, nursery, now); err != nil {
				return nil, err
			}
			if err := insertPerson(ctx, tx, nursery.ID, owner, hash, now); err != nil {
				return nil, err
			}
			return nurseryRow{Nursery: nursery, version: 1, createTime: now}.contract(), nil
		})
}

// checkSetupKey compares hashes, so that neither the key nor its length shows in
// the time that it takes.
func (s *Service) checkSetupKey(key string) error {
	given, want := sha256.Sum256([]byte(key)), sha256.Sum256([]byte(s.setupKey))
	if subtle.ConstantTimeCompare(given[:], want[:]) == 1 && s.setupKey != "" {
		return nil
	}
	return fault.FieldReason(fault.Denied, fault.SetupRefused, "setup_key", "it is not the key in the server's data folder")
}
