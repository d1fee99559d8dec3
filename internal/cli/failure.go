package cli

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// Exit codes; the package comment says what they mean.
const (
	exitOK          = 0
	exitFailed      = 1
	exitUsage       = 2
	exitRefused     = 3
	exitNotAllowed  = 4
	exitUnreachable = 5
)

// usageError is a command line that is wrong.
type usageError struct{ error }

func (e usageError) Unwrap() error { return e.error }

// Usage marks an error as one of the command line: exit code 2.
func Usage(err error) error {
	if err == nil {
		return nil
	}
	return usageError{err}
}

func usagef(format string, args ...any) error { return Usage(fmt.Errorf(format, args...)) }

// outcomeError ends a command with an exit code of its own choice.
type outcomeError struct {
	exitCode int
	error
}

// errNotSignedIn is what commands say that need to know who calls.
var errNotSignedIn = errors.New("nobody is signed in")

func (e outcomeError) Unwrap() error { return e.error }

// failure is an error as it is printed. Its JSON form is stable.
type failure struct {
	ExitCode  int               `json:"exit_code"`
	Outcome   string            `json:"outcome"`
	Code      string            `json:"code,omitempty"`
	Reason    string            `json:"reason,omitempty"`
	Message   string            `json:"message"`
	Fields    []fieldFailure    `json:"fields,omitempty"`
	Metadata  map[string]string `json:"metadata,omitempty"`
	RequestID string            `json:"request_id,omitempty"`
}

// fieldFailure is a rule that a field breaks.
type fieldFailure struct {
	Field string `json:"field"`
	Rule  string `json:"rule"`
}

const notSignedIn = "not signed in"

// timedOut is the outcome when the server was reached and its answer did not come
// in time: what was asked for may have been done, or may still be.
const timedOut = "timed out"

// outcomes are the words for the exit codes.
var outcomes = map[int]string{
	exitFailed:      "failed",
	exitUsage:       "usage",
	exitRefused:     "refused",
	exitNotAllowed:  "not allowed",
	exitUnreachable: "unreachable",
}

// exitCodes of the statuses; all others are exitFailed. A deadline that passed is
// told apart in statusFailure.
var exitCodes = map[codes.Code]int{
	codes.InvalidArgument:    exitRefused,
	codes.FailedPrecondition: exitRefused,
	codes.NotFound:           exitRefused,
	codes.AlreadyExists:      exitRefused,
	codes.Aborted:            exitRefused,
	codes.OutOfRange:         exitRefused,
	codes.Unauthenticated:    exitNotAllowed,
	codes.PermissionDenied:   exitNotAllowed,
	codes.Unavailable:        exitUnreachable,
}

// report prints an error and returns the exit code.
func (a *app) report(ctx context.Context, err error) int {
	f := a.failureOf(err)
	if a.flags.json || slices.Contains(a.Args, "--json") {
		encoder := json.NewEncoder(a.Err)
		encoder.SetIndent("", "  ")
		encoder.SetEscapeHTML(false)
		_ = encoder.Encode(map[string]failure{"error": f})
		return f.ExitCode
	}
	f.print(a.Err, a.localTimes(ctx, f.Metadata))
	return f.ExitCode
}

func (a *app) failureOf(err error) failure {
	var usage usageError
	if errors.As(err, &usage) {
		return failure{ExitCode: exitUsage, Outcome: outcomes[exitUsage], Message: usage.Error()}
	}
	var outcome outcomeError
	if errors.As(err, &outcome) {
		f := failure{ExitCode: outcome.exitCode, Outcome: outcomes[outcome.exitCode], Message: outcome.Error()}
		if errors.Is(err, errNotSignedIn) {
			f.Outcome = notSignedIn
		}
		return f
	}
	// status.FromError would put what wraps the status into its sentence.
	var refusal interface{ GRPCStatus() *status.Status }
	if errors.As(err, &refusal) {
		return a.statusFailure(refusal.GRPCStatus())
	}
	return failure{ExitCode: exitFailed, Outcome: outcomes[exitFailed], Message: err.Error()}
}

func (a *app) statusFailure(s *status.Status) failure {
	f := failure{ExitCode: exitFailed, Code: codeName(s.Code()), Message: s.Message()}
	if exitCode, known := exitCodes[s.Code()]; known {
		f.ExitCode = exitCode
	}
	f.Outcome = outcomes[f.ExitCode]
	for _, detail := range s.Details() {
		switch detail := detail.(type) {
		case *errdetails.ErrorInfo:
			f.Reason, f.Metadata = detail.GetReason(), detail.GetMetadata()
		case *errdetails.BadRequest:
			for _, violation := range detail.GetFieldViolations() {
				f.Fields = append(f.Fields, fieldFailure{violation.GetField(), violation.GetDescription()})
			}
		}
	}
	if f.ExitCode == exitFailed || f.ExitCode == exitUnreachable {
		f.RequestID = a.mutation
	}
	// Without a reason the answer is not the server's: the way to it is broken.
	if s.Code() == codes.Unavailable && f.Reason == "" {
		f.Message = fmt.Sprintf("the server at %s does not answer (%s); velamen up starts one on this machine, --server names another",
			a.flags.server, s.Message())
	}
	if s.Code() == codes.DeadlineExceeded {
		f.late(a)
	}
	if s.Code() == codes.Unauthenticated {
		f.Outcome = notSignedIn
	}
	return f
}

// late says how far a call came whose time is up. One that found no connection in
// that time was never sent.
func (f *failure) late(a *app) {
	if a.connected() {
		f.Outcome = timedOut
		f.Message = fmt.Sprintf("the server at %s did not answer within %s; --timeout gives it more time", a.flags.server, a.flags.timeout)
		return
	}
	f.ExitCode, f.Outcome, f.RequestID = exitUnreachable, outcomes[exitUnreachable], ""
	f.Message = fmt.Sprintf("no connection to the server at %s within %s; velamen up starts one on this machine, --server names another",
		a.flags.server, a.flags.timeout)
}

// codeName writes a code as the contract's documentation does: NOT_FOUND.
func codeName(code codes.Code) string {
	var name strings.Builder
	for i, r := range code.String() {
		if i > 0 && r >= 'A' && r <= 'Z' {
			name.WriteByte('_')
		}
		name.WriteRune(r)
	}
	return strings.ToUpper(name.String())
}

// print writes the sentence, then what stands behind it, line by line.
func (f failure) print(w io.Writer, metadata map[string]string) {
	var lines strings.Builder
	sentence := f.Message
	if len(f.Fields) > 1 {
		sentence = fmt.Sprintf("%d fields break a rule", len(f.Fields)) // each has its line below
	}
	fmt.Fprintf(&lines, "velamen: %s: %s\n", f.Outcome, sentence)
	for _, field := range f.Fields {
		if len(f.Fields) == 1 {
			fmt.Fprintf(&lines, "  field: %s\n", field.Field)
			continue
		}
		fmt.Fprintf(&lines, "  field: %s: %s\n", field.Field, field.Rule)
	}
	if f.Reason != "" {
		fmt.Fprintf(&lines, "  reason: %s\n", f.Reason)
	}
	for _, key := range slices.Sorted(maps.Keys(metadata)) {
		fmt.Fprintf(&lines, "  %s: %s\n", strings.ReplaceAll(key, "_", " "), metadata[key])
	}
	if f.RequestID != "" {
		fmt.Fprintf(&lines, "  it may have been done; to try again without doing it twice add: --request-id %s\n", f.RequestID)
	}
	if f.ExitCode == exitUsage {
		fmt.Fprintln(&lines, "  help: add --help to the command")
	}
	_, _ = io.WriteString(w, lines.String())
}

// localTimes writes the times in an error's metadata in the nursery's zone,
// where that can be found out; the error itself matters more.
func (a *app) localTimes(ctx context.Context, metadata map[string]string) map[string]string {
	local := maps.Clone(metadata)
	for key, value := range metadata {
		moment, err := time.Parse(time.RFC3339Nano, value)
		if err != nil {
			continue
		}
		zone, err := a.nurseryZone(ctx)
		if err != nil {
			return metadata
		}
		local[key] = showTime(moment, zone)
	}
	return local
}
