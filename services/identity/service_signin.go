package identity

import (
	"context"
	"strings"

	"github.com/jackc/pgx/v5"
	"google.golang.org/grpc/metadata"
	"google.golang.org/protobuf/types/known/timestamppb"

	identityv1 "velamen/gen/velamen/identity/v1"
	"velamen/internal/fault"
	"velamen/internal/resource"
)

// SignIn exchanges a login and a password for a token. An unknown person, a
// disabled one and a wrong password get the same answer after the same work.
func (s *Service) SignIn(ctx context.Context, request *identityv1.SignInRequest) (*identityv1.SignInResponse, error) {
	ids, err := resource.Parse("person", request.GetPerson(), "nurseries", "people")
	if err != nil {
		return nil, err
	}
	stored, err := readPasswordHash(ctx, s.db, ids[0], ids[1])
	if err != nil {
		return nil, err
	}
	right, err := s.passwords.verify(ctx, stored, request.GetPassword())
	if err != nil {
		return nil, err
	}
	if !right {
		return nil, wrongSignIn()
	}
	return s.issue(ctx, ids[0], ids[1], stored)
}

// issue makes a token for a person whose password was verified against a hash.
func (s *Service) issue(ctx context.Context, nursery, person, verifiedHash string) (*identityv1.SignInResponse, error) {
	token, hash := newToken()
	now := s.db.Now()
	row := tokenRow{hash: hash, nursery: nursery, person: person, createTime: now, expireTime: now.Add(tokenLife)}
	response := &identityv1.SignInResponse{Token: token, ExpireTime: timestamppb.New(row.expireTime)}
	err := s.db.InTx(ctx, func(tx pgx.Tx) error {
		if err := deleteExpiredTokens(ctx, tx, nursery, person, now); err != nil {
			return err
		}
		kept, err := insertToken(ctx, tx, row, verifiedHash)
		if err != nil {
			return err
		}
		if !kept {
			return wrongSignIn()
		}
		signedIn, err := readPerson(ctx, tx, nursery, person, "")
		response.Person = signedIn.contract()
		return err
	})
	if err != nil {
		return nil, err
	}
	return response, nil
}

func wrongSignIn() error {
	return fault.New(fault.Unauthenticated, fault.NotSignedIn, "the login or the password is wrong, or the person no longer works here")
}

// SignOut ends the token of this call.
func (s *Service) SignOut(ctx context.Context, _ *identityv1.SignOutRequest) (*identityv1.SignOutResponse, error) {
	err := s.db.InTx(ctx, func(tx pgx.Tx) error {
		for _, value := range metadata.ValueFromIncomingContext(ctx, "authorization") {
			if err := deleteToken(ctx, tx, tokenHash(strings.TrimPrefix(value, "Bearer "))); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	return &identityv1.SignOutResponse{}, nil
}
