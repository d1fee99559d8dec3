package cluster

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
)

const (
	// socketPort is only a part of the socket's name; the folder is private, so
	// it never clashes with another PostgreSQL.
	socketPort = 5432
	// socketPathLimit is what fits into sockaddr_un on Linux beside the closing zero.
	socketPathLimit = 107
)

// socketName is how PostgreSQL calls its socket.
var socketName = fmt.Sprintf(".s.PGSQL.%d", socketPort)

// prepareSocketFolder uses run/ in the folder, or a short one elsewhere if a
// socket in it could not be named.
func prepareSocketFolder(folder string, who account) (string, error) {
	run := filepath.Join(folder, "run")
	if err := giveTo(who, run); err != nil {
		return "", err
	}
	if fitsSocket(run) {
		return run, nil
	}
	short := shortSocketFolder(folder, who)
	if err := giveToFresh(who, short); err != nil {
		return "", err
	}
	return short, nil
}

// fitsSocket is about length, and about the characters that separate or quote
// folders in the settings of PostgreSQL (unix_socket_directories) and pgx (host).
func fitsSocket(folder string) bool {
	return len(filepath.Join(folder, socketName)) <= socketPathLimit && !strings.ContainsAny(folder, `,"`)
}

// shortSocketFolder is the same for the same folder at every start. The run-time
// folder of a login session is closed to every other user, so a switched account
// cannot use it.
func shortSocketFolder(folder string, who account) string {
	sum := sha256.Sum256([]byte(folder))
	name := "velamen-" + hex.EncodeToString(sum[:8])
	if base := os.Getenv("XDG_RUNTIME_DIR"); base != "" && !who.switched {
		if short := filepath.Join(base, name); fitsSocket(short) {
			return short
		}
	}
	return filepath.Join("/tmp", name)
}

// removeShortSocketFolder leaves nothing behind outside our folder. A folder
// that still holds a socket is not removed, and the next start takes it again.
func (c *Cluster) removeShortSocketFolder() {
	if c.socketFolder != "" && filepath.Dir(c.socketFolder) != c.folder {
		_ = os.Remove(c.socketFolder)
	}
}

// giveToFresh makes a folder where everybody may create one. One that exists is
// only taken if it is the account's own and closed to others: somebody else may
// have made it first to listen in our place.
func giveToFresh(who account, path string) error {
	err := os.Mkdir(path, 0o700)
	if err == nil {
		if err := os.Lchown(path, who.uid, who.gid); err != nil {
			return folderError(path, err)
		}
		return nil
	}
	info, statErr := os.Lstat(path)
	if statErr != nil {
		return folderError(path, err)
	}
	owner := int(info.Sys().(*syscall.Stat_t).Uid)
	if !info.IsDir() || owner != who.uid || info.Mode().Perm() != 0o700 {
		return &FolderError{Folder: path, Rule: fmt.Sprintf("must be a folder of user %s with mode 700; remove it", who.name)}
	}
	return nil
}
