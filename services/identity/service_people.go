package identity

import (
	"context"

	"github.com/jackc/pgx/v5"
	"google.golang.org/protobuf/proto"

	identityv1 "velamen/gen/velamen/identity/v1"
	"velamen/internal/fault"
	"velamen/internal/resource"
	"velamen/internal/rpc"
)

// CreatePerson adds somebody who works in the nursery.
func (s *Service) CreatePerson(ctx context.Context, request *identityv1.CreatePersonRequest) (*identityv1.Person, error) {
	ids, err := resource.Parse("parent", request.GetParent(), "nurseries")
	if err != nil {
		return nil, err
	}
	person, err := personFrom(request.GetPersonId(), request.GetPerson())
	if err != nil {
		return nil, err
	}
	bare := proto.CloneOf(request)
	bare.Password = ""
	content, err := s.passwords.content(ctx, bare, request.GetRequestId(), request.GetPassword())
	if err != nil {
		return nil, err
	}
	hash, err := s.passwords.hash(ctx, request.GetPassword())
	if err != nil {
		return nil, err
	}
	return rpc.OnceContent(ctx, s.db, request.GetRequestId(), content,
		func(ctx context.Context, tx pgx.Tx, _ rpc.Principal) (*identityv1.Person, error) {
			now := s.db.Now()
			if err := insertPerson(ctx, tx, ids[0], person, hash, now); err != nil {
				return nil, err
			}
			return personRow{Person: person, nursery: ids[0], version: 1, createTime: now}.contract(), nil
		})
}

// UpdatePerson changes a person. A new password and disabling end all their
// tokens. The last enabled owner can neither be disabled nor given another role.
func (s *Service) UpdatePerson(ctx context.Context, request *identityv1.UpdatePersonRequest) (*identityv1.Person, error) {
	ids, err := resource.Parse("person.name", request.GetPerson().GetName(), "nurseries", "people")
	if err != nil {
		return nil, err
	}
	hash, err := s.newPassword(ctx, request.GetNewPassword())
	if err != nil {
		return nil, err
	}
	bare := proto.CloneOf(request)
	bare.NewPassword = ""
	content, err := s.passwords.content(ctx, bare, request.GetRequestId(), request.GetNewPassword())
	if err != nil {
		return nil, err
	}
	return rpc.OnceContent(ctx, s.db, request.GetRequestId(), content,
		func(ctx context.Context, tx pgx.Tx, _ rpc.Principal) (*identityv1.Person, error) {
			row, err := s.change(ctx, tx, ids[0], ids[1], request, hash)
			if err != nil {
				return nil, err
			}
			return row.contract(), nil
		})
}

// newPassword hashes a new password; an empty one stays empty.
func (s *Service) newPassword(ctx context.Context, password string) (hash string, err error) {
	if password == "" {
		return "", nil
	}
	if err := checkLength("new_password", password); err != nil {
		return "", err
	}
	return s.passwords.hash(ctx, password)
}

func (s *Service) change(ctx context.Context, tx pgx.Tx, nursery, id string, request *identityv1.UpdatePersonRequest, hash string) (personRow, error) {
	// All changes of a nursery's people queue here; see anotherOwner.
	if _, err := readNursery(ctx, tx, nursery, forUpdate); err != nil {
		return personRow{}, err
	}
	row, err := readPerson(ctx, tx, nursery, id, forUpdate+" OF p")
	if err != nil {
		return personRow{}, err
	}
	changed := request.GetPerson()
	if err := rpc.CheckETag(changed.GetName(), changed.GetEtag(), row.version); err != nil {
		return personRow{}, err
	}
	merged := row.contract()
	if err := rpc.Merge(merged, changed, request.GetUpdateMask()); err != nil {
		return personRow{}, err
	}
	before := row.Person
	if row.Person, err = personFrom(id, merged); err != nil {
		return personRow{}, err
	}
	if err := keepAnOwner(ctx, tx, nursery, before, row.Person); err != nil {
		return personRow{}, err
	}
	row.version++
	if err := updatePerson(ctx, tx, row, hash); err != nil {
		return personRow{}, err
	}
	if hash == "" && !row.Disabled {
		return row, nil
	}
	return row, deleteTokensOf(ctx, tx, nursery, id)
}

// keepAnOwner refuses a change after which nobody could run the nursery.
func keepAnOwner(ctx context.Context, tx pgx.Tx, nursery string, before, after Person) error {
	if !before.enabledOwner() || after.enabledOwner() {
		return nil
	}
	found, err := anotherOwner(ctx, tx, nursery, before.ID)
	if err != nil || found {
		return err
	}
	field := "person.role"
	if after.Disabled {
		field = "person.disabled"
	}
	name := personName(nursery, before.ID)
	return fault.FieldReason(fault.Precondition, fault.InvalidField, field,
		"%s is the last owner who can sign in; make somebody else an owner first", name).With("name", name)
}
