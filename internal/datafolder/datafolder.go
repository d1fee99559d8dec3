// Package datafolder knows what lies where in the folder of a nursery that runs
// on one machine: the database cluster, photos, the setup key and the log.
package datafolder

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
)

// systemFolder is where a service's state lies by the Filesystem Hierarchy
// Standard 3.0, section 5.8.
const systemFolder = "/var/lib/velamen"

// Folder is the path of a data folder.
type Folder string

// Default returns /var/lib/velamen for root; for anybody else velamen in
// $XDG_DATA_HOME, or in ~/.local/share without one (XDG Base Directory
// Specification 0.8). It is empty when there is no home either.
func Default() Folder { return defaultFor(os.Geteuid(), os.Getenv) }

func defaultFor(user int, environment func(string) string) Folder {
	if user == 0 {
		return systemFolder
	}
	if data := environment("XDG_DATA_HOME"); filepath.IsAbs(data) {
		return Folder(filepath.Join(data, "velamen"))
	}
	if home := environment("HOME"); filepath.IsAbs(home) {
		return Folder(filepath.Join(home, ".local", "share", "velamen"))
	}
	return ""
}

// Make creates the folder and its parents. Others may pass through, because
// PostgreSQL runs as another user when we are root, but they see nothing inside
// that is not theirs.
func (f Folder) Make() error {
	if err := os.MkdirAll(string(f), 0o711); err != nil {
		return fmt.Errorf("make the data folder: %w", err)
	}
	return nil
}

// PostgreSQL returns the folder of the private database cluster.
func (f Folder) PostgreSQL() string { return filepath.Join(string(f), "postgresql") }

// Photos returns the folder of the photos.
func (f Folder) Photos() string { return filepath.Join(string(f), "photos") }

// Log returns the path of the log.
func (f Folder) Log() string { return filepath.Join(string(f), "velamen.log") }

// SetupKeyFile returns the path of the setup key.
func (f Folder) SetupKeyFile() string { return filepath.Join(string(f), "setup-key") }

// SigningKeyFile returns the path of the key that signs the closes of the ledger.
func (f Folder) SigningKeyFile() string { return filepath.Join(string(f), "signing-key") }

// setupKey is what the setup key is called.
const setupKey = "setup key"

// ReadOrMakeSetupKey returns the key in a file that only its owner may read.
// The first call makes it.
func ReadOrMakeSetupKey(file string) (string, error) {
	key, err := ReadSetupKey(file)
	if !errors.Is(err, fs.ErrNotExist) {
		return key, err
	}
	if err := MakeSecret(file, setupKey); err != nil {
		return "", err
	}
	return ReadSetupKey(file)
}

// ReadSetupKey returns the key in a file. It refuses a file that others may
// read, and an empty one.
func ReadSetupKey(file string) (string, error) {
	key, err := ReadSecret(file, setupKey)
	if err == nil && key == "" {
		return "", fmt.Errorf("the setup key %s is empty; remove it and start the server again to get a new one", file)
	}
	return key, err
}
