package cli

import (
	"errors"
	"fmt"
	"io"
	"os"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
)

// maxFile is the largest JSON file read, in bytes: what the server takes in one
// message.
const maxFile = 4 << 20

// readMessage reads a message from a JSON file. Names of fields are those of
// the contract, in either of the two ways that protobuf writes them.
func (a *app) readMessage(flag, file string, message proto.Message) error {
	content, err := a.readFile(flag, file)
	if err != nil {
		return err
	}
	return unmarshal(flag, file, content, message)
}

// readList reads a JSON array into the repeated field of a message.
func (a *app) readList(flag, file, field string, message proto.Message) error {
	content, err := a.readFile(flag, file)
	if err != nil {
		return err
	}
	wrapped := append([]byte(`{"`+field+`":`), content...)
	return unmarshal(flag, file, append(wrapped, '}'), message)
}

func unmarshal(flag, file string, content []byte, message proto.Message) error {
	if err := protojson.Unmarshal(content, message); err != nil {
		return usagef("%s %s: %w", flag, file, err)
	}
	return nil
}

func (a *app) readFile(flag, file string) (_ []byte, err error) {
	source, err := a.open(flag, file)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, source.Close()) }()
	content, err := io.ReadAll(io.LimitReader(source, maxFile+1))
	if err != nil {
		return nil, fmt.Errorf("%s %s: %w", flag, file, err)
	}
	if len(content) > maxFile {
		return nil, usagef("%s %s: it is larger than %d MiB", flag, file, maxFile>>20)
	}
	return content, nil
}

// writeWhole writes content to a new file, as writeFile does what comes in pieces.
func (a *app) writeWhole(flag, file string, content []byte) error {
	written := false
	return a.writeFile(flag, file, func() ([]byte, error) {
		if written {
			return nil, io.EOF
		}
		written = true
		return content, nil
	})
}

// writeFile writes what comes in pieces to a new file; "-" is standard output.
// An existing file is left alone.
func (a *app) writeFile(flag, file string, next func() ([]byte, error)) (err error) {
	out := a.Out
	if file != "-" {
		made, err := os.OpenFile(file, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
		if err != nil {
			return usagef("%s: %w", flag, err)
		}
		defer func() {
			if err = errors.Join(err, made.Close()); err != nil {
				err = errors.Join(err, os.Remove(file))
			}
		}()
		out = made
	}
	for {
		piece, err := next()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		if _, err := out.Write(piece); err != nil {
			return err
		}
	}
}
