package rpc

import (
	"context"
	"errors"
	"strings"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/protoadapt"

	"buf.build/go/protovalidate"

	"velamen/internal/fault"
)

// ErrorDomain is the domain of the ErrorInfo in every error (AIP-193).
const ErrorDomain = "velamen"

var codeOf = map[fault.Kind]codes.Code{
	fault.Internal:        codes.Internal,
	fault.Invalid:         codes.InvalidArgument,
	fault.NotFound:        codes.NotFound,
	fault.Exists:          codes.AlreadyExists,
	fault.Precondition:    codes.FailedPrecondition,
	fault.Aborted:         codes.Aborted,
	fault.Unauthenticated: codes.Unauthenticated,
	fault.Denied:          codes.PermissionDenied,
	fault.Unavailable:     codes.Unavailable,
}

// Status turns any error into the status a client sees: a canonical code, an
// ErrorInfo with the reason and the values of the message, and a BadRequest that
// names the fields. What the error wraps is never shown.
func Status(err error) *status.Status {
	var invalid *protovalidate.ValidationError
	if errors.As(err, &invalid) {
		return violations(invalid)
	}
	if f, ok := fault.As(err); ok {
		return faultStatus(f)
	}
	if errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) {
		return status.FromContextError(err)
	}
	if s, ok := status.FromError(err); ok {
		return s
	}
	return faultStatus(fault.New(fault.Internal, fault.InternalReason, "internal error"))
}

func faultStatus(f *fault.Fault) *status.Status {
	details := []protoadapt.MessageV1{info(string(f.Reason), f.Values)}
	bad := &errdetails.BadRequest{}
	if f.Field != "" {
		bad.FieldViolations = append(bad.FieldViolations, &errdetails.BadRequest_FieldViolation{Field: f.Field, Description: f.Message})
	}
	for _, violation := range f.Violations {
		bad.FieldViolations = append(bad.FieldViolations, &errdetails.BadRequest_FieldViolation{Field: violation.Field, Description: violation.Rule})
	}
	if len(bad.GetFieldViolations()) > 0 {
		details = append(details, bad)
	}
	return with(status.New(codeOf[f.Kind], f.Error()), details)
}

func violations(invalid *protovalidate.ValidationError) *status.Status {
	bad := &errdetails.BadRequest{}
	sentences := make([]string, 0, len(invalid.Violations))
	for _, violation := range invalid.Violations {
		path := protovalidate.FieldPathString(violation.Proto.GetField())
		rule := violation.Proto.GetMessage()
		if rule == "" {
			rule = violation.Proto.GetRuleId()
		}
		bad.FieldViolations = append(bad.FieldViolations, &errdetails.BadRequest_FieldViolation{
			Field: path, Description: rule, Reason: violation.Proto.GetRuleId(),
		})
		sentences = append(sentences, strings.TrimPrefix(path+": "+rule, ": "))
	}
	return with(status.New(codes.InvalidArgument, strings.Join(sentences, "; ")),
		[]protoadapt.MessageV1{info(string(fault.InvalidField), nil), bad})
}

func info(reason string, values map[string]string) *errdetails.ErrorInfo {
	return &errdetails.ErrorInfo{Reason: reason, Domain: ErrorDomain, Metadata: values}
}

func with(s *status.Status, details []protoadapt.MessageV1) *status.Status {
	detailed, err := s.WithDetails(details...)
	if err != nil {
		return s
	}
	return detailed
}
