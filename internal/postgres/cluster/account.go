package cluster

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
)

// account is the user that runs PostgreSQL.
type account struct {
	name     string
	uid, gid int
	// switched is true when we are root and become this user for PostgreSQL.
	switched bool
}

// chooseAccount is ourselves unless we are root: PostgreSQL refuses to run as
// root, since whoever gets into a database could then do anything on the machine.
func chooseAccount(wanted string) (account, error) {
	if os.Geteuid() != 0 {
		return account{name: "uid " + strconv.Itoa(os.Geteuid()), uid: os.Geteuid(), gid: os.Getegid()}, nil
	}
	names := []string{"postgres", "nobody"}
	if wanted != "" {
		names = []string{wanted}
	}
	for _, name := range names {
		found, err := user.Lookup(name)
		if err != nil {
			continue
		}
		uid, errUID := strconv.Atoi(found.Uid)
		gid, errGID := strconv.Atoi(found.Gid)
		if err := errors.Join(errUID, errGID); err != nil {
			return account{}, fmt.Errorf("cluster: account %q: %w", name, err)
		}
		if uid == 0 {
			return account{}, fmt.Errorf("cluster: account %q is root; PostgreSQL must run as an unprivileged user", name)
		}
		return account{name: name, uid: uid, gid: gid, switched: true}, nil
	}
	return account{}, fmt.Errorf("cluster: PostgreSQL must not run as root and there is no account %s on this machine", strings.Join(names, " or "))
}

// command prepares a program of PostgreSQL to run as the account. Variables
// like PGDATA or PGPORT of whoever started us must not reach it.
func (a account) command(ctx context.Context, program string, arguments ...string) *exec.Cmd {
	cmd := exec.CommandContext(ctx, program, arguments...)
	cmd.Env = []string{"PATH=/usr/local/bin:/usr/bin:/bin", "LANG=C.UTF-8", "TZ=UTC"}
	cmd.Dir = "/"
	cmd.SysProcAttr = &syscall.SysProcAttr{}
	if a.switched {
		cmd.SysProcAttr.Credential = &syscall.Credential{Uid: uint32(a.uid), Gid: uint32(a.gid)}
	}
	return cmd
}

// checkAccess makes sure that the account can run PostgreSQL and reach the
// folder. It lets the kernel decide, by running a program with the account's
// rights inside each folder, so that access lists count too.
func (a account) checkAccess(ctx context.Context, p programs, folder string) error {
	if !a.switched {
		return nil
	}
	enter := func(dir string) error {
		cmd := a.command(ctx, p.postgres, "--version")
		cmd.Dir = dir
		return cmd.Run()
	}
	if err := enter("/"); err != nil {
		return fmt.Errorf("cluster: account %q cannot run %s: %w", a.name, p.postgres, err)
	}
	for _, dir := range pathTo(folder) {
		if err := enter(dir); err != nil {
			return &FolderError{
				Folder: dir,
				Rule:   fmt.Sprintf("must be open to the user %q, which runs PostgreSQL (`chmod o+x` on it)", a.name),
				Err:    err,
			}
		}
	}
	return nil
}

// pathTo lists a folder and all its parents, the outermost first.
func pathTo(folder string) []string {
	folders := []string{folder}
	for dir := folder; dir != filepath.Dir(dir); {
		dir = filepath.Dir(dir)
		folders = append(folders, dir)
	}
	slices.Reverse(folders)
	return folders
}
