package rpc

import (
	"fmt"
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"velamen/internal/fault"
)

// storable refuses a text with a NUL character and names its field: PostgreSQL
// cannot keep one, and no person types it.
func storable(message proto.Message) error {
	if field, found := nulIn("", message.ProtoReflect()); found {
		return fault.Field(field, "must not contain a NUL character")
	}
	return nil
}

func nulIn(path string, message protoreflect.Message) (field string, found bool) {
	message.Range(func(descriptor protoreflect.FieldDescriptor, value protoreflect.Value) bool {
		at := strings.TrimPrefix(path+"."+string(descriptor.Name()), ".")
		switch {
		case descriptor.IsMap():
		case descriptor.IsList():
			for i := range value.List().Len() {
				if field, found = nulInValue(fmt.Sprintf("%s[%d]", at, i), descriptor, value.List().Get(i)); found {
					break
				}
			}
		default:
			field, found = nulInValue(at, descriptor, value)
		}
		return !found
	})
	return field, found
}

func nulInValue(path string, descriptor protoreflect.FieldDescriptor, value protoreflect.Value) (string, bool) {
	switch descriptor.Kind() {
	case protoreflect.StringKind:
		return path, strings.ContainsRune(value.String(), 0)
	case protoreflect.MessageKind, protoreflect.GroupKind:
		return nulIn(path, value.Message())
	default:
		return "", false
	}
}
