package postgres

import (
	"context"
	"errors"
	"io"
	"net"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"velamen/internal/fault"
)

// SQLSTATE codes (PostgreSQL documentation, appendix A).
const (
	serializationFailure = "40001"
	deadlockDetected     = "40P01"
	uniqueViolation      = "23505"
	foreignKeyViolation  = "23503"
	queryCanceled        = "57014"
	adminShutdown        = "57P01"
	crashShutdown        = "57P02"
	cannotConnectNow     = "57P03"
	diskFull             = "53100"
	tooManyConnections   = "53300"
	readOnlyTransaction  = "25006"
)

// Translate turns a driver's error into a fault that is safe to show. Faults
// and context errors pass unchanged; nil stays nil. A violated constraint that a
// use case has not foreseen becomes an internal fault: it is a gap in our own
// checks, never the caller's to understand.
func Translate(err error) error {
	if err == nil {
		return nil
	}
	if _, ok := fault.As(err); ok {
		return err
	}
	if errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) {
		return err
	}
	var pg *pgconn.PgError
	if errors.As(err, &pg) {
		return translateState(pg).Because(err)
	}
	var connect *pgconn.ConnectError
	if errors.As(err, &connect) || pgconn.SafeToRetry(err) {
		return fault.New(fault.Unavailable, fault.StoreUnavailable, "the database does not answer; try again").Because(err)
	}
	if connectionLost(err) {
		return fault.New(fault.Unavailable, fault.StoreUnavailable,
			"the connection to the database broke, and it may have been done; try again with the same request id").Because(err)
	}
	return fault.New(fault.Internal, fault.InternalReason, "internal error").Because(err)
}

// connectionLost says whether the connection broke while the database was at
// work, as it does when one of its processes dies.
func connectionLost(err error) bool {
	var broken *net.OpError
	return errors.Is(err, io.ErrUnexpectedEOF) || errors.As(err, &broken)
}

func translateState(pg *pgconn.PgError) *fault.Fault {
	switch pg.Code {
	case uniqueViolation:
		return fault.New(fault.Exists, fault.AlreadyExists, "it exists already")
	case foreignKeyViolation:
		return fault.New(fault.Precondition, fault.NotFoundReason, "something that it refers to does not exist")
	case serializationFailure, deadlockDetected:
		return fault.New(fault.Aborted, fault.StoreUnavailable, "too many people changed the same thing at once; try again")
	case adminShutdown, crashShutdown, cannotConnectNow, tooManyConnections:
		return fault.New(fault.Unavailable, fault.StoreUnavailable, "the database does not answer; try again")
	case diskFull, readOnlyTransaction:
		return fault.New(fault.Unavailable, fault.StoreUnavailable, "the database cannot write; nothing was changed")
	case queryCanceled:
		return fault.New(fault.Unavailable, fault.StoreUnavailable, "the database took too long; nothing was changed")
	default:
		return fault.New(fault.Internal, fault.InternalReason, "internal error")
	}
}

// NoRows reports whether a query for one row found none.
func NoRows(err error) bool { return errors.Is(err, pgx.ErrNoRows) }

// Violates reports whether an error is the violation of a named constraint.
func Violates(err error, constraint string) bool {
	var pg *pgconn.PgError
	return errors.As(err, &pg) && pg.ConstraintName == constraint
}
