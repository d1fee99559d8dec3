// Command protodeps writes the .proto files that our contract imports from
// other projects (google/api and buf/validate) into the folder it is given.
//
// They are printed from the descriptors that the pinned Go modules carry, so
// the contract compiles offline, against exactly the versions the binary links,
// and no foreign source is kept in this repository.
package main

import (
	"fmt"
	"os"
	"path/filepath"

	"buf.build/gen/go/bufbuild/protovalidate/protocolbuffers/go/buf/validate"
	"github.com/jhump/protoreflect/v2/protoprint"
	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/protobuf/reflect/protoreflect"
)

func main() {
	if len(os.Args) != 2 {
		fmt.Fprintln(os.Stderr, "usage: protodeps FOLDER")
		os.Exit(2)
	}
	if err := write(os.Args[1]); err != nil {
		fmt.Fprintln(os.Stderr, "protodeps:", err)
		os.Exit(1)
	}
}

func write(folder string) error {
	files := []protoreflect.FileDescriptor{
		validate.File_buf_validate_validate_proto,
		annotations.File_google_api_field_behavior_proto,
		annotations.File_google_api_field_info_proto,
		annotations.File_google_api_resource_proto,
	}
	printer := protoprint.Printer{SortElements: true}
	for _, file := range files {
		path := filepath.Join(folder, file.Path())
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			return err
		}
		text, err := printer.PrintProtoToString(file)
		if err != nil {
			return fmt.Errorf("print %s: %w", file.Path(), err)
		}
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			return err
		}
	}
	return nil
}
