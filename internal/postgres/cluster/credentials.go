package cluster

import (
	"crypto/rand"
	"encoding/json"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
)

// credentials are the passwords of the roles. They are for programs only, so
// they are long and nobody ever types them.
type credentials struct {
	Roles map[string]string `json:"roles"`
}

// allRoles are the roles that need a password.
var allRoles = []string{RoleAdmin, RoleOwner, RoleApp, RoleTemporal}

// loadCredentials reads the passwords and adds those that are missing. They are
// on disk before the cluster is created, so a cluster without them has lost them.
func loadCredentials(folder string) (credentials, error) {
	path := filepath.Join(folder, "credentials.json")
	known, err := readCredentials(path)
	if err != nil {
		return credentials{}, err
	}
	if known.Roles[RoleAdmin] == "" {
		version, err := dataVersion(dataFolder(folder))
		if err != nil {
			return credentials{}, err
		}
		if version != "" {
			return credentials{}, &FolderError{Folder: path, Rule: "must hold the passwords of the cluster; restore it from the backup of the folder"}
		}
	}
	changed := false
	for _, role := range allRoles {
		if known.Roles[role] == "" {
			known.Roles[role] = rand.Text() // 26 characters, at least 128 bits
			changed = true
		}
	}
	if !changed {
		return known, nil
	}
	return known, writeCredentials(folder, path, known)
}

func readCredentials(path string) (credentials, error) {
	empty := credentials{Roles: map[string]string{}}
	info, err := os.Stat(path)
	if errors.Is(err, fs.ErrNotExist) {
		return empty, nil
	}
	if err != nil {
		return empty, folderError(path, err)
	}
	if info.Mode().Perm()&0o077 != 0 {
		return empty, &FolderError{Folder: path, Rule: "must be readable by its owner only (`chmod 600` on it)"}
	}
	text, err := os.ReadFile(path)
	if err != nil {
		return empty, folderError(path, err)
	}
	known := empty
	if err := json.Unmarshal(text, &known); err != nil {
		return empty, &FolderError{Folder: path, Rule: "must be valid JSON; restore it from the backup of the folder", Err: err}
	}
	if known.Roles == nil {
		return empty, nil
	}
	return known, nil
}

// writeCredentials replaces the file as a whole: a power cut leaves the old or
// the new one, never half of one.
func writeCredentials(folder, path string, c credentials) error {
	text, err := json.MarshalIndent(c, "", "  ")
	if err != nil {
		return err
	}
	if err := replaceFile(path, append(text, '\n')); err != nil {
		return folderError(path, err)
	}
	if err := syncFolder(folder); err != nil {
		return folderError(folder, err)
	}
	return nil
}

// replaceFile writes a file for its owner only, and renames it into place.
func replaceFile(path string, content []byte) error {
	temporary := path + ".new"
	file, err := os.OpenFile(temporary, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	_, err = file.Write(content)
	if err := errors.Join(err, file.Sync(), file.Close()); err != nil {
		return err
	}
	return os.Rename(temporary, path)
}
