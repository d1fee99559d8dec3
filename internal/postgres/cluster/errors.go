package cluster

import (
	"errors"
	"fmt"
	"strings"
	"syscall"
)

// FolderError says that a folder cannot be used and what is asked of it.
type FolderError struct {
	// Folder is the folder, or the file in it, that breaks the rule.
	Folder string
	// Rule is what must hold for it, as a sentence a person can act on.
	Rule string
	// Err is the cause from the operating system; may be nil.
	Err error
}

func (e *FolderError) Error() string {
	if e.Err == nil {
		return fmt.Sprintf("cluster: %s %s", e.Folder, e.Rule)
	}
	return fmt.Sprintf("cluster: %s %s: %v", e.Folder, e.Rule, e.Err)
}

func (e *FolderError) Unwrap() error { return e.Err }

// folderError finds the rule that a failed write in folder broke.
func folderError(folder string, err error) error {
	rule := "must be a folder that the server can write to"
	switch {
	case errors.Is(err, syscall.ENOSPC), errors.Is(err, syscall.EDQUOT):
		rule = ruleDiskFull
	case errors.Is(err, syscall.EROFS):
		rule = "must be on a file system that can be written to; this one is read-only"
	case errors.Is(err, syscall.EACCES), errors.Is(err, syscall.EPERM):
		rule = "must be writable by the user that runs the server"
	case errors.Is(err, syscall.ENOTDIR), errors.Is(err, syscall.EEXIST):
		rule = "must be a folder; it, or a part of its path, is a file"
	}
	return &FolderError{Folder: folder, Rule: rule, Err: err}
}

const ruleDiskFull = "needs free space; the disk is full, or the quota of the user is used up"

// LockedError says that another server uses the folder.
type LockedError struct {
	Folder string
	// PID is the process that holds the folder, 0 if it did not write it down yet.
	PID int
}

func (e *LockedError) Error() string {
	if e.PID == 0 {
		return fmt.Sprintf("cluster: %s is in use by another velamen server", e.Folder)
	}
	return fmt.Sprintf("cluster: %s is in use by another velamen server, process %d; stop it first", e.Folder, e.PID)
}

// BinariesError says that no usable PostgreSQL is installed.
type BinariesError struct {
	// Looked are the places that were searched, and what was wrong there.
	Looked []string
}

func (e *BinariesError) Error() string {
	return fmt.Sprintf("cluster: PostgreSQL %d or newer is needed (initdb and postgres) and was not found; "+
		"install it with `apt-get install postgresql`, or set %s to the folder of its programs. Looked in: %s",
		minimumMajor, binVariable, strings.Join(e.Looked, "; "))
}

// VersionError says that the data belongs to another major version of PostgreSQL.
type VersionError struct {
	Folder string
	// Data is the major version that wrote the folder; Installed are those found.
	Data      string
	Installed []int
}

func (e *VersionError) Error() string {
	return fmt.Sprintf("cluster: %s was written by PostgreSQL %s, but only %v is installed; "+
		"install it with `apt-get install postgresql-%s`, or convert the data with pg_upgrade",
		e.Folder, e.Data, e.Installed, e.Data)
}
