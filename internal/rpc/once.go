package rpc

import (
	"context"
	"crypto/sha256"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	"velamen/internal/fault"
	"velamen/internal/postgres"
)

// Request is a mutating request: it carries the UUID under which a retry finds
// its first answer.
type Request interface {
	proto.Message
	GetRequestId() string
}

// Once runs a mutation in one transaction together with the memory that it was
// done. The same request again returns the first response and changes nothing;
// the same request id with another content is refused. R is the response type.
func Once[R proto.Message](ctx context.Context, db *postgres.DB, request Request, work func(ctx context.Context, tx pgx.Tx, caller Principal) (R, error)) (R, error) {
	var none R
	caller, err := Caller(ctx)
	if err != nil {
		return none, err
	}
	return OnceAs(ctx, db, caller, request, work)
}

// OnceAs is Once for a call that has no signed-in caller.
func OnceAs[R proto.Message](ctx context.Context, db *postgres.DB, caller Principal, request Request, work func(ctx context.Context, tx pgx.Tx, caller Principal) (R, error)) (R, error) {
	var none R
	content, err := contentHash(request)
	if err != nil {
		return none, err
	}
	return remembered(ctx, db, caller, request.GetRequestId(), content, work)
}

// OnceContent is Once for a streamed request, whose content the caller hashed.
func OnceContent[R proto.Message](ctx context.Context, db *postgres.DB, requestID string, content [sha256.Size]byte, work func(ctx context.Context, tx pgx.Tx, caller Principal) (R, error)) (R, error) {
	var none R
	caller, err := Caller(ctx)
	if err != nil {
		return none, err
	}
	return remembered(ctx, db, caller, requestID, content[:], work)
}

func remembered[R proto.Message](ctx context.Context, db *postgres.DB, caller Principal, requestID string, content []byte, work func(ctx context.Context, tx pgx.Tx, caller Principal) (R, error)) (R, error) {
	var response R
	err := db.InTx(ctx, func(tx pgx.Tx) error {
		memory := memory{tx: tx, caller: caller, method: methodOf(ctx), requestID: requestID}
		answered, err := memory.recall(ctx, content, db)
		if err != nil {
			return err
		}
		if answered != nil {
			response = response.ProtoReflect().New().Interface().(R)
			return proto.Unmarshal(answered, response)
		}
		if response, err = work(ctx, tx, caller); err != nil {
			return err
		}
		return memory.keep(ctx, response)
	})
	if err != nil {
		var none R
		return none, err
	}
	return response, nil
}

func methodOf(ctx context.Context) string {
	method, ok := grpc.Method(ctx)
	if !ok {
		return "in-process"
	}
	return method
}

func contentHash(request proto.Message) ([]byte, error) {
	body, err := proto.MarshalOptions{Deterministic: true}.Marshal(request)
	if err != nil {
		return nil, fmt.Errorf("hash the request: %w", err)
	}
	sum := sha256.Sum256(body)
	return sum[:], nil
}

// memory is one row of foundation.request.
type memory struct {
	tx        pgx.Tx
	caller    Principal
	method    string
	requestID string
}

func (m memory) args() pgx.NamedArgs {
	return pgx.NamedArgs{"nursery": m.caller.Nursery, "person": m.caller.Person, "method": m.method, "id": m.requestID}
}

// recall claims the request id, waiting for another transaction that is at work
// on it. It returns the response of a request that was answered, or nil.
func (m memory) recall(ctx context.Context, content []byte, db *postgres.DB) ([]byte, error) {
	args := m.args()
	args["content"], args["now"] = content, db.Now()
	tag, err := m.tx.Exec(ctx, `
		INSERT INTO foundation.request (nursery, person, method, request_id, content, create_time)
		VALUES (@nursery, @person, @method, @id, @content, @now)
		ON CONFLICT DO NOTHING`, args)
	if err != nil {
		return nil, err
	}
	if tag.RowsAffected() == 1 {
		return nil, nil
	}
	var first, response []byte
	err = m.tx.QueryRow(ctx, `
		SELECT content, response FROM foundation.request
		WHERE nursery = @nursery AND person = @person AND method = @method AND request_id = @id`, m.args()).
		Scan(&first, &response)
	if err != nil {
		return nil, err
	}
	if string(first) != string(content) {
		return nil, fault.FieldReason(fault.Invalid, fault.RequestIDReused, "request_id",
			"%s was used before with another content; use a new one", m.requestID).With("request_id", m.requestID)
	}
	if response == nil {
		response = []byte{}
	}
	return response, nil
}

func (m memory) keep(ctx context.Context, response proto.Message) error {
	body, err := proto.Marshal(response)
	if err != nil {
		return fmt.Errorf("remember the response: %w", err)
	}
	args := m.args()
	args["response"] = body
	_, err = m.tx.Exec(ctx, `
		UPDATE foundation.request SET response = @response
		WHERE nursery = @nursery AND person = @person AND method = @method AND request_id = @id`, args)
	return err
}

// remembering is how long an answer is kept for a retry: longer than a phone
// stays without coverage. Common practice, no source.
const remembering = 90 * 24 * time.Hour

// Forget removes the answers of requests that are older than any retry, and
// returns how many.
func Forget(ctx context.Context, db *postgres.DB) (int64, error) {
	var forgotten int64
	err := db.InTx(ctx, func(tx pgx.Tx) error {
		tag, err := tx.Exec(ctx, `DELETE FROM foundation.request WHERE create_time < $1`, db.Now().Add(-remembering))
		forgotten = tag.RowsAffected()
		return err
	})
	return forgotten, err
}
