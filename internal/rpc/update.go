package rpc

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"unicode"

	"buf.build/gen/go/bufbuild/protovalidate/protocolbuffers/go/buf/validate"
	"buf.build/go/protovalidate"
	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/descriptorpb"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	"velamen/internal/fault"
)

// ETag returns the etag of a version of a resource.
func ETag(version int64) string { return fmt.Sprintf(`"v%d"`, version) }

// CheckETag refuses an etag that is not the one of the version; an empty one
// passes (AIP-154).
func CheckETag(name, etag string, version int64) error {
	if etag == "" || etag == ETag(version) {
		return nil
	}
	return fault.Stale(name, etag)
}

// Merge writes the changed fields of a resource over the stored one (AIP-134):
// the fields of the mask, all that are set when there is no mask, or all with
// "*". Output-only fields, the name and the etag are left alone; an immutable
// one in the mask is refused. The merged resource is validated as a whole.
func Merge(stored, changed proto.Message, mask *fieldmaskpb.FieldMask) error {
	fields, err := selected(changed.ProtoReflect(), mask)
	if err != nil {
		return err
	}
	into, from := stored.ProtoReflect(), changed.ProtoReflect()
	for _, field := range fields {
		if from.Has(field) {
			into.Set(field, from.Get(field))
			continue
		}
		into.Clear(field)
	}
	return under(fieldOf(stored), protovalidate.Validate(stored))
}

// fieldOf returns the field of an Update request that holds a resource: it is
// named after the resource (AIP-134).
func fieldOf(resource proto.Message) string {
	name := string(resource.ProtoReflect().Descriptor().Name())
	var field strings.Builder
	for i, r := range name {
		if i > 0 && unicode.IsUpper(r) {
			field.WriteByte('_')
		}
		field.WriteRune(unicode.ToLower(r))
	}
	return field.String()
}

// under puts a field before the paths of violations, so that they read like
// those of the whole request.
func under(field string, err error) error {
	var invalid *protovalidate.ValidationError
	if !errors.As(err, &invalid) {
		return err
	}
	for _, violation := range invalid.Violations {
		path := violation.Proto.GetField()
		if path == nil {
			path = &validate.FieldPath{}
			violation.Proto.Field = path
		}
		path.Elements = append([]*validate.FieldPathElement{{FieldName: &field}}, path.GetElements()...)
	}
	return invalid
}

func selected(changed protoreflect.Message, mask *fieldmaskpb.FieldMask) ([]protoreflect.FieldDescriptor, error) {
	all := changed.Descriptor().Fields()
	var fields []protoreflect.FieldDescriptor
	paths := mask.GetPaths()
	everything := slices.Contains(paths, "*")
	for i := range all.Len() {
		field := all.Get(i)
		named := slices.Contains(paths, string(field.Name()))
		wanted := everything || named || (len(paths) == 0 && changed.Has(field))
		switch {
		case !wanted || readOnly(field):
		case has(field, annotations.FieldBehavior_IMMUTABLE):
			if named {
				return nil, fault.Field("update_mask", "%s cannot be changed", field.Name()).With("path", string(field.Name()))
			}
		default:
			fields = append(fields, field)
		}
	}
	for _, path := range paths {
		if path != "*" && all.ByName(protoreflect.Name(path)) == nil {
			return nil, fault.Field("update_mask", "there is no field %q", path).With("path", path)
		}
	}
	return fields, nil
}

func readOnly(field protoreflect.FieldDescriptor) bool {
	return has(field, annotations.FieldBehavior_OUTPUT_ONLY) || has(field, annotations.FieldBehavior_IDENTIFIER)
}

func has(field protoreflect.FieldDescriptor, behavior annotations.FieldBehavior) bool {
	options, ok := field.Options().(*descriptorpb.FieldOptions)
	if !ok {
		return false
	}
	behaviors, ok := proto.GetExtension(options, annotations.E_FieldBehavior).([]annotations.FieldBehavior)
	return ok && slices.Contains(behaviors, behavior)
}
