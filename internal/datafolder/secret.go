package datafolder

import (
	"crypto/rand"
	"encoding/base64"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
)

// SecretBytes is how long a secret is that MakeSecret makes: 256 bits cannot be guessed.
const SecretBytes = 32

// MakeSecret keeps a new secret, in base64 (RFC 4648, URL alphabet, no padding), in a
// file that only its owner may read, unless the file is there. what is what the secret
// is called. It is written beside its place and linked there whole, so that of two
// servers that start at once both read the same, and none is replaced.
func MakeSecret(file, what string) (err error) {
	random := make([]byte, SecretBytes)
	if _, err := rand.Read(random); err != nil {
		return fmt.Errorf("make the %s: %w", what, err)
	}
	draft, err := os.CreateTemp(filepath.Dir(file), "."+filepath.Base(file)+"-")
	if err != nil {
		return fmt.Errorf("make the %s: %w", what, err)
	}
	defer func() { err = errors.Join(err, os.Remove(draft.Name())) }()
	_, writeErr := draft.WriteString(base64.RawURLEncoding.EncodeToString(random) + "\n")
	if err := errors.Join(writeErr, draft.Sync(), draft.Close()); err != nil {
		return fmt.Errorf("write the %s: %w", what, err)
	}
	if err := os.Link(draft.Name(), file); err != nil && !errors.Is(err, fs.ErrExist) {
		return fmt.Errorf("keep the %s: %w", what, err)
	}
	return nil
}

// ReadSecret returns what stands in the file of a secret, without the white space around
// it. It refuses a file that others may read.
func ReadSecret(file, what string) (string, error) {
	info, err := os.Stat(file)
	if err != nil {
		return "", fmt.Errorf("read the %s: %w", what, err)
	}
	if info.Mode().Perm()&0o007 != 0 {
		return "", fmt.Errorf("the %s %s can be read by others; run chmod 600 %s", what, file, file)
	}
	content, err := os.ReadFile(file)
	if err != nil {
		return "", fmt.Errorf("read the %s: %w", what, err)
	}
	return strings.TrimSpace(string(content)), nil
}
