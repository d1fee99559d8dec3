// Package fault holds the errors that a caller can act on. A fault says what
// kind of refusal it is, the machine-readable reason, the field and rule where
// there is one, and every value that its sentence mentions. It knows nothing of
// gRPC or SQL; internal/rpc and internal/postgres translate.
package fault

import (
	"errors"
	"fmt"
	"maps"
)

// Kind says what a caller can do about a fault.
type Kind int

// The kinds of fault.
const (
	// Internal is broken code or a broken store; the caller can only report it.
	Internal Kind = iota
	// Invalid is a request that can never succeed as it stands.
	Invalid
	// NotFound is a resource that does not exist for this caller.
	NotFound
	// Exists is a resource that exists already.
	Exists
	// Precondition is a request that the present state of things refuses.
	Precondition
	// Aborted is a lost race; read again and retry.
	Aborted
	// Unauthenticated is a caller who is not signed in.
	Unauthenticated
	// Denied is a caller who may not do this.
	Denied
	// Unavailable is a store that does not answer; retry later.
	Unavailable
)

// Fault is an error that a caller can act on.
type Fault struct {
	// Kind says what the caller can do.
	Kind Kind
	// Reason is one of the Reason constants.
	Reason Reason
	// Field is the path of the request field at fault, or empty.
	Field string
	// Message is one sentence for a person.
	Message string
	// Violations are the rules that fields break, where there is more than one.
	Violations []Violation
	// Values are the values that the message mentions, by name.
	Values map[string]string
	// cause is logged and never shown.
	cause error
}

// Violation is a rule that one field breaks.
type Violation struct {
	// Field is its path in the request or file.
	Field string
	// Rule is one sentence for a person.
	Rule string
}

// Error returns the sentence for a person.
func (f *Fault) Error() string {
	if f.Field == "" {
		return f.Message
	}
	return f.Field + ": " + f.Message
}

// Unwrap returns what caused the fault.
func (f *Fault) Unwrap() error { return f.cause }

// With returns the fault with a value that its message mentions.
func (f *Fault) With(name, value string) *Fault {
	with := *f
	with.Values = maps.Clone(f.Values)
	if with.Values == nil {
		with.Values = map[string]string{}
	}
	with.Values[name] = value
	return &with
}

// Because returns the fault with its cause, which is logged and never shown.
func (f *Fault) Because(err error) *Fault {
	caused := *f
	caused.cause = err
	return &caused
}

// New returns a fault of a kind.
func New(kind Kind, reason Reason, format string, args ...any) *Fault {
	return &Fault{Kind: kind, Reason: reason, Message: fmt.Sprintf(format, args...)}
}

// Field returns an Invalid fault that names the field and the rule it breaks.
func Field(field, format string, args ...any) *Fault {
	return &Fault{Kind: Invalid, Reason: InvalidField, Field: field, Message: fmt.Sprintf(format, args...)}
}

// Rejected returns an Invalid fault for everything that is wrong with a file.
func Rejected(violations []Violation, format string, args ...any) *Fault {
	f := New(Invalid, ImportRejected, format, args...)
	f.Violations = violations
	return f
}

// FieldReason is Field with a reason of its own and a kind.
func FieldReason(kind Kind, reason Reason, field, format string, args ...any) *Fault {
	return &Fault{Kind: kind, Reason: reason, Field: field, Message: fmt.Sprintf(format, args...)}
}

// Missing returns a NotFound fault for a resource name.
func Missing(resource, name string) *Fault {
	return New(NotFound, NotFoundReason, "there is no %s %q", resource, name).
		With("resource", resource).With("name", name)
}

// Stale returns the fault of an etag that is not the current one.
func Stale(name, etag string) *Fault {
	return FieldReason(Aborted, StaleETag, "etag", "%s was changed by somebody else since it was read; read it again", name).
		With("name", name).With("etag", etag)
}

// As returns the fault in an error's chain.
func As(err error) (*Fault, bool) {
	var f *Fault
	if errors.As(err, &f) {
		return f, true
	}
	return nil, false
}

// Is reports whether an error is a fault for a reason.
func Is(err error, reason Reason) bool {
	f, ok := As(err)
	return ok && f.Reason == reason
}
