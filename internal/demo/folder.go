package demo

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"velamen/internal/datafolder"
)

// marker is a file that says that a data folder is a demo's.
const marker = "this-is-a-demo"

// DefaultFolder returns the demo's data folder, beside the one that velamen up
// uses; it is empty when there is no place for either.
func DefaultFolder() datafolder.Folder {
	if folder := datafolder.Default(); folder != "" {
		return folder + "-demo"
	}
	return ""
}

// ClaimFolder makes a data folder for the demo, or finds that it is one. It
// refuses a folder with anything else in it: the passwords of the demo are known
// to everybody, and must not open a nursery that exists.
func ClaimFolder(folder datafolder.Folder) error {
	file := filepath.Join(string(folder), marker)
	if _, err := os.Stat(file); err == nil {
		return nil
	}
	inside, err := os.ReadDir(string(folder))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("look into the data folder: %w", err)
	}
	if len(inside) > 0 {
		return fmt.Errorf("%s holds something other than a demo; name an empty folder with --data-folder", folder)
	}
	if err := folder.Make(); err != nil {
		return err
	}
	if err := os.WriteFile(file, []byte("Everything in this folder is invented; remove the folder when you have seen enough.\n"), 0o600); err != nil {
		return fmt.Errorf("mark the data folder: %w", err)
	}
	return nil
}
